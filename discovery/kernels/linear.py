"""Least-squares models for many features with shared covariates, by residuals (Frisch, Waugh & Lovell).

The base columns are made orthonormal once; the feature's coefficient is the slope of the residual outcome
on the residual feature. Sums are written loops, not calls into a threaded library, so the last digit does
not depend on the number of threads.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .columns import as_column, as_matrix, as_observed, as_weights, column_scales
from .compiled import compiled
from .screen_fit import (
    COLLINEAR,
    CONSTANT,
    NOTHING_TO_FIT,
    OK,
    SEPARATED,
    ScreenFit,
    as_codes,
    quantile_root,
)

COLLINEAR_SHARE = 1e-9  # of a column's sum of squares that must be left by the columns before it
LANES = 16  # features side by side: sums over neighbouring numbers use vector instructions
PERFECT_SHARE = 1e-18  # of the outcome's sum of squares; less than this left means an exact fit


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


@compiled
def dot(u, v):
    total = 0.0
    for i in range(u.size):
        total += u[i] * v[i]
    return total


@compiled
def orthonormal(columns):
    """Gram-Schmidt, twice for each column: Q (columns, m), R (columns, columns), live (columns,).

    `columns` (columns, m) = R' Q by rows; a column that depends on those before it is dead.
    """
    k, m = columns.shape
    basis, r, live = np.zeros((k, m)), np.zeros((k, k)), np.zeros(k, dtype=np.int8)
    for a in range(k):
        left = columns[a].copy()
        size = dot(left, left)
        for _ in range(2):
            for b in range(a):
                if live[b]:
                    share = dot(basis[b], left)
                    r[b, a] += share
                    for i in range(m):
                        left[i] -= share * basis[b, i]
        rest = dot(left, left)
        if rest > COLLINEAR_SHARE * size and rest > 0.0:
            live[a] = 1
            r[a, a] = np.sqrt(rest)
            basis[a] = left / r[a, a]
    return basis, r, live


@compiled
def weighted_base(rows, root, base, centre, spread):
    """(1 + q, m) intercept and scaled base columns, times the root of the weights."""
    q = base.shape[1]
    columns = np.zeros((1 + q, rows.size))
    for i in range(rows.size):
        columns[0, i] = root[i]
        for a in range(q):
            if spread[a] > 0.0:
                columns[1 + a, i] = root[i] * (base[rows[i], a] - centre[a]) / spread[a]
    return columns


@compiled
def back_solve(r, live, right):
    """Coefficients of the live columns from R b = right; 0 for the others."""
    k = right.size
    b = np.zeros(k)
    for a in range(k - 1, -1, -1):
        if live[a]:
            total = right[a]
            for c in range(a + 1, k):
                total -= r[a, c] * b[c]
            b[a] = total / r[a, a]
    return b


@compiled
def fill_scaled(rows, root, features, which, centre, spread, x, low, high):
    """Features `which` side by side in `x` (m, lanes), scaled, times the root of the weights; their range.

    A lane without a feature, or whose feature does not vary, is 0.
    """
    lanes = x.shape[1]
    scale = np.zeros(lanes)
    for j in range(lanes):
        low[j], high[j] = np.inf, -np.inf
        if j < which.size and spread[which[j]] > 0.0:
            scale[j] = 1.0 / spread[which[j]]
    for i in range(rows.size):
        for j in range(which.size):
            value = features[rows[i], which[j]]
            low[j], high[j] = min(low[j], value), max(high[j], value)
            x[i, j] = root[i] * (value - centre[which[j]]) * scale[j] if scale[j] > 0.0 else 0.0
        for j in range(which.size, lanes):
            x[i, j] = 0.0


@compiled
def sums_of_squares(x, total):
    """Of each lane of x (m, lanes)."""
    total[:] = 0.0
    for i in range(x.shape[0]):
        for j in range(x.shape[1]):
            total[j] += x[i, j] * x[i, j]


@compiled
def take_out(basis, x, part):
    """Subtract from each lane of x (m, lanes) what the orthonormal `basis` (k, m) explains."""
    part[:] = 0.0
    for i in range(x.shape[0]):
        for a in range(basis.shape[0]):
            for j in range(x.shape[1]):
                part[a, j] += basis[a, i] * x[i, j]
    for i in range(x.shape[0]):
        for a in range(basis.shape[0]):
            for j in range(x.shape[1]):
                x[i, j] -= basis[a, i] * part[a, j]


@compiled
def slopes_on(x, outcome, left, cross):
    """Sums x'x and x'outcome of each lane."""
    left[:] = 0.0
    cross[:] = 0.0
    for i in range(x.shape[0]):
        for j in range(x.shape[1]):
            left[j] += x[i, j] * x[i, j]
            cross[j] += x[i, j] * outcome[i]


@compiled
def residual_squares(x, outcome, slope, rss):
    """Sum of squares of outcome - slope x of each lane."""
    rss[:] = 0.0
    for i in range(x.shape[0]):
        for j in range(x.shape[1]):
            rest = outcome[i] - slope[j] * x[i, j]
            rss[j] += rest * rest


@compiled
def screen_rows_linear(
    rows, which, y, base, base_centre, base_spread, features, centre, spread, weights, out, code, n
):
    """Features `which`, all on the same `rows`.

    Columns of `out`: coefficients, se, loglik, loglik_base, df, number of columns with information.
    """
    m, q = rows.size, base.shape[1]
    k = q + 2
    root, outcome = np.empty(m), np.empty(m)
    total_weight, mean = 0.0, 0.0
    for i in range(m):
        root[i] = np.sqrt(weights[rows[i]])
        total_weight += weights[rows[i]]
        mean += weights[rows[i]] * y[rows[i]]
    mean /= max(total_weight, 1e-300)
    for i in range(m):
        outcome[i] = root[i] * (y[rows[i]] - mean)
    basis, r, live = orthonormal(weighted_base(rows, root, base, base_centre, base_spread))
    whole = dot(outcome, outcome)
    fitted = np.zeros(k - 1)
    for _ in range(2):
        for a in range(k - 1):
            if live[a]:
                share = dot(basis[a], outcome)
                fitted[a] += share
                for i in range(m):
                    outcome[i] -= share * basis[a, i]
    rss_base = dot(outcome, outcome)
    df = total_weight - live.sum() - 1.0
    solvable = df > 0.0 and whole > 0.0 and rss_base > PERFECT_SHARE * whole
    lanes = max(1, min(LANES, which.size))
    x, shares, part = np.zeros((m, lanes)), np.zeros((k - 1, lanes)), np.zeros((k - 1, lanes))
    size, left, cross, rss = np.zeros(lanes), np.zeros(lanes), np.zeros(lanes), np.zeros(lanes)
    low, high, slope = np.zeros(lanes), np.zeros(lanes), np.zeros(lanes)
    for first in range(0, which.size, lanes):
        count = min(lanes, which.size - first)
        fill_scaled(rows, root, features, which[first : first + count], centre, spread, x, low, high)
        sums_of_squares(x, size)
        shares[:] = 0.0
        for _ in range(2):
            take_out(basis, x, part)
            for a in range(k - 1):
                for j in range(lanes):
                    shares[a, j] += part[a, j]
        slopes_on(x, outcome, left, cross)
        for j in range(lanes):
            slope[j] = cross[j] / left[j] if left[j] > COLLINEAR_SHARE * size[j] else 0.0
        residual_squares(x, outcome, slope, rss)
        for j in range(count):
            at = which[first + j]
            n[at] = m
            if not solvable:
                code[at] = NOTHING_TO_FIT
            elif not high[j] > low[j] or spread[at] <= 0.0:
                code[at] = CONSTANT
            elif left[j] <= COLLINEAR_SHARE * size[j]:
                code[at] = COLLINEAR
            elif rss[j] <= PERFECT_SHARE * whole:
                code[at] = SEPARATED
            else:
                code[at] = OK
                b = back_solve(r, live, fitted - slope[j] * shares[:, j])
                out[at, k - 1] = slope[j] / spread[at]
                out[at, 0] = mean + b[0] - out[at, k - 1] * centre[at]
                for a in range(q):
                    out[at, 1 + a] = b[1 + a] / base_spread[a] if base_spread[a] > 0.0 else 0.0
                    out[at, 0] -= out[at, 1 + a] * base_centre[a]
                out[at, k] = np.sqrt(rss[j] / df / left[j]) / spread[at]
                half = -0.5 * total_weight
                out[at, k + 1] = half * (np.log(2.0 * np.pi * rss[j] / total_weight) + 1.0)
                out[at, k + 2] = half * (np.log(2.0 * np.pi * rss_base / total_weight) + 1.0)
                out[at, k + 3] = df
                out[at, k + 4] = total_weight - df


@compiled
def freedom_left(rows, base, base_centre, base_spread, weights):
    """Degrees of freedom of a model with one feature on these rows: `df` of `screen_rows_linear`."""
    root = np.empty(rows.size)
    total_weight = 0.0
    for i in range(rows.size):
        root[i] = np.sqrt(weights[rows[i]])
        total_weight += weights[rows[i]]
    live = orthonormal(weighted_base(rows, root, base, base_centre, base_spread))[2]
    return total_weight - live.sum() - 1.0


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
        self.base = as_matrix(base, n, "base")
        if not np.isfinite(self.base).all():
            raise ValueError("base must be finite")
        self.features = as_matrix(features, n, "features")
        self.observed = as_observed(observed, self.features)
        every_row = np.ones(n, dtype=bool)
        every_base = np.ones(self.base.shape, dtype=bool)
        self.base_centre, self.base_spread = column_scales(self.base, every_row, every_base)
        self.centre, self.spread = column_scales(self.features, every_row, self.observed)
        self.groups = same_rows(self.observed)

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
        weights = as_weights(weights, self.y.size)
        df = np.full(fitted.size, np.nan)
        for mask, which in self.groups:
            rows = np.flatnonzero(mask & (weights > 0))
            df[which] = freedom_left(rows, self.base, self.base_centre, self.base_spread, weights)
        half = stdtrit(np.where(fitted, df, np.nan), 0.5 + conf_level / 2.0) * fit.se
        return fit.coef[:, -1] - half, fit.coef[:, -1] + half

    def _fit(self, weights) -> tuple[ScreenFit, np.ndarray]:
        weights = as_weights(weights, self.y.size)
        p, k = self.features.shape[1], self.base.shape[1] + 2
        out = np.full((p, k + 5), np.nan)
        code, n = np.full(p, NOTHING_TO_FIT, dtype=np.int8), np.zeros(p, dtype=np.int64)
        for mask, which in self.groups:
            screen_rows_linear(
                np.flatnonzero(mask & (weights > 0)),
                which,
                self.y,
                self.base,
                self.base_centre,
                self.base_spread,
                self.features,
                self.centre,
                self.spread,
                weights,
                out,
                code,
                n,
            )
        loglik, loglik_base = out[:, k + 1], out[:, k + 2]
        with np.errstate(invalid="ignore"):
            t = out[:, k - 1] / out[:, k]
            # the likelihood ratio is a function of t; the difference of the log likelihoods has fewer digits
            z = np.sign(t) * np.sqrt((out[:, k + 3] + out[:, k + 4]) * np.log1p(t**2 / out[:, k + 3]))
        return ScreenFit(out[:, :k], out[:, k], loglik, loglik_base, z, code, n, n.copy()), out[:, k + 3]


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
    outcome, columns, weights = as_column(y, n, "y"), as_matrix(X, n, "X"), as_weights(weights, n)
    if not np.isfinite(columns).all():
        raise ValueError("X must be finite")
    rows = np.flatnonzero(weights > 0)
    size, total = columns.shape[1] + 1, float(weights[rows].sum())
    centre, spread = column_scales(columns, weights > 0, np.ones(columns.shape, dtype=bool))
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
