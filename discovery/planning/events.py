"""Events and patients that a survival comparison or a survival marker needs."""

from __future__ import annotations

import numpy as np


def normal_quantiles(alpha: float, power: float) -> float:
    """z(1 - alpha/2) + z(power), the two-sided test."""
    from scipy.stats import norm

    return float(norm.isf(alpha / 2) + norm.ppf(power))


def events_for_log_rank(
    hazard_ratio: float, *, allocation: float = 0.5, alpha: float = 0.05, power: float = 0.8
) -> tuple[float, float]:
    """Events (not rounded) for a two-sided log-rank test by Schoenfeld and by Freedman.

    allocation : share of patients in one group; Freedman's formula with ratio allocation / (1 - allocation).

    References
    ----------
    Schoenfeld, Biometrics 1983;39:499-503; Freedman, Stat Med 1982;1:121-129.
    """
    z = normal_quantiles(alpha, power)
    schoenfeld = z**2 / (allocation * (1 - allocation) * np.log(hazard_ratio) ** 2)
    ratio = allocation / (1 - allocation)
    freedman = z**2 * (1 + ratio * hazard_ratio) ** 2 / (ratio * (1 - hazard_ratio) ** 2)
    return float(schoenfeld), float(freedman)


def power_of_log_rank(
    hazard_ratio: float, events: float, *, allocation: float = 0.5, alpha: float = 0.05
) -> float:
    """Power by Schoenfeld 1983, the far tail ignored."""
    from scipy.stats import norm

    shift = abs(np.log(hazard_ratio)) * np.sqrt(events * allocation * (1 - allocation))
    return float(norm.cdf(shift - norm.isf(alpha / 2)))


def events_for_marker(
    hazard_ratio_per_sd: float,
    *,
    r2_other: float = 0.0,
    reliability: float = 1.0,
    alpha: float = 0.05,
    power: float = 0.8,
) -> float:
    """Events (not rounded) for a continuous marker in a Cox model with other covariates.

    r2_other : share of the marker's variance that the covariates explain
    reliability : of the marker as measured; its effect per SD shrinks by the square root

    References
    ----------
    Hsieh & Lavori, Control Clin Trials 2000;21:552-560.
    """
    effect = np.log(hazard_ratio_per_sd)
    return float(normal_quantiles(alpha, power) ** 2 / (effect**2 * (1 - r2_other) * reliability))


def patients_for_logistic_marker(
    odds_ratio_per_sd: float,
    prevalence: float,
    *,
    r2_other: float = 0.0,
    reliability: float = 1.0,
    alpha: float = 0.05,
    power: float = 0.8,
) -> float:
    """Patients (not rounded) for a continuous marker of a binary outcome.

    Hsieh, Bloch & Larsen, Stat Med 1998;17:1623-1634, the version for a common event and a small effect.
    """
    effect = np.log(odds_ratio_per_sd)
    variance = prevalence * (1 - prevalence) * (1 - r2_other) * reliability
    return float(normal_quantiles(alpha, power) ** 2 / (effect**2 * variance))


def patients_for_correlation(
    correlation: float, *, covariates: int = 0, alpha: float = 0.05, power: float = 0.8
) -> float:
    """Patients (not rounded) for a partial correlation given so many covariates, by Fisher's z."""
    return float((normal_quantiles(alpha, power) / np.arctanh(correlation)) ** 2 + 3 + covariates)
