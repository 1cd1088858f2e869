"""Two groups compared: proportions, means, the area under the curve."""

from __future__ import annotations

import numpy as np

from .events import normal_quantiles


def n_per_group_for_proportions(
    p1: float, p2: float, *, alpha: float = 0.05, power: float = 0.8
) -> tuple[float, float]:
    """Patients per group (not rounded): variance pooled under the null, and by the arcsine effect size.

    No continuity correction, two-sided, the far tail ignored. Fleiss, Statistical Methods for Rates and
    Proportions, 1981; Cohen, Statistical Power Analysis, 1988.
    """
    from scipy.stats import norm

    mean = (p1 + p2) / 2
    null, other = np.sqrt(2 * mean * (1 - mean)), np.sqrt(p1 * (1 - p1) + p2 * (1 - p2))
    pooled = ((norm.isf(alpha / 2) * null + norm.ppf(power) * other) / (p1 - p2)) ** 2
    effect = 2 * (np.arcsin(np.sqrt(p1)) - np.arcsin(np.sqrt(p2)))
    return float(pooled), float(2 * (normal_quantiles(alpha, power) / effect) ** 2)


def power_of_t_test(n_per_group: int, difference: float, sd: float, *, alpha: float = 0.05) -> float:
    """Power of the two-sided two-sample t test by the noncentral t, both tails."""
    from scipy.stats import nct, t

    freedom, shift = 2 * n_per_group - 2, difference / sd * np.sqrt(n_per_group / 2)
    limit = t.isf(alpha / 2, freedom)
    return float(nct.sf(limit, freedom, shift) + nct.cdf(-limit, freedom, shift))


def auc_standard_error(auc: float, n_events: int, n_nonevents: int) -> float:
    """Standard error of an AUC that is only foreseen. Hanley & McNeil, Radiology 1982;143:29-36."""
    q1, q2 = auc / (2 - auc), 2 * auc**2 / (1 + auc)
    spread = auc * (1 - auc) + (n_events - 1) * (q1 - auc**2) + (n_nonevents - 1) * (q2 - auc**2)
    return float(np.sqrt(spread / (n_events * n_nonevents)))
