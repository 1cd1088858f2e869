"""Centre and spread of many complete columns in one walk along the rows."""

from __future__ import annotations

import numpy as np

from .columns import column_scales
from .compiled import compiled


def feature_scales(features: np.ndarray, observed: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Centre, spread (p,) as of `column_scales`, and which columns are complete.

    Columns that miss rows, or are too large or too small to be squared, go the careful way.
    """
    complete = np.asarray(observed.all(axis=0))
    centre, spread, careful = scales_of_complete(features, complete)
    which = np.flatnonzero(careful)
    if which.size:
        every_row = np.ones(len(features), dtype=bool)
        columns = np.ascontiguousarray(features[:, which])
        seen = np.ascontiguousarray(observed[:, which])
        centre[which], spread[which] = column_scales(columns, every_row, seen)
    return centre, spread, complete


@compiled
def scales_of_complete(columns, complete):
    """Sums of what each value is above the first one, which lies within root n spreads of the mean."""
    n, p = columns.shape
    centre, spread, careful = np.zeros(p), np.zeros(p), ~complete
    if n == 0:
        return centre, spread, careful
    first = columns[0].copy()
    total, square = np.zeros(p), np.zeros(p)
    for i in range(1, n):
        row = columns[i]
        for j in range(p):
            gap = row[j] - first[j]
            total[j] += gap
            square[j] += gap * gap
    for j in range(p):
        mean = total[j] / n
        variance = square[j] / n - mean * mean
        if not complete[j]:
            continue
        if 1e-200 < variance < 1e200 and variance > 1e-12 * max(first[j] * first[j], mean * mean):
            centre[j], spread[j] = first[j] + mean, np.sqrt(variance)
        else:
            careful[j] = True
    return centre, spread, careful
