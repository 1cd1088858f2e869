"""Chained imputation: every incomplete column drawn in turn from a ridge regression on others.

Van Buuren, Flexible Imputation of Missing Data, 2nd ed. 2018, sections 3.2 (normal draws), 3.4 (predictive
mean matching) and 4.5 (chained equations).
"""

from __future__ import annotations

import math

import numpy as np

from .compiled import compiled
from .normal_tail import draw_below, normal_quantile

SEEN, GONE, BELOW, ABOVE = (
    0,
    1,
    2,
    3,
)  # what a cell is: known, missing, known to be at most or at least a limit
LEFT = 4  # missing and not to be imputed

FULL_BOX = 32  # values from which on a box is not sorted by moving each to its place
NEARER = 1.0 - 1e-9  # of the other distance: less is the same
MATCHED, NORMAL = 0, 1  # how a column is drawn


@compiled
def impute_columns(
    x, role, limit, fixed, weights, columns, neighbours, how, ridge, donors, proper, parameter_noise, uniforms
):
    """Redraw, pass after pass, the cells of `columns` that are not known; `x` is changed in place.

    Parameters
    ----------
    x : (n, p) current values, complete where `role` is not LEFT
    role, limit : (n, p) int8 cell roles; the limit of a cell known to be below or above it
    fixed : (n, f) predictors of every column, the intercept not among them
    weights : (n,) case weights; a row of weight 0 teaches nothing but is imputed
    columns : (c,) which columns, in the order of the passes
    neighbours : (c, k) other columns of x used as predictors, -1 for none
    how : (c,) MATCHED (values of donors) or NORMAL; a limited cell is always a truncated normal draw
    ridge : share of each predictor's sum of squares added to the diagonal
    donors : how many nearest known rows a matched value is taken from
    proper : whether coefficients are drawn, or taken as estimated (the rows being a bootstrap draw)
    parameter_noise : (passes, c, 2 + f + k) standard normal; uniforms : (passes, n, c) in (0, 1)

    Returns
    -------
    int8 (c,) : 0, or 1 where a regression could not be solved in some pass (the cells keep their values).
    """
    f = fixed.shape[1]
    failed = np.zeros(columns.size, dtype=np.int8)
    largest = 1 + f + neighbours.shape[1]
    chosen = np.empty(largest, dtype=np.int64)
    gram, factor = np.empty((largest, largest)), np.empty((largest, largest))
    place, rows, whole = _start(x, fixed, weights, columns, neighbours)
    across = rows.T.copy()
    teach, untaught, drawn_rows = _sorted_by_role(role, weights, columns)
    order = np.empty((3, x.shape[0] + 1), dtype=np.int64)
    predicted = np.empty(x.shape[0])
    for turn in range(uniforms.shape[0]):
        for c in range(columns.size):
            j = columns[c]
            own = place[j]
            k = _choose(f, place, neighbours[c], chosen)
            beta = np.zeros(k)
            squares = _normal_equations(whole, rows, _of(untaught, c), weights, own, chosen[:k], gram, beta)
            size = gram[0, 0] - k
            if size < 1.0 or not _cholesky(gram, k, ridge, factor):
                failed[c] = 1
                continue
            right = beta.copy()
            _solve(factor, k, beta)
            rest = squares
            for a in range(k):
                rest -= beta[a] * right[a]
            rest = max(rest, 1e-12 * squares)
            sd = math.sqrt(rest / size)
            expected = _linear(across, chosen[:k], beta)
            target = expected
            if proper:
                sd = math.sqrt(rest / _chi_square(size, parameter_noise[turn, c, 0]))
                drawn = beta.copy()
                _add_noise(factor, k, sd, parameter_noise[turn, c, 1:], drawn)
                target = _linear(across, chosen[:k], drawn)
            known = _of(teach, c)
            if how[c] == MATCHED:
                known = _by_prediction(known, expected, predicted, order)
            cells = _of(drawn_rows, c)
            _draw_cells(
                x, j, cells, role, limit, weights, known, predicted[: known.size], target, sd, how[c], donors,
                uniforms[turn, :, c],
            )  # fmt: skip
            _keep_up(whole, rows, across, x[:, j], cells, weights, own)
    return failed


