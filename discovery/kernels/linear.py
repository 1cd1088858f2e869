"""Least-squares models for many features with shared covariates, by residuals (Frisch, Waugh & Lovell).

The base columns are made orthonormal once; the feature's coefficient is the slope of the residual outcome
on the residual feature. Sums are written loops, not calls into a threaded library, so the last digit does
not depend on the number of threads.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from .columns import as_column, as_weights
from .linear_fits import (
    LinearBase,
    back_solve,
    dot,
    linear_base,
    orthonormal,
    screen_rows_linear,
    screen_tiles_linear,
    weighted_base,
)
from .plan_columns import finite_matrix, plan_columns, whole_scales
from .scales import feature_scales
from .screen_fit import (
    COLLINEAR,
    CONSTANT,
    NOTHING_TO_FIT,
    OK,
    ScreenFit,
    as_codes,
    quantile_root,
)


class LinearFit(NamedTuple):
    """One least-squares model with an intercept and k columns.

    coef : (1 + k,) intercept first; 0 for a column without information.
    covariance : (1 + k, 1 + k) from the residual variance; NaN in the rows of a column left out.
    covariance_hc3 : the same without assuming equal variances, squared residuals over (1 - leverage)^2
        (MacKinnon & White, J Econometrics 1985;29:305-325).
    loglik : Gaussian, at the maximum-likelihood variance.
    residual_variance : residual sum of squares / df.
    df : total weight less the columns with information.
    r_squared : share of the weighted sum of squares about the mean.
    code : 0 ok; 1 or 4 some column has no information and the others are estimated without it;
        5 no degree of freedom is left.
    """

    coef: np.ndarray
    covariance: np.ndarray
    covariance_hc3: np.ndarray
    loglik: float
    residual_variance: float
    df: float
    r_squared: float
    code: int
    n: int


class LinearPlan:
    """Columns checked and scaled, ready to be fitted with any case weights.

    Parameters
    ----------
    y : array (n,), finite
    base : array (n, q) or None, covariates of every model, without the intercept; finite
    features : array (n, p), one model each; a value that is not finite is missing
    observed : bool array (n, p) or None, False leaves a feature's row out of both its models

    Raises
    ------
    ValueError
        Shapes differ, or y or base are not finite.
    """

    def __init__(self, y, base, features, *, observed=None):
        n = np.shape(y)[0]
        self.y = as_column(y, n, "y")
        self.base, self.features, self.observed = plan_columns(n, base, features, observed)
        self.base_centre, self.base_spread = whole_scales(self.base)
        self.centre, self.spread, _ = feature_scales(self.features, self.observed)
        self.groups = same_rows(self.observed)
        self.freedom: np.ndarray | None = None  # of the fits without weights, once they are made

    def screen(self, weights=None) -> ScreenFit:
        """Fit every feature with case weights (n,): weight 2 is the same as the row written twice.

        coef / se is the exact t statistic on `degrees_of_freedom`; `z` is the signed root of the
        likelihood ratio and only serves to order features. `events` is the number of rows, since every
        row counts. Code 3 means that the feature reproduces the outcome exactly.
        """
        return self._fit(weights)[0]

    def degrees_of_freedom(self, weights=None) -> np.ndarray:
        """(p,) total weight less the columns with information; NaN where there is no estimate."""
        return self._fit(weights)[1]

    def interval(
        self, fit: ScreenFit, weights=None, *, conf_level: float = 0.95
    ) -> tuple[np.ndarray, np.ndarray]:
        """Exact t interval (low (p,), high (p,)) of each feature's coefficient; NaN where none was fitted."""
        from scipy.special import stdtrit

        fitted = as_codes(fit, self.spread) == OK
        quantile_root(conf_level)
        freedom = self.freedom if weights is None else None
        if freedom is None:
            freedom = self.degrees_of_freedom(weights)
        levels, which = np.unique(freedom, return_inverse=True)
        half = np.where(fitted, stdtrit(levels, 0.5 + conf_level / 2.0)[which], np.nan) * fit.se
        return fit.coef[:, -1] - half, fit.coef[:, -1] + half

    def _fit(self, weights) -> tuple[ScreenFit, np.ndarray]:
        p, k = self.features.shape[1], self.base.shape[1] + 2
        out = np.full((p, k + 5), np.nan)
        code, n = np.full(p, NOTHING_TO_FIT, dtype=np.int8), np.zeros(p, dtype=np.int64)
        columns = (self.base_centre, self.base_spread, self.features, self.centre, self.spread, out, code, n)
        for which, base in self._bases(weights):
            screen_tiles_linear(base, which, *columns)
            careful = which[code[which] < 0]
            if careful.size:
                screen_rows_linear(base, careful, *columns)
        loglik, loglik_base = out[:, k + 1], out[:, k + 2]
        with np.errstate(invalid="ignore"):
            t = out[:, k - 1] / out[:, k]
            # the likelihood ratio is a function of t; the difference of the log likelihoods has fewer digits
            z = np.sign(t) * np.sqrt((out[:, k + 3] + out[:, k + 4]) * np.log1p(t**2 / out[:, k + 3]))
        if weights is None:
            self.freedom = out[:, k + 3]
        return ScreenFit(out[:, :k], out[:, k], loglik, loglik_base, z, code, n, n.copy()), out[:, k + 3]

    def _bases(self, weights) -> Iterator[tuple[np.ndarray, LinearBase]]:
        """Features that are seen in the same rows, and the model without them there."""
        weights = as_weights(weights, self.y.size)
        for mask, which in self.groups:
            rows = np.flatnonzero(mask & (weights > 0))
            yield (
                which,
                linear_base(rows, self.y, self.base, self.base_centre, self.base_spread, weights),
            )


