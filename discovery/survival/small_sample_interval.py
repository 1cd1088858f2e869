"""Intervals by t of coefficients with a sandwich error, from contributions freed of each patient's own pull.

A sandwich adds the squares of patients' scores at the estimate, which each has pulled towards itself, and
takes the sum for the truth: with few events it is too small, and too unsure for a normal quantile.
"""

from __future__ import annotations

import numpy as np
from scipy.stats import t

FEWEST_APART = 5  # patients with another value than the commonest, or the coefficient is known from too few
FEWEST_BEHIND = 4  # patients that the spread of a column is worth
RESTS_ON_TOO_FEW = (
    f"no interval and no p: fewer than {FEWEST_APART} patients, whose values stand apart from all others, "
    "decide this estimate"
)
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


def rests_on_few(columns: np.ndarray) -> np.ndarray:
    """Columns (n, k) the coefficient of which too few patients decide: (k,) bool.

    So it is where fewer than FEWEST_APART have another value than the commonest, or where the squared
    distances from the median spread over fewer than FEWEST_BEHIND patients, (sum d^2)^2 / sum d^4, which is
    k of k patients far off and a third of all for normal values. A sandwich takes the error from the very
    outcomes of those: with one or two of 60 apart, `t_interval` at 5 % rejected a true null in 66 and 12 % of
    simulated studies. It looks at the columns alone, so that the studies that keep an interval are not
    chosen by their outcome.
    """
    few = np.zeros(columns.shape[1], dtype=bool)
    for j, values in enumerate(columns.T):
        squares = (values - np.median(values)) ** 2
        squares /= squares.max(initial=0.0) or 1.0
        apart = len(values) - np.unique(values, return_counts=True)[1].max()
        few[j] = apart < FEWEST_APART or squares.sum() ** 2 < FEWEST_BEHIND * (squares**2).sum()
    return few