@compiled
def _sorted_by_role(role, weights, columns):
    """Three lists of rows for each column, one behind the other with where each begins: those with a value
    that teach; those of no value and no limit, but a weight, that do not; those that are drawn."""
    c, n = columns.size, role.shape[0]
    lists = np.empty((3, c * n), dtype=np.int64)
    begins = np.zeros((3, c + 1), dtype=np.int64)
    by_column = role.T.copy()
    for k in range(c):
        ends = begins[:, k].copy()
        for i in range(n):
            what, weighs = by_column[columns[k], i], weights[i] > 0.0
            if what == SEEN:
                if weighs:
                    lists[0, ends[0]] = i
                    ends[0] += 1
                continue
            if weighs and what in (GONE, LEFT):
                lists[1, ends[1]] = i
                ends[1] += 1
            if what != LEFT:
                lists[2, ends[2]] = i
                ends[2] += 1
        begins[:, k + 1] = ends
    return (lists[0], begins[0]), (lists[1], begins[1]), (lists[2], begins[2])


@compiled
def _of(listed, k):
    """The rows of column number k."""
    rows, begins = listed
    return rows[begins[k] : begins[k + 1]]


@compiled
def _start(x, fixed, weights, columns, neighbours):
    """Where each column of x stands among those in use (-1: unused), these behind the intercept and the fixed
    columns as (n, d), and their weighted products over all rows (d, d).

    The products are made once and then follow every redrawn cell: a regression takes off the rows that
    do not teach it, which are few.
    """
    n, f = fixed.shape
    place = np.full(x.shape[1], -1, dtype=np.int64)
    d = 1 + f
    for c in range(columns.size):
        if place[columns[c]] < 0:
            place[columns[c]] = d
            d += 1
        for j in neighbours[c]:
            if j >= 0 and place[j] < 0:
                place[j] = d
                d += 1
    rows = np.empty((n, d))
    whole = np.zeros((d, d))
    for i in range(n):
        rows[i, 0] = 1.0
        for a in range(f):
            rows[i, 1 + a] = fixed[i, a]
        for j in range(x.shape[1]):
            if place[j] >= 0:
                rows[i, place[j]] = x[i, j]
        if weights[i] > 0.0:
            for a in range(d):
                t = weights[i] * rows[i, a]
                for b in range(d):
                    whole[a, b] += t * rows[i, b]
    return place, rows, whole


@compiled
def _choose(f, place, neighbours, chosen):
    """Fill `chosen` with the intercept, the fixed columns and the neighbours; how many there are."""
    k = 1 + f
    for a in range(k):
        chosen[a] = a
    for j in neighbours:
        if j >= 0:
            chosen[k] = place[j]
            k += 1
    return k


@compiled
def _normal_equations(whole, rows, untaught, weights, own, chosen, gram, right):
    """Weighted z'z and z'x_j over all rows but the `untaught`; x_j'x_j. z are the `chosen` columns."""
    k = chosen.size
    for a in range(k):
        right[a] = whole[own, chosen[a]]
        for b in range(a + 1):
            gram[a, b] = whole[chosen[a], chosen[b]]
    squares = whole[own, own]
    z = np.empty(k)
    for i in untaught:
        w, value = weights[i], rows[i, own]
        squares -= w * value * value
        for a in range(k):
            z[a] = rows[i, chosen[a]]
        for a in range(k):
            t = w * z[a]
            right[a] -= t * value
            for b in range(a + 1):
                gram[a, b] -= t * z[b]
    return squares


@compiled
def _keep_up(whole, rows, across, values, cells, weights, own):
    """Take the redrawn `cells` of a column over into `rows`, `across` and their products."""
    for i in cells:
        old, new = rows[i, own], values[i]
        if new == old:
            continue
        if weights[i] > 0.0:
            t = weights[i] * (new - old)
            square = whole[own, own] + t * (new + old)
            for b in range(whole.shape[0]):
                whole[own, b] += t * rows[i, b]
            whole[own, own] = square
        rows[i, own] = new
        across[own, i] = new
    for b in range(whole.shape[0]):
        whole[b, own] = whole[own, b]


@compiled
def _cholesky(gram, k, ridge, factor):
    """Lower factor of gram plus the ridge (the intercept has none); False when it is not positive.

    A column that does not vary in the rows that teach has no slope: as an event that only patients without
    the value had, of which a draw along the intercept's freedom would make values hundreds of SDs off.
    """
    for a in range(k):
        for b in range(a + 1):
            value = gram[a, b]
            if a == b and a > 0:
                spread = gram[a, a] - gram[a, 0] * gram[a, 0] / gram[0, 0]
                value += 1e12 if spread <= 1e-9 * gram[0, 0] else ridge * gram[a, a]
            for t in range(b):
                value -= factor[a, t] * factor[b, t]
            if a == b:
                if not value > 1e-12:
                    return False
                factor[a, a] = math.sqrt(value)
            else:
                factor[a, b] = value / factor[b, b]
    return True