def residual_degrees(base: np.ndarray) -> int:
    """Degrees of freedom left by the intercept, the independent columns of base (n, q) and one feature."""
    n = len(base)
    centre, spread = whole_scales(base)
    columns = weighted_base(np.arange(n), np.ones(n), base, centre, spread)
    return n - int(orthonormal(columns)[2].sum()) - 1


def same_rows(observed: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """Features grouped by the rows in which they are observed: (mask (n,), feature numbers)."""
    if observed.all():
        return [(np.ones(len(observed), dtype=bool), np.arange(observed.shape[1]))] if observed.size else []
    groups: dict[bytes, list[int]] = {}
    for at, column in enumerate(np.packbits(observed, axis=0).T):
        groups.setdefault(column.tobytes(), []).append(at)
    return [(np.ascontiguousarray(observed[:, which[0]]), np.array(which)) for which in groups.values()]


def screen_linear(y, base, features, *, weights=None, observed=None) -> ScreenFit:
    """One least-squares model per feature, adjusted for the base columns; arguments as for `LinearPlan`."""
    return LinearPlan(y, base, features, observed=observed).screen(weights)


def fit_linear(y, X, weights=None) -> LinearFit:
    """One least-squares model with an intercept and the columns of `X` (n, k), finite, by case weights.

    Raises
    ------
    ValueError
        Shapes differ, or y or X are not finite.
    """
    n = np.shape(y)[0]
    outcome, columns, weights = as_column(y, n, "y"), finite_matrix(X, n, "X"), as_weights(weights, n)
    rows = np.flatnonzero(weights > 0)
    size, total = columns.shape[1] + 1, float(weights[rows].sum())
    centre, spread = whole_scales(columns, weights > 0)
    root = np.sqrt(weights[rows])
    basis, r, live = orthonormal(weighted_base(rows, root, columns, centre, spread))
    alive = live == 1
    df = total - alive.sum()
    if not df > 0:
        blank = np.full((size, size), np.nan)
        return LinearFit(blank[0], blank, blank, np.nan, np.nan, df, np.nan, NOTHING_TO_FIT, rows.size)
    middle = (weights[rows] * outcome[rows]).sum() / total
    target = root * (outcome[rows] - middle)
    share = np.array([dot(row, target) for row in basis])
    left = target.copy()
    for a in np.flatnonzero(alive):
        left -= dot(basis[a], left) * basis[a]
    residual, whole = dot(left, left), dot(target, target)
    turn = np.zeros((size, size))  # scaled coefficients to the caller's
    np.fill_diagonal(turn, np.append(1.0, 1.0 / np.where(spread > 0, spread, 1.0)))
    turn[0, 1:] = -centre * np.diag(turn)[1:]
    inverse = np.column_stack([back_solve(r, live, unit * alive) for unit in np.eye(size)])
    coef = turn @ back_solve(r, live, share)
    coef[0] += middle
    covariance = turn @ inverse @ inverse.T @ turn.T * residual / df
    spare = 1.0 - (basis**2).sum(axis=0) / weights[rows]
    with np.errstate(divide="ignore", invalid="ignore"):
        sides = turn @ inverse @ basis * (left / root / spare)
        hc3 = sides @ sides.T  # NaN where a row fits itself (leverage 1)
    for matrix in (covariance, hc3):
        matrix[~alive] = np.nan
        matrix[:, ~alive] = np.nan
    code = OK
    if not alive.all():
        code = CONSTANT if (spread[~alive[1:]] == 0).any() else COLLINEAR
    with np.errstate(divide="ignore", invalid="ignore"):
        loglik = float(-0.5 * total * (np.log(2.0 * np.pi * residual / total) + 1.0))
        r_squared = float(1.0 - residual / whole) if whole > 0 else np.nan
    return LinearFit(
        coef, covariance, hc3, loglik, float(residual / df), float(df), r_squared, code, rows.size
    )


def profile_interval_linear(
    y, base, features, fit: ScreenFit, *, conf_level: float = 0.95, weights=None, observed=None
) -> tuple[np.ndarray, np.ndarray]:
    """Exact t intervals (low (p,), high (p,)) of a `screen_linear` made with the same arguments."""
    plan = LinearPlan(y, base, features, observed=observed)
    return plan.interval(fit, weights, conf_level=conf_level)
