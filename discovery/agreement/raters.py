"""One number for agreement: concordance of two methods, intraclass correlation of several."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.problems import InputError, Problem

from .pairs import as_pairs


def concordance_correlation(test, reference, *, conf_level: float = 0.95) -> tuple[float, float, float]:
    """Lin's concordance correlation (variances with divisor n) with its interval by Fisher's z.

    Returns (estimate, low, high); NaN where a method does not vary. Lin, Biometrics 1989;45:255-268 with
    the correction of 2000;56:324-325.
    """
    from scipy.stats import norm

    a, b, _ = as_pairs(test, reference)
    n = a.size
    if a.std() == 0 or b.std() == 0:
        return np.nan, np.nan, np.nan
    r = float(np.corrcoef(a, b)[0, 1])
    shift = (a.mean() - b.mean()) / np.sqrt(a.std() * b.std())
    rho = 2 * r * a.std() * b.std() / (a.var() + b.var() + (a.mean() - b.mean()) ** 2)
    if abs(rho) >= 1 or r == 0:
        return float(rho), np.nan, np.nan
    variance = (
        (1 - r**2) * rho**2 / ((1 - rho**2) * r**2)
        + 2 * rho**3 * (1 - rho) * shift**2 / (r * (1 - rho**2) ** 2)
        - rho**4 * shift**4 / (2 * r**2 * (1 - rho**2) ** 2)
    ) / (n - 2)
    half = norm.ppf(0.5 + conf_level / 2) * np.sqrt(variance)
    return float(rho), float(np.tanh(np.arctanh(rho) - half)), float(np.tanh(np.arctanh(rho) + half))


@dataclass(frozen=True, kw_only=True)
class Intraclass:
    """An intraclass correlation; `averaged` readings go into one value that is judged."""

    name: str
    estimate: float
    ci_low: float
    ci_high: float
    averaged: int


def intraclass_correlations(ratings, *, conf_level: float = 0.95) -> dict[str, Intraclass]:
    """The six intraclass correlations of a full table of n subjects by k raters.

    ratings : array (n, k), n >= 3, k >= 2, no missing value. Keys "ICC(1,1)", "ICC(2,1)", "ICC(3,1)" of a
    single rating and "ICC(1,k)", … of the mean of k. (1) raters differ from subject to subject, (2) a
    random sample of raters rates all, absolute agreement, (3) these very raters, consistency.

    Raises
    ------
    InputError
        A missing or infinite value, or too few subjects or raters.

    References
    ----------
    Shrout & Fleiss, Psychol Bull 1979;86:420-428.
    """
    from scipy.stats import f

    x = np.asarray(ratings, dtype=float)
    if x.ndim != 2 or x.shape[0] < 3 or x.shape[1] < 2 or not np.isfinite(x).all():
        wanted = "wanted: at least 3 subjects by 2 raters, every value finite"
        raise InputError([Problem(file="ratings", wanted=wanted, found=f"shape {x.shape}")])
    n, k = x.shape
    rows, columns = x.mean(axis=1), x.mean(axis=0)
    between = k * rows.var(ddof=1)
    raters = n * columns.var(ddof=1)
    within = ((x - rows[:, None]) ** 2).sum() / (n * (k - 1))
    rest = ((x - rows[:, None] - columns + x.mean()) ** 2).sum() / ((n - 1) * (k - 1))
    tail = 0.5 + conf_level / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        one_way = _by_ratio(
            between / within, f.ppf(tail, n - 1, n * (k - 1)), f.ppf(tail, n * (k - 1), n - 1)
        )
        fixed = _by_ratio(
            between / rest, f.ppf(tail, n - 1, (n - 1) * (k - 1)), f.ppf(tail, (n - 1) * (k - 1), n - 1)
        )
        random = _two_way_random(between, raters, rest, n, k, tail)
        found = {}
        for number, single in enumerate((_single(one_way, k), random, _single(fixed, k)), start=1):
            mean = k * single / (1 + (k - 1) * single)  # Spearman-Brown holds for all three
            for label, values, averaged in (("1", single, 1), (str(k), mean, k)):
                name = f"ICC({number},{label})"
                found[name] = Intraclass(
                    name=name,
                    estimate=float(values[0]),
                    ci_low=float(values[1]),
                    ci_high=float(values[2]),
                    averaged=averaged,
                )
    return found


def _by_ratio(ratio: float, high: float, low: float) -> np.ndarray:
    """The F ratio and its interval."""
    return np.array([ratio, ratio / high, ratio * low])


def _single(ratio: np.ndarray, k: int) -> np.ndarray:
    return (ratio - 1) / (ratio + k - 1)


def _two_way_random(between: float, raters: float, rest: float, n: int, k: int, tail: float) -> np.ndarray:
    """ICC(2,1) with the interval of approximate degrees of freedom (Shrout & Fleiss 1979)."""
    from scipy.stats import f

    icc = (between - rest) / (between + (k - 1) * rest + k * (raters - rest) / n)
    a, b = k * icc / (n * (1 - icc)), 1 + k * icc * (n - 1) / (n * (1 - icc))
    freedom = (a * raters + b * rest) ** 2 / (
        (a * raters) ** 2 / (k - 1) + (b * rest) ** 2 / ((n - 1) * (k - 1))
    )
    noise = k * raters + (k * n - k - n) * rest
    above, below = f.ppf(tail, n - 1, freedom), f.ppf(tail, freedom, n - 1)
    low = n * (between - above * rest) / (above * noise + n * between)
    high = n * (below * between - rest) / (noise + n * below * between)
    return np.array([icc, low, high])
