"""Negative binomial models of counts for many features with shared covariates and an offset of exposure.

Lawless, Can J Stat 1987;15:209-225. Counts that vary no more than Poisson's have dispersion 0 exactly.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .columns import as_column, as_matrix, as_weights
from .count_fits import above, independent, maximise_count, solve_symmetric
from .count_profile import profile_limits
from .count_screen import screen_columns
from .plan_columns import plan_columns
from .screen_fit import NOTHING_TO_FIT, OK, ScreenFit, quantile_root, signed_root


class CountFit(NamedTuple):
    """One model: intercept first. covariance (k, k) is that of the coefficients, alpha being estimated.

    A column without spread, or that is a mix of those before it, has coefficient 0 and NaN in the covariance.
    """

    coef: np.ndarray
    covariance: np.ndarray
    alpha: float
    loglik: float
    code: int


class CountPlan:
    """Columns checked, ready to be fitted with any case weights.

    Parameters
    ----------
    y : array (n,), whole numbers from 0 up
    exposure : array (n,) above 0, or None for equal ones; its logarithm is the offset
    base : array (n, q) or None, finite
    features : array (n, p), one model each; observed : bool (n, p) or None

    Raises
    ------
    ValueError : shapes differ, or values are not as above.
    """

    def __init__(self, y, exposure, base, features, *, observed=None):
        n = np.shape(y)[0]
        self.y = as_column(y, n, "y")
        if (self.y < 0).any() or (self.y != np.round(self.y)).any():
            raise ValueError("y must be whole numbers from 0 up")
        exposure = np.ones(n) if exposure is None else as_column(exposure, n, "exposure")
        if (exposure <= 0).any():
            raise ValueError("exposure must be above 0")
        self.offset = np.log(exposure)
        self.base, self.features, self.observed = plan_columns(n, base, features, observed)

    def screen(self, weights=None) -> ScreenFit:
        """Fit every feature with case weights (n,): weight 2 is the same as the row written twice."""
        w = as_weights(weights, self.y.size)
        p, k = self.features.shape[1], self.base.shape[1] + 2
        coef, out = np.full((p, k), np.nan), np.full((3, p), np.nan)
        code = np.full(p, NOTHING_TO_FIT, dtype=np.int8)
        n, events = np.zeros(p, np.int64), np.zeros(p, np.int64)
        keys, packed = np.zeros(p, np.int64), np.packbits(self.observed, axis=0).T
        patterns: dict[bytes, int] = {}
        for j in range(p):
            keys[j] = patterns.setdefault(packed[j].tobytes(), len(patterns))
        screen_columns(
            self.y, w, self.offset, self.base, self.features, self.observed, keys, len(patterns),
            coef, out, code, n, events,
        )  # fmt: skip
        z = signed_root(coef[:, -1], out[1], out[2])
        return ScreenFit(coef, out[0], out[1], out[2], z, code, n, events)

    def fit(self, rows, weights, columns):
        """`CountFit` of one model on `rows`, of intercept and `columns` (len(rows), k)."""
        from scipy.special import gammaln

        y, w, offset = self.y[rows], weights[rows], self.offset[rows]
        centre, spread = columns.mean(axis=0), columns.std(axis=0)
        flat = ~(spread > 1e-12 * (1 + np.abs(centre)))  # a level without patients among the rows
        spread = np.where(flat, 1.0, spread)
        scaled = np.where(flat, 0.0, (columns - centre) / spread)
        scaled = np.column_stack([np.ones(len(rows)), scaled])
        use = independent(scaled)
        x = np.ascontiguousarray(scaled[:, use])
        beta = np.zeros(x.shape[1])
        beta[0] = np.log((w @ y) / (w @ np.exp(offset)))
        alpha, loglik, info, code = maximise_count(x, y, w, offset, above(y, w), beta, 0.0, False)
        k = len(use)
        size = 1 + columns.shape[1]
        covariance, coef = np.zeros((size, size)), np.zeros(size)
        if code == OK:
            inner = info[:k, :k] + np.tril(info[:k, :k], -1).T
            if alpha > 0 and info[k, k] > 0:
                inner = inner - np.outer(info[k, :k], info[k, :k]) / info[k, k]
            turn = np.diag(np.append(1.0, 1 / spread))
            turn[0, 1:] = np.where(flat, 0.0, -centre / spread)
            whole = np.zeros(size)
            whole[use] = beta
            inverse = np.zeros((size, size))
            inverse[np.ix_(use, use)] = _inverse(inner)
            coef, covariance = turn @ whole, turn @ inverse @ turn.T
            idle = np.setdiff1d(np.arange(size), use)
            covariance[idle] = np.nan
            covariance[:, idle] = np.nan
        return CountFit(coef, covariance, float(alpha), float(loglik - w @ gammaln(y + 1)), int(code))

    def profile_interval(self, fit: ScreenFit, weights=None, *, conf_level: float = 0.95):
        """Profile-likelihood interval (low (p,), high (p,)), the dispersion estimated anew at each point."""
        w, target = as_weights(weights, self.y.size), quantile_root(conf_level)
        bounds = np.full((2, len(fit.se)), np.nan)
        profile_limits(
            self.y, w, self.offset, self.base, self.features, self.observed,
            fit.coef, fit.se, fit.loglik, fit.code, target, bounds,
        )  # fmt: skip
        return bounds[0], bounds[1]


def fit_count(y, exposure, columns, weights=None) -> CountFit:
    """One negative binomial model of y (n,) on an intercept and `columns` (n, k)."""
    columns = as_matrix(columns, np.shape(y)[0], "columns")
    plan = CountPlan(y, exposure, columns, np.zeros((len(columns), 1)))
    w = as_weights(weights, len(columns))
    return plan.fit(np.flatnonzero(w > 0), w, columns)


def _inverse(matrix: np.ndarray) -> np.ndarray:
    out = np.full(matrix.shape, np.nan)
    column = np.zeros(len(matrix))
    for a in range(len(matrix)):
        if not solve_symmetric(matrix, np.eye(len(matrix))[a], column):
            return np.full(matrix.shape, np.nan)
        out[:, a] = column
    return out
