"""Intervals by t of coefficients with a sandwich error, from contributions freed of each patient's own pull.

A sandwich adds the squares of patients' scores at the estimate, which each has pulled towards itself, and
takes the sum for the truth: with few events it is too small, and too unsure for a normal quantile.
"""

from __future__ import annotations

import numpy as np
from scipy.stats import t

LEAST_INFORMATION = 1e-9  # of the most; a direction with less without a patient is known from that one alone


def freed_contributions(scores, own, information) -> np.ndarray:
    """What each patient moves the coefficients by (n, k): (information - own)^-1 score.

    scores (n, k), at the estimate; own (n, k, k), each patient's part of `information` (k, k). The same as a
    score divided by 1 - h, h the patient's hat matrix, and the first Newton step of a fit without the
    patient. For least squares it is the jackknife, and the squares add up to HC3.

    References
    ----------
    Mancl & DeRouen, Biometrics 2001;57:126-134; for a Cox model by clusters Wang, Turner & Li, Biom J
    2023;65:2200113.
    """
    without = np.linalg.pinv(information - own, rcond=LEAST_INFORMATION, hermitian=True)
    return np.einsum("nij,nj->ni", without, scores)


def t_interval(coef, contributions, *, conf_level: float) -> tuple[np.ndarray, np.ndarray]:
    """Limits (k, 2) and p (k,) of `coef` (k,), the variance of which is the sum of squared `contributions`.

    The degrees of freedom are those of a chi-squared with the mean and the variance of that sum, as the
    contributions (n, k) spread: few if few patients make most of it.

    References
    ----------
    Pan & Wall, Stat Med 2002;21:1429-1441; Fay & Graubard, Biometrics 2001;57:1198-1206.
    """
    squares = contributions**2
    variance = squares.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        df = 2 * variance**2 / ((squares - squares.mean(axis=0)) ** 2).sum(axis=0)
        half = t.ppf(0.5 + conf_level / 2, df) * np.sqrt(variance)
        p = 2 * t.sf(np.abs(coef) / np.sqrt(variance), df)
    return np.column_stack([coef - half, coef + half]), p
