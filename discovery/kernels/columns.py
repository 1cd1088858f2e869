"""Columns made ready for a fit: centred, scaled, and the products that every feature shares."""

from __future__ import annotations

import numpy as np

from .compiled import compiled
from .newton import RUNNING
from .screen_fit import CONSTANT, NOTHING_TO_FIT


@compiled
def column_scales(columns, use, observed):
    """Mean and spread of each column over the rows used and observed; spread 0 when it is constant.

    Values are divided by the largest one first, so that squares cannot overflow.
    """
    n, p = columns.shape
    centre, spread = np.zeros(p), np.zeros(p)
    low, high, count = np.full(p, np.inf), np.full(p, -np.inf), np.zeros(p)
    for i in range(n):
        if use[i]:
            for j in range(p):
                if observed[i, j]:
                    value = columns[i, j]
                    low[j] = min(low[j], value)
                    high[j] = max(high[j], value)
                    count[j] += 1.0
    unit = np.ones(p)
    for j in range(p):
        largest = max(abs(low[j]), abs(high[j]))
        if count[j] > 0.0 and largest > 0.0:
            unit[j] = largest
    for i in range(n):
        if use[i]:
            for j in range(p):
                if observed[i, j]:
                    centre[j] += columns[i, j] / unit[j]
    for j in range(p):
        centre[j] /= max(count[j], 1.0)
    for i in range(n):
        if use[i]:
            for j in range(p):
                if observed[i, j]:
                    gap = columns[i, j] / unit[j] - centre[j]
                    spread[j] += gap * gap
    for j in range(p):
        spread[j] = np.sqrt(spread[j] / max(count[j], 1.0)) * unit[j]
        centre[j] *= unit[j]
        if not high[j] > low[j] or spread[j] <= 1e-14 * unit[j]:
            spread[j] = 0.0
    return centre, spread


