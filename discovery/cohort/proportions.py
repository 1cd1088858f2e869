"""Intervals for a share and for a difference of two shares."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import beta, norm

from discovery.problems import InputError, Problem


@dataclass(frozen=True, kw_only=True)
class Interval:
    """An estimate with its limits."""

    estimate: float
    ci_low: float
    ci_high: float
    conf_level: float
    method: str


def wilson_interval(count: int, n: int, *, conf_level: float = 0.95) -> Interval:
    """Score interval of a share: every share that a score test would not reject.

    References
    ----------
    Wilson, J Am Stat Assoc 1927;22:209-212. Oracle: TB06.
    """
    _counts(count, n)
    z2 = norm.ppf(0.5 + conf_level / 2) ** 2
    share = count / n
    middle = (count + z2 / 2) / (n + z2)
    half = np.sqrt(z2 * (share * (1 - share) / n + z2 / (4 * n * n))) / (1 + z2 / n)
    low = 0.0 if count == 0 else float(middle - half)
    high = 1.0 if count == n else float(middle + half)
    return Interval(estimate=share, ci_low=low, ci_high=high, conf_level=conf_level, method="Wilson score")


def clopper_pearson_interval(count: int, n: int, *, conf_level: float = 0.95) -> Interval:
    """Exact interval of a share from the two binomial tails; never covers less than `conf_level`.

    References
    ----------
    Clopper & Pearson, Biometrika 1934;26:404-413. Oracle: TB06.
    """
    _counts(count, n)
    tail = (1 - conf_level) / 2
    low = 0.0 if count == 0 else float(beta.ppf(tail, count, n - count + 1))
    high = 1.0 if count == n else float(beta.isf(tail, count + 1, n - count))
    return Interval(
        estimate=count / n, ci_low=low, ci_high=high, conf_level=conf_level, method="Clopper-Pearson exact"
    )


def newcombe_interval(
    count_1: int, n_1: int, count_0: int, n_0: int, *, conf_level: float = 0.95
) -> Interval:
    """Difference of two independent shares, first minus second, from their two score intervals.

    References
    ----------
    Newcombe, Stat Med 1998;17:873-890, method 10. Oracle: TB07.
    """
    one = wilson_interval(count_1, n_1, conf_level=conf_level)
    two = wilson_interval(count_0, n_0, conf_level=conf_level)
    difference = one.estimate - two.estimate
    below = np.hypot(one.estimate - one.ci_low, two.ci_high - two.estimate)
    above = np.hypot(one.ci_high - one.estimate, two.estimate - two.ci_low)
    return Interval(
        estimate=difference, ci_low=float(difference - below), ci_high=float(difference + above),
        conf_level=conf_level, method="Newcombe hybrid score",
    )  # fmt: skip


def _counts(count: int, n: int) -> None:
    if not (n > 0 and 0 <= count <= n and count == int(count) and n == int(n)):
        wanted = "wanted whole numbers with 0 <= count <= n and n > 0"
        raise InputError([Problem(file="share", found=f"{count} of {n}", wanted=wanted)])
