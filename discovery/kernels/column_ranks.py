"""Ranks of columns among some of their rows, from one sorting of each column."""

from __future__ import annotations

import numpy as np

from .compiled import compiled


@compiled
def standard_ranks(values, order, columns, rows):
    """Ranks of the `columns` of `values` (n, p) among `rows`, ties sharing their mean, centred, of length 1.

    order : (p, n) `argsort` of each column; rows : (n,) bool, on which the columns are complete.
    Returns (columns, n): 0 in the other rows, and throughout where all values are the same.
    """
    n = rows.size
    out = np.zeros((columns.size, n))
    kept = np.empty(n, dtype=np.int64)
    for c in range(columns.size):
        j = columns[c]
        m = 0
        for i in order[j]:
            if rows[i]:
                kept[m] = i
                m += 1
        first, squares = 0, 0.0
        while first < m:
            last = first
            while last + 1 < m and values[kept[last + 1], j] == values[kept[first], j]:
                last += 1
            rank = 0.5 * (first + last) - 0.5 * (m - 1)
            squares += (last + 1 - first) * rank * rank
            for k in range(first, last + 1):
                out[c, kept[k]] = rank
            first = last + 1
        if squares > 0.0:
            length = np.sqrt(squares)
            for k in range(m):
                out[c, kept[k]] /= length
    return out
