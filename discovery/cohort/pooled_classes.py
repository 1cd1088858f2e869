"""Effects on classes without an order, pooled over completed copies: all contrasts together, and each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from discovery.cohort.pooling import Pooled, pool, pool_wald


@dataclass(frozen=True, kw_only=True)
class PooledClasses:
    """c features of an outcome of K classes over m copies.

    contrasts (c, K - 1, 2 + q) : coefficients of class 1, 2, .. against class 0, averaged; covariance
    (c, K - 1, K - 1) : of the feature's own, within and between copies; contrast : each of them pooled by
    Rubin's rules, arrays (c, K - 1); p_value, df, riv (c,) : of the test over all of them. NaN if `failed`.
    """

    contrasts: np.ndarray
    covariance: np.ndarray
    contrast: Pooled
    p_value: np.ndarray
    df: np.ndarray
    riv: np.ndarray
    failed: np.ndarray

    @property
    def pooled(self) -> Pooled:
        """What there is to say of all contrasts together: no estimate, but how much was missing."""
        blank = np.full(len(self.df), np.nan)
        with np.errstate(invalid="ignore"):
            fmi = (self.riv + 2 / (self.df + 3)) / (self.riv + 1)
        return Pooled(
            estimate=blank, within=blank, between=blank, total=blank, df=self.df, riv=self.riv,
            share_imputed=self.riv / (1 + self.riv), fmi=fmi, copies=self.contrast.copies,
        )  # fmt: skip


def pool_classes(fits: Sequence, ratios: Sequence[np.ndarray]) -> PooledClasses:
    """Pool multinomial fits of the same features, one for each copy.

    Parameters
    ----------
    fits : m `MultinomialFits`; ratios : m arrays (c,), the likelihood-ratio statistics

    Notes
    -----
    The test is D1 (Li, Raghunathan & Rubin, J Am Stat Assoc 1991;86:1065-1073). Each copy's covariance is
    scaled so that its Wald statistic is its likelihood ratio, where that is at least the number of
    contrasts: so the pooled test is the likelihood-ratio test of the screen where the copies agree, and near
    separation, where Wald's statistic falls back to 0, the surest marker is not the least sure. The tests
    and intervals of single contrasts are of the covariance as the model gives it.
    """
    every = np.array([fit.contrasts for fit in fits])
    own = every[..., -1]  # (m, c, K - 1)
    u = np.array([fit.covariance for fit in fits])
    bad = np.array([fit.code for fit in fits]) != 0
    bad |= ~np.isfinite(own).all(axis=2) | ~np.isfinite(u).all(axis=(2, 3))
    failed = bad.sum(axis=0)
    m, c, k = own.shape
    p_value, df, riv = np.full(c, np.nan), np.full(c, np.nan), np.full(c, np.nan)
    covariance = np.full((c, k, k), np.nan)
    for j in np.flatnonzero(failed == 0):
        scaled = u[:, j].copy()
        for copy in range(m):
            wald = own[copy, j] @ np.linalg.solve(scaled[copy], own[copy, j])
            if ratios[copy][j] >= k and wald > 0:
                scaled[copy] *= wald / ratios[copy][j]
        test = pool_wald(own[:, j], scaled)
        p_value[j], df[j], riv[j] = test.p_value, test.df2, test.riv
        covariance[j] = u[:, j].mean(axis=0) + (1 + 1 / m) * np.atleast_2d(np.cov(own[:, j], rowvar=False))
    variances = np.diagonal(u, axis1=2, axis2=3).reshape(m, c * k)
    gone = (failed > 0)[:, None]
    flat = pool(np.where(gone, np.nan, own).reshape(m, c * k), variances)
    shaped = {name: getattr(flat, name).reshape(c, k) for name in Pooled.__annotations__ if name != "copies"}
    return PooledClasses(
        contrasts=np.where(gone[:, :, None], np.nan, every.mean(axis=0)), covariance=covariance,
        contrast=Pooled(**shaped, copies=m), p_value=p_value, df=df, riv=riv, failed=failed,
    )  # fmt: skip
