"""A whole screen of negative binomial models in one compiled call, so that several threads run at once."""

from __future__ import annotations

from math import lgamma

import numpy as np

from .compiled import compiled
from .count_fits import above, independent, maximise_count, solve_symmetric
from .screen_fit import COLLINEAR, CONSTANT, NOTHING_TO_FIT, OK


@compiled
def fit_model(y, w, offset, columns, known, alpha, watch, coef):
    """Coefficients of intercept and `columns` (m, k) into `coef` (k + 1,); (alpha, log likelihood, variance
    of the last coefficient, code). `known` (k + 1,) and `alpha` are where to start, alpha < 0 for nowhere.

    A column without spread, or that is a mix of those before it, has coefficient 0.
    """
    m, k = columns.shape
    centre, spread = np.zeros(k), np.ones(k)
    use = np.zeros(k, dtype=np.int64)
    kept = 0
    for a in range(k):
        for i in range(m):
            centre[a] += columns[i, a]
        centre[a] /= m
        total = 0.0
        for i in range(m):
            total += (columns[i, a] - centre[a]) ** 2
        sd = np.sqrt(total / m)
        if sd > 1e-12 * (1.0 + abs(centre[a])):
            spread[a] = sd
            use[kept] = a
            kept += 1
    x = np.ones((m, kept + 1))
    for i in range(m):
        for c in range(kept):
            x[i, c + 1] = (columns[i, use[c]] - centre[use[c]]) / spread[use[c]]
    free = independent(x)
    if free.size < kept + 1:
        fewer = np.empty((m, free.size))
        for c in range(free.size):
            fewer[:, c] = x[:, free[c]]
            if c > 0:
                use[c - 1] = use[free[c] - 1]
        x, kept = fewer, free.size - 1
    beta = np.zeros(kept + 1)
    if alpha >= 0.0:
        beta[0] = known[0]
        for a in range(k):
            beta[0] += known[a + 1] * centre[a]
        for c in range(kept):
            beta[c + 1] = known[use[c] + 1] * spread[use[c]]
    else:
        alpha = 0.0
        count, time = 0.0, 0.0
        for i in range(m):
            count += w[i] * y[i]
            time += w[i] * np.exp(offset[i])
        beta[0] = np.log(count / time)
    alpha, loglik, info, code = maximise_count(x, y, w, offset, above(y, w), beta, alpha, watch)
    coef[:] = 0.0
    coef[0] = beta[0]
    for c in range(kept):
        coef[use[c] + 1] = beta[c + 1] / spread[use[c]]
        coef[0] -= coef[use[c] + 1] * centre[use[c]]
    for i in range(m):
        loglik -= w[i] * lgamma(y[i] + 1.0)
    variance = np.nan
    if code == OK and kept > 0 and use[kept - 1] == k - 1:
        q = kept + 1
        inner, unit, column = np.zeros((q, q)), np.zeros(q), np.zeros(q)
        unit[q - 1] = 1.0
        for a in range(q):
            for b in range(a + 1):
                inner[a, b] = info[a, b]
                if alpha > 0.0 and info[q, q] > 0.0:
                    inner[a, b] -= info[q, a] * info[q, b] / info[q, q]
        if solve_symmetric(inner, unit, column):
            variance = column[q - 1] / spread[k - 1] ** 2
    return alpha, loglik, variance, code


@compiled
def screen_columns(y, w, offset, base, features, observed, pattern, n_patterns, coef, out, code, n, events):
    """Every feature against its base model, which is fitted once for each of the `n_patterns` of missing
    values. `pattern` (p,) of each feature; out (3, p): standard error, log likelihoods with and without."""
    rows_all, p = features.shape
    q = base.shape[1]
    base_coef, base_alpha = np.zeros((n_patterns, q + 1)), np.full(n_patterns, -1.0)
    base_loglik, base_code = np.zeros(n_patterns), np.full(n_patterns, np.int64(-1))
    for j in range(p):
        m, top = 0, 0.0
        rows = np.zeros(rows_all, dtype=np.int64)
        low, high = np.inf, -np.inf
        for i in range(rows_all):
            if w[i] > 0.0 and observed[i, j]:
                rows[m] = i
                m += 1
                top += y[i]
                low = min(low, features[i, j])
                high = max(high, features[i, j])
        n[j], events[j] = m, np.int64(top)
        code[j] = NOTHING_TO_FIT
        if top == 0.0 or m <= q + 2:
            continue
        if not high > low:
            code[j] = CONSTANT
            continue
        rows = rows[:m]
        own_y, own_w, own_offset = y[rows], w[rows], offset[rows]
        columns = np.empty((m, q + 1))
        for i in range(m):
            for a in range(q):
                columns[i, a] = base[rows[i], a]
            columns[i, q] = features[rows[i], j]
        g = pattern[j]
        if base_code[g] < 0:
            base_alpha[g], base_loglik[g], _, base_code[g] = fit_model(
                own_y, own_w, own_offset, columns[:, :q], np.zeros(q + 1), -1.0, False, base_coef[g]
            )
        known = np.zeros(q + 2)
        known[: q + 1] = base_coef[g]
        start = base_alpha[g] if base_code[g] == OK else -1.0
        found = np.zeros(q + 2)
        _, loglik, variance, own = fit_model(own_y, own_w, own_offset, columns, known, start, True, found)
        if own == OK and base_code[g] != OK:
            own = base_code[g]
        if own == OK and not variance > 0.0:
            own = COLLINEAR
        code[j] = own
        if own == OK:
            coef[j] = found
            out[0, j], out[1, j], out[2, j] = np.sqrt(variance), loglik, base_loglik[g]
