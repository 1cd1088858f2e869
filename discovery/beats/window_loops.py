"""Compiled statistics over the beats of a window, column by column."""

from __future__ import annotations

import numpy as np

from discovery.kernels.compiled import compiled


@compiled
def finite_median(values):
    """Median of the finite values; NaN when there is none."""
    kept = np.empty(values.size)
    used = 0
    for v in values:
        if np.isfinite(v):
            kept[used] = v
            used += 1
    return np.median(kept[:used]) if used > 0 else np.nan


@compiled
def column_medians(table, rows):
    """Median of the finite values of each column over the given rows; NaN where there is none."""
    out = np.full(table.shape[1], np.nan)
    column = np.empty(rows.size)
    for j in range(table.shape[1]):
        used = 0
        for k in rows:
            v = table[k, j]
            if np.isfinite(v):
                column[used] = v
                used += 1
        if used > 0:
            out[j] = np.median(column[:used])
    return out


@compiled
def column_spreads(table, rows, columns):
    """Mean and sample standard deviation of the finite values, and their number, arrays (n_columns,)."""
    mean = np.full(columns.size, np.nan)
    sd = np.full(columns.size, np.nan)
    count = np.zeros(columns.size, dtype=np.int64)
    for c in range(columns.size):
        j = columns[c]
        total = 0.0
        for k in rows:
            if np.isfinite(table[k, j]):
                total += table[k, j]
                count[c] += 1
        if count[c] == 0:
            continue
        mean[c] = total / count[c]
        square = 0.0
        for k in rows:
            if np.isfinite(table[k, j]):
                square += (table[k, j] - mean[c]) ** 2
        if count[c] > 1:
            sd[c] = np.sqrt(square / (count[c] - 1))
    return mean, sd, count


@compiled
def median_swings(time, table, rows, columns, cycles, longest):
    """Median over cycles of largest less smallest finite value in the cycle, for each column.

    A cycle needs three values and must not last more than `longest` seconds.
    """
    out = np.full(columns.size, np.nan)
    swing = np.empty(max(cycles.size, 1))
    for c in range(columns.size):
        j = columns[c]
        found = 0
        for n in range(cycles.size - 1):
            if cycles[n + 1] - cycles[n] > longest:
                continue
            low = np.inf
            high = -np.inf
            used = 0
            for i in range(rows.size):
                if cycles[n] <= time[i] < cycles[n + 1]:
                    v = table[rows[i], j]
                    if np.isfinite(v):
                        low = min(low, v)
                        high = max(high, v)
                        used += 1
            if used >= 3:
                swing[found] = high - low
                found += 1
        if found > 0:
            out[c] = np.median(swing[:found])
    return out


@compiled
def residual_spread(design, table, rows, columns, least):
    """Standard deviation of each column about its least-squares fit on `design` (rows x k).

    Columns with a missing value are solved on the rows they have; NaN with fewer than `least` rows to
    spare. Normal equations: the columns of the design are of size 1.
    """
    k = design.shape[1]
    out = np.full(columns.size, np.nan)
    for c in range(columns.size):
        j = columns[c]
        gram = np.zeros((k, k))
        right = np.zeros(k)
        used = 0
        for i in range(rows.size):
            y = table[rows[i], j]
            if not np.isfinite(y):
                continue
            used += 1
            for p in range(k):
                right[p] += design[i, p] * y
                for q in range(p + 1):
                    gram[p, q] += design[i, p] * design[i, q]
        if used < k + least:
            continue
        # Cholesky
        singular = False
        for p in range(k):
            for q in range(p + 1):
                total = gram[p, q]
                for r in range(q):
                    total -= gram[p, r] * gram[q, r]
                if p == q:
                    if total <= 1e-10 * used:
                        singular = True
                        break
                    gram[p, p] = np.sqrt(total)
                else:
                    gram[p, q] = total / gram[q, q]
            if singular:
                break
        if singular:
            continue
        for p in range(k):
            for r in range(p):
                right[p] -= gram[p, r] * right[r]
            right[p] /= gram[p, p]
        for p in range(k - 1, -1, -1):
            for r in range(p + 1, k):
                right[p] -= gram[r, p] * right[r]
            right[p] /= gram[p, p]
        square = 0.0
        for i in range(rows.size):
            y = table[rows[i], j]
            if not np.isfinite(y):
                continue
            fit = 0.0
            for p in range(k):
                fit += design[i, p] * right[p]
            square += (y - fit) ** 2
        out[c] = np.sqrt(square / (used - k))
    return out
