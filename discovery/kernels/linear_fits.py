"""Compiled least squares: the base columns made orthonormal, then every feature in one walk along the rows.

With the base columns orthonormal and the outcome their residual, three kinds of sums over a feature x tell
all: x'x, x'Q and x'outcome. What the covariates leave of x is then a difference, and so is the residual sum
of squares; where little is left of either, the feature goes the careful way, by residuals row by row.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .compiled import compiled
from .screen_fit import COLLINEAR, CONSTANT, NOTHING_TO_FIT, OK, SEPARATED
from .tiles import CHUNK, WIDE, add_columns, add_squares, scale_row

COLLINEAR_SHARE = 1e-9  # of a column's sum of squares that must be left by the columns before it
LANES = 16  # features side by side: sums over neighbouring numbers use vector instructions
PERFECT_SHARE = 1e-18  # of the outcome's sum of squares; less than this left means an exact fit
ENOUGH_LEFT = 1e-3  # share of a sum of squares from which a difference has all the digits that matter


class LinearBase(NamedTuple):
    """The model without a feature on some rows, weighted by the roots of their weights."""

    rows: np.ndarray  # (m,)
    root: np.ndarray  # (m,)
    outcome: np.ndarray  # (m,) residual
    basis: np.ndarray  # (k - 1, m) orthonormal; 0 for a column without information
    r: np.ndarray  # (k - 1, k - 1)
    live: np.ndarray  # (k - 1,)
    fitted: np.ndarray  # (k - 1,) of the outcome on the basis
    mean: float
    total_weight: float
    whole: float  # sum of squares of the outcome about its mean
    rss: float
    df: float  # with a feature
    solvable: bool


@compiled
def dot(u, v):
    """Sum of products, in four parts that do not wait for one another."""
    a, b, c, d = 0.0, 0.0, 0.0, 0.0
    whole = u.size - u.size % 4
    for i in range(0, whole, 4):
        a += u[i] * v[i]
        b += u[i + 1] * v[i + 1]
        c += u[i + 2] * v[i + 2]
        d += u[i + 3] * v[i + 3]
    for i in range(whole, u.size):
        a += u[i] * v[i]
    return (a + b) + (c + d)


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
def linear_base(rows, y, base, base_centre, base_spread, weights):
    m, q = rows.size, base.shape[1]
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
    fitted = np.zeros(q + 1)
    for _ in range(2):
        for a in range(q + 1):
            if live[a]:
                share = dot(basis[a], outcome)
                fitted[a] += share
                for i in range(m):
                    outcome[i] -= share * basis[a, i]
    rss = dot(outcome, outcome)
    df = total_weight - 1.0
    for a in range(q + 1):
        df -= live[a]
    solvable = df > 0.0 and whole > 0.0 and rss > PERFECT_SHARE * whole
    return LinearBase(
        rows, root, outcome, basis, r, live, fitted, mean, total_weight, whole, rss, df, solvable
    )


@compiled
def write_linear(lb, base_centre, base_spread, centre, spread, shares, slope, left, rss, out):
    """Write coefficients, se, loglik, loglik_base, df, columns with information to `out` (k + 5,)."""
    q = base_spread.size
    k = q + 2
    b = back_solve(lb.r, lb.live, lb.fitted - slope * shares)
    out[k - 1] = slope / spread
    out[0] = lb.mean + b[0] - out[k - 1] * centre
    for a in range(q):
        out[1 + a] = b[1 + a] / base_spread[a] if base_spread[a] > 0.0 else 0.0
        out[0] -= out[1 + a] * base_centre[a]
    out[k] = np.sqrt(rss / lb.df / left) / spread
    half = -0.5 * lb.total_weight
    out[k + 1] = half * (np.log(2.0 * np.pi * rss / lb.total_weight) + 1.0)
    out[k + 2] = half * (np.log(2.0 * np.pi * lb.rss / lb.total_weight) + 1.0)
    out[k + 3] = lb.df
    out[k + 4] = lb.total_weight - lb.df


@compiled
def screen_tiles_linear(lb, which, base_centre, base_spread, features, centre, spread, out, code, n):
    """Features `which` by sums; those that have to go the careful way keep code -1."""
    m, p = lb.rows.size, features.shape[1]
    chunks, k = (m + CHUNK - 1) // CHUNK, lb.basis.shape[0] + 1
    factors = np.zeros(chunks * k * CHUNK)  # the basis and the outcome, chunk by chunk
    for i in range(m):
        chunk, at = i // CHUNK, i % CHUNK
        for a in range(k - 1):
            factors[(chunk * k + a) * CHUNK + at] = lb.basis[a, i]
        factors[(chunk * k + k - 1) * CHUNK + at] = lb.outcome[i]
    table, x, ones = features.reshape(-1), np.zeros(CHUNK * WIDE), np.ones(CHUNK)
    tiles = (which.size + WIDE - 1) // WIDE
    sums, square = np.zeros(tiles * k * WIDE), np.zeros(tiles * WIDE)
    middle, scale, shares = np.zeros(tiles * WIDE), np.zeros(tiles * WIDE), np.zeros(k - 1)
    for j in range(which.size):
        middle[j] = centre[which[j]]
        scale[j] = 1.0 / spread[which[j]] if spread[which[j]] > 0.0 else 0.0
    for chunk in range(chunks):  # rows outside, so that memory is read in its order
        if (chunk + 1) * CHUNK > m:
            x[:] = 0.0
        for tile in range(tiles):
            first = tile * WIDE
            count = min(WIDE, which.size - first)
            together = count == WIDE and which[first + WIDE - 1] - which[first] == WIDE - 1
            for i in range(min(CHUNK, m - chunk * CHUNK)):
                row = chunk * CHUNK + i
                if together:
                    place = lb.rows[row] * p + which[first]
                    scale_row(x, i * WIDE, table, place, middle, first, scale, first, lb.root[row])
                else:
                    for j in range(WIDE):
                        x[i * WIDE + j] = 0.0
                    for j in range(count):
                        value = features[lb.rows[row], which[first + j]]
                        x[i * WIDE + j] = lb.root[row] * ((value - middle[first + j]) * scale[first + j])
            add_columns(sums, tile * k * WIDE, factors, chunk * k * CHUNK, x, 0, k)
            add_squares(square, first, ones, 0, x, 0)
    for tile in range(tiles):
        first = tile * WIDE
        count = min(WIDE, which.size - first)
        for j in range(count):
            at = which[first + j]
            n[at] = m
            left = square[first + j]
            for a in range(k - 1):
                shares[a] = sums[(tile * k + a) * WIDE + j]
                left -= shares[a] * shares[a]
            code[at] = -1
            if not left > ENOUGH_LEFT * square[first + j]:
                continue
            slope = sums[(tile * k + k - 1) * WIDE + j] / left
            rss = lb.rss - slope * sums[(tile * k + k - 1) * WIDE + j]
            if rss > ENOUGH_LEFT * lb.rss and lb.solvable:
                code[at] = OK
                write_linear(
                    lb, base_centre, base_spread, centre[at], spread[at], shares, slope, left, rss, out[at]
                )


@compiled
def screen_rows_linear(lb, which, base_centre, base_spread, features, centre, spread, out, code, n):
    """Features `which` by residuals, with the codes of those that cannot be fitted."""
    m, k = lb.rows.size, lb.basis.shape[0] + 1
    lanes = max(1, min(LANES, which.size))
    x, shares, part = np.zeros((m, lanes)), np.zeros((k - 1, lanes)), np.zeros((k - 1, lanes))
    size, left, cross, rss = np.zeros(lanes), np.zeros(lanes), np.zeros(lanes), np.zeros(lanes)
    low, high, slope = np.zeros(lanes), np.zeros(lanes), np.zeros(lanes)
    for first in range(0, which.size, lanes):
        count = min(lanes, which.size - first)
        fill_scaled(lb.rows, lb.root, features, which[first : first + count], centre, spread, x, low, high)
        sums_of_squares(x, size)
        shares[:] = 0.0
        for _ in range(2):
            take_out(lb.basis, x, part)
            for a in range(k - 1):
                for j in range(lanes):
                    shares[a, j] += part[a, j]
        slopes_on(x, lb.outcome, left, cross)
        for j in range(lanes):
            slope[j] = cross[j] / left[j] if left[j] > COLLINEAR_SHARE * size[j] else 0.0
        residual_squares(x, lb.outcome, slope, rss)
        for j in range(count):
            at = which[first + j]
            n[at] = m
            if not lb.solvable:
                code[at] = NOTHING_TO_FIT
            elif not high[j] > low[j] or spread[at] <= 0.0:
                code[at] = CONSTANT
            elif left[j] <= COLLINEAR_SHARE * size[j]:
                code[at] = COLLINEAR
            elif rss[j] <= PERFECT_SHARE * lb.whole:
                code[at] = SEPARATED
            else:
                code[at] = OK
                write_linear(
                    lb,
                    base_centre,
                    base_spread,
                    centre[at],
                    spread[at],
                    shares[:, j].copy(),
                    slope[j],
                    left[j],
                    rss[j],
                    out[at],
                )