@compiled
def base_products(rows, base, centre, spread, intercept):
    """(m, 1 + q + q (q + 1) / 2): per row 1, the q scaled base columns, their products b <= a.

    With `intercept` the first of the q columns is the constant 1.
    """
    m, given = rows.size, base.shape[1]
    shift = 1 if intercept else 0
    q = given + shift
    products = np.empty((m, 1 + q + q * (q + 1) // 2))
    for i in range(m):
        products[i, 0] = 1.0
        if intercept:
            products[i, 1] = 1.0
        for a in range(given):
            value = 0.0
            if spread[a] > 0.0:
                value = (base[rows[i], a] - centre[a]) / spread[a]
            products[i, 1 + shift + a] = value
        at = 1 + q
        for a in range(q):
            for b in range(a + 1):
                products[i, at] = products[i, 1 + a] * products[i, 1 + b]
                at += 1
    return products


@compiled
def fill_lanes(rows, features, observed, weights, centre, spread, first, x, w):
    """Scaled values and weights of up to `lanes` features from `first` on; an idle lane has weight 0."""
    lanes = x.shape[1]
    count = min(lanes, features.shape[1] - first)
    for i in range(rows.size):
        row = rows[i]
        for j in range(lanes):
            x[i, j] = 0.0
            w[i, j] = 0.0
            if j < count and observed[row, first + j]:
                w[i, j] = weights[row]
                if spread[first + j] > 0.0:
                    x[i, j] = (features[row, first + j] - centre[first + j]) / spread[first + j]
    return count


@compiled
def fill_base(rows, weights, wk, nt):
    """A block for the base columns alone: no feature, every row, only lane 0 runs."""
    for i in range(rows.size):
        for j in range(nt.status.size):
            wk.x[i, j] = 0.0
            wk.w[i, j] = weights[rows[i]]
    for j in range(nt.status.size):
        nt.status[j] = RUNNING if j == 0 else NOTHING_TO_FIT
        for a in range(nt.beta.shape[0]):
            nt.beta[a, j] = 0.0


@compiled
def start_lanes(nt, base_beta):
    """Every lane at the base fit with the feature at 0."""
    q = base_beta.size
    for j in range(nt.status.size):
        nt.beta[q, j] = 0.0
        for a in range(q):
            nt.beta[a, j] = base_beta[a]


@compiled
def quadratic_form(products, q, x, inverse, form):
    """form = x' H x for every row and lane, H (q + 1, q + 1) packed in `inverse`."""
    lanes = x.shape[1]
    last = q * (q + 1) // 2
    for i in range(x.shape[0]):
        for j in range(lanes):
            form[i, j] = inverse[last + q, j] * x[i, j]
        for a in range(q):
            twice = 2.0 * products[i, 1 + a]
            for j in range(lanes):
                form[i, j] += inverse[last + a, j] * twice
        for j in range(lanes):
            form[i, j] *= x[i, j]
        t = 0
        for a in range(q):
            for b in range(a + 1):
                value = products[i, 1 + q + t] * (1.0 if a == b else 2.0)
                for j in range(lanes):
                    form[i, j] += inverse[t, j] * value
                t += 1


@compiled
def judge_lanes(rows, event, features, first, count, w, spread, n, events, status):
    """Count rows and events by lane and set the codes known before any fit; True: no lane misses a row."""
    n[:] = 0
    events[:] = 0
    complete = True
    for j in range(status.size):
        status[j] = NOTHING_TO_FIT
        if j >= count:
            continue
        low, high = np.inf, -np.inf
        for i in range(rows.size):
            if w[i, j] > 0.0:
                n[j] += 1
                if event[rows[i]]:
                    events[j] += 1
                low = min(low, features[rows[i], first + j])
                high = max(high, features[rows[i], first + j])
        if n[j] > 0:
            status[j] = RUNNING if high > low and spread[first + j] > 0.0 else CONSTANT
        if n[j] < rows.size:
            complete = False
    return complete


@compiled
def log_scales(live, j, intercepts, base_spread, spread):
    """What half the log determinant of the information gains in the caller's units: sum of log spreads."""
    total = 0.0
    for a in range(base_spread.size):
        if live[intercepts + a, j] == 1:
            total += np.log(base_spread[a])
    return total + (np.log(spread) if live[intercepts + base_spread.size, j] == 1 else 0.0)


def as_matrix(values, n: int, name: str) -> np.ndarray:
    """`values` as an (n, columns) float array in C order; None is no column."""
    if values is None:
        return np.empty((n, 0))
    matrix = np.asarray(values, dtype=np.float64)
    if matrix.ndim == 1:
        matrix = matrix[:, None]
    if matrix.ndim != 2 or matrix.shape[0] != n:
        raise ValueError(f"{name} must have {n} rows, found shape {matrix.shape}")
    return np.ascontiguousarray(matrix)


def as_column(values, n: int, name: str, *, default: float | None = None) -> np.ndarray:
    """`values` as a finite (n,) float array; None stands for `default` in every row."""
    if values is None and default is not None:
        return np.full(n, default)
    column = np.ascontiguousarray(values, dtype=np.float64)
    if column.shape != (n,):
        raise ValueError(f"{name} must have shape ({n},), found {column.shape}")
    if not np.isfinite(column).all():
        raise ValueError(f"{name} must be finite")
    return column


def as_weights(values, n: int) -> np.ndarray:
    weights = as_column(values, n, "weights", default=1.0)
    if (weights < 0).any():
        raise ValueError("weights must not be negative")
    return weights


def as_observed(observed, features: np.ndarray) -> np.ndarray:
    """(n, p) mask of the values to use; a value that is not finite never is."""
    finite = np.isfinite(features)
    if observed is None:
        return finite
    observed = np.asarray(observed, dtype=bool)
    if observed.shape != features.shape:
        raise ValueError(f"observed must have shape {features.shape}, found {observed.shape}")
    return finite & observed
