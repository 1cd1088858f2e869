"""Does one odds ratio do for every cut between ordered classes?

Brant, Biometrics 1990;46:1171-1178: a logistic regression at each cut, and a Wald test that the feature's
coefficient is the same in all of them.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from discovery.association.design import Design
from discovery.association.multiplicity import never_zero

LEAST_BESIDE_CUT = 5  # patients on the smaller side of a cut that is compared


class ProportionalOdds(NamedTuple):
    """Per feature (p,): Wald statistic, degrees of freedom (cuts compared less one; 0 when not done), p, and
    why it was not done."""

    statistic: np.ndarray
    df: np.ndarray
    p_value: np.ndarray
    reason: tuple[str, ...]


def brant_tests(design: Design, which: np.ndarray) -> ProportionalOdds:
    """The test for each feature of an ordinal `design` where `which` (p,) says so.

    Cuts with fewer than 5 patients on a side are left out; with fewer than two cuts left, or where a
    logistic regression does not converge or separates, there is no test.
    """
    from discovery.kernels.logistic import fit_logistic

    assert design.y is not None
    p = len(design.feature_names)
    statistic, p_value = np.full(p, np.nan), np.full(p, np.nan)
    df, reason = np.zeros(p, dtype=int), [""] * p
    for j in np.flatnonzero(which):
        rows = design.observed[:, j]
        y = design.y[rows]
        columns = np.column_stack([design.base[rows], design.features[rows, j]])
        cuts = [c for c in np.unique(y)[:-1] if min((y > c).sum(), (y <= c).sum()) >= LEAST_BESIDE_CUT]
        if len(cuts) < 2:
            reason[j] = f"fewer than two cuts with {LEAST_BESIDE_CUT} patients on each side"
            continue
        fits = [fit_logistic((y > c).astype(float), columns) for c in cuts]
        if any(fit.code != 0 for fit in fits):
            reason[j] = "a logistic regression at a single cut did not converge"
            continue
        statistic[j], df[j] = _wald(columns, fits)
        if np.isnan(statistic[j]):
            df[j], reason[j] = 0, "the covariance between cuts is not positive definite"
            continue
        p_value[j] = _chi2_p(statistic[j], df[j])
    return ProportionalOdds(statistic, df, p_value, tuple(reason))


def _wald(columns: np.ndarray, fits) -> tuple[float, int]:
    """Statistic of equal last coefficients, with Brant's covariance between cuts."""
    from scipy.special import expit

    z = np.column_stack([np.ones(len(columns)), columns])
    chance = [expit(z @ fit.coef) for fit in fits]
    last = [fit.covariance[-1] for fit in fits]  # the feature's row of each inverse information
    m = len(fits)
    covariance = np.empty((m, m))
    for a in range(m):
        for b in range(a, m):
            # P(Y > both cuts) is that of the higher one
            shared = (z * (chance[b] - chance[a] * chance[b])[:, None]).T @ z
            covariance[a, b] = covariance[b, a] = last[a] @ shared @ last[b]
    coef = np.array([fit.coef[-1] for fit in fits])
    gap = coef[1:] - coef[0]
    contrast = np.column_stack([-np.ones(m - 1), np.eye(m - 1)])
    spread = contrast @ covariance @ contrast.T
    variance = np.diag(spread)
    if not (variance > 0).all():  # the cuts' fitted chances can cross
        return np.nan, m - 1
    scale = np.sqrt(variance)
    if not np.linalg.eigvalsh(spread / np.outer(scale, scale)).min() > 1e-8:
        return np.nan, m - 1
    return float(gap @ np.linalg.solve(spread, gap)), m - 1


def _chi2_p(statistic: float, df: int) -> float:
    from scipy import stats

    return float(never_zero(stats.chi2.sf(statistic, df)))
