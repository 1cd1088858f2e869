"""Does a frozen finding hold in a second cohort: tests, prediction intervals, words."""

from __future__ import annotations

import numpy as np

from discovery.terms import NOT_ASSESSABLE, REPLICATED, SMALLER

TAU = 0.10  # assumed spread of a log ratio, or standardised slope, between cohorts
Z95 = 1.959963984540054

CONSISTENT = "consistent, not confirmed"
NOT_REPLICATED = "not replicated"
CONTRADICTED = "contradicted"
VERDICTS = (REPLICATED, SMALLER, CONSISTENT, NOT_REPLICATED, CONTRADICTED, NOT_ASSESSABLE)


def one_sided_p(z, direction) -> np.ndarray:
    """p (k,) for an effect in the frozen `direction` (+1, -1), from the signed likelihood root `z`."""
    from scipy.stats import norm

    from discovery.association.multiplicity import never_zero

    return never_zero(norm.sf(np.asarray(direction) * np.asarray(z, dtype=float)))


def prediction_interval(shrunk, shrunk_sd, se, tau) -> tuple[np.ndarray, np.ndarray]:
    """Where the estimate of the second cohort is expected with 95 %: the effect's own uncertainty, the
    second cohort's sampling error, and both cohorts straying by tau from a common mean."""
    half = Z95 * np.sqrt(np.square(shrunk_sd) + np.square(se) + 2 * np.square(tau))
    return shrunk - half, shrunk + half


def power_for(shrunk, se_null, level: float) -> np.ndarray:
    """Chance that the one-sided test at `level` finds an effect of the shrunk size."""
    from scipy.stats import norm

    return norm.sf(norm.isf(level) - np.abs(shrunk) / np.asarray(se_null, dtype=float))


def sceptical_p(z_first, z_second, variance_ratio) -> np.ndarray:
    """Held's one-sided sceptical p-value: both cohorts must be convincing for it to be small.

    z_first, z_second : (k,) z of the two cohorts, signed so that the frozen direction is positive;
    variance_ratio : (k,) squared standard error of the first over that of the second.

    Held, J R Stat Soc A 2020;183:431-448.
    """
    from scipy.stats import norm

    from discovery.association.multiplicity import never_zero

    first, second = np.square(np.asarray(z_first, float)), np.square(np.asarray(z_second, float))
    ratio = np.asarray(variance_ratio, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean, harmonic = (first + second) / 2, 2 / (1 / first + 1 / second)
        equal = np.isclose(ratio, 1.0, rtol=1e-9, atol=0)
        away = np.where(equal, np.nan, ratio - 1)
        square = np.where(equal, harmonic / 2, (np.sqrt(mean * (mean + away * harmonic)) - mean) / away)
    root = np.sqrt(np.maximum(square, 0.0))
    p = norm.sf(root)
    return never_zero(np.where(np.asarray(z_first) * np.asarray(z_second) > 0, p, 1 - p))


def replication_verdict(
    *, estimate: float, direction: int, p_holm: float, p_other: float, power: float, low: float, high: float,
    alpha: float, least_power: float,
) -> tuple[str, str]:  # fmt: skip
    """(word, the rule that gave it).

    estimate : of the second cohort; direction : the frozen sign; p_holm : one-sided, adjusted; p_other :
    one-sided for the other direction; low, high : prediction interval of the estimate.
    """
    if not np.isfinite(estimate) or not np.isfinite(p_holm):
        return NOT_ASSESSABLE, "no estimate in this cohort"
    same = estimate * direction > 0
    short = estimate * direction < min(low * direction, high * direction)
    if same and p_holm <= alpha:
        if short:
            return SMALLER, f"Holm p <= {alpha:g}, estimate short of the prediction interval"
        beyond = estimate * direction > max(low * direction, high * direction)
        more = "; larger than the prediction interval" if beyond else ""
        return REPLICATED, f"same sign and Holm p <= {alpha:g}{more}"
    if not same and p_other <= alpha:
        return CONTRADICTED, f"opposite sign, one-sided p <= {alpha:g} for the other direction"
    if short:
        return NOT_REPLICATED, f"Holm p > {alpha:g}, estimate short of the prediction interval"
    if power >= least_power:
        return (
            NOT_REPLICATED,
            f"Holm p > {alpha:g} although the power for the shrunken effect was {100 * power:.0f} %",
        )
    if same:
        return (
            CONSISTENT,
            f"same sign, inside the prediction interval, Holm p > {alpha:g}, power {100 * power:.0f} %",
        )
    return NOT_REPLICATED, f"opposite sign, inside the prediction interval, power {100 * power:.0f} %"