@compiled
def _solve(factor, k, right):
    """Solve in place with the factor and its transpose."""
    for a in range(k):
        for t in range(a):
            right[a] -= factor[a, t] * right[t]
        right[a] /= factor[a, a]
    for a in range(k - 1, -1, -1):
        for t in range(a + 1, k):
            right[a] -= factor[t, a] * right[t]
        right[a] /= factor[a, a]


@compiled
def _add_noise(factor, k, sd, noise, drawn):
    """drawn += sd (factor')^-1 noise."""
    step = np.empty(k)
    for a in range(k - 1, -1, -1):
        value = noise[a]
        for t in range(a + 1, k):
            value -= factor[t, a] * step[t]
        step[a] = value / factor[a, a]
        drawn[a] += sd * step[a]


@compiled
def _chi_square(df, normal):
    """A chi-square draw from a normal one (Wilson & Hilferty, PNAS 1931;17:684-688)."""
    part = 2.0 / (9.0 * df)
    return df * max(1.0 - part + normal * math.sqrt(part), 0.05) ** 3


@compiled
def _linear(across, chosen, beta):
    """Each row's prediction (n,) from the `chosen` columns, which are the rows of `across`."""
    out = np.full(across.shape[1], beta[0])
    for a in range(1, chosen.size):
        column, slope = across[chosen[a]], beta[a]
        for i in range(out.size):
            out[i] += slope * column[i]
    return out


@compiled
def _by_prediction(known, expected, predicted, order):
    """`known` rows in the order of their `expected` values, which go into `predicted`; equal ones by row.

    Values are dealt into as many boxes as there are, along their range; what is left to sort is next to
    its place. `order` (3, n + 1) is room to work in.
    """
    n = known.size
    low, high, check = np.inf, -np.inf, 0.0
    for k in range(n):
        value = expected[known[k]]
        predicted[k] = value
        low, high, check = min(low, value), max(high, value), check + 0.0 * value
    if not (check == 0.0 and high - low > 1e-200):
        return _merged(known, predicted)
    sorted_rows, box, begin = order[0, :n], order[1, :n], order[2, : n + 1]
    scale = (n - 1) / (high - low)
    begin[:] = 0
    for k in range(n):
        box[k] = int((predicted[k] - low) * scale)
        begin[box[k] + 1] += 1
    if begin.max() > FULL_BOX:
        return _merged(known, predicted)
    for k in range(n):
        begin[k + 1] += begin[k]
    for k in range(n):
        sorted_rows[begin[box[k]]] = known[k]
        begin[box[k]] += 1
    for k in range(n):
        row = sorted_rows[k]
        value = expected[row]
        at = k - 1
        while at >= 0 and predicted[at] > value:
            predicted[at + 1], sorted_rows[at + 1] = predicted[at], sorted_rows[at]
            at -= 1
        predicted[at + 1], sorted_rows[at + 1] = value, row
    return sorted_rows


@compiled
def _merged(known, predicted):
    """As `_by_prediction`, for values that stand close together."""
    order = np.argsort(predicted[: known.size], kind="mergesort")
    predicted[: known.size] = predicted[: known.size][order]
    return known[order]


@compiled
def _draw_cells(x, j, cells, role, limit, weights, known, predicted, target, sd, how, donors, uniforms):
    """Redraw the `cells` of column j of x around `target` (n,), or from donors: the `known` rows in the order
    of what is `predicted` for them."""
    for i in cells:
        what, mean = role[i, j], target[i]
        if what == BELOW:
            x[i, j] = draw_below(limit[i, j], mean, sd, uniforms[i])
        elif what == ABOVE:
            x[i, j] = -draw_below(-limit[i, j], -mean, sd, uniforms[i])
        elif how == MATCHED:
            x[i, j] = x[_donor(known, predicted, weights, mean, donors, uniforms[i]), j]
        else:
            x[i, j] = mean + sd * normal_quantile(uniforms[i])


@compiled
def _donor(known, predicted, weights, target, donors, u):
    """One of the `donors` known rows whose prediction is nearest to `target`, by case weight.

    Of two that are equally far, as steps of a whole number put them, the lower one: not what rounding says.
    """
    high = np.searchsorted(predicted, target)
    low = high - 1
    total = 0.0
    for _ in range(min(donors, known.size)):
        if low < 0 or (high < known.size and predicted[high] - target < NEARER * (target - predicted[low])):
            total += weights[known[high]]
            high += 1
        else:
            total += weights[known[low]]
            low -= 1
    goal = u * total
    for at in range(low + 1, high):
        goal -= weights[known[at]]
        if goal <= 0.0:
            return known[at]
    return known[high - 1]
