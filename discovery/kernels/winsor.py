"""Winsor limits, mean and spread of many columns at once, and the columns on that scale.

Columns come as the rows of an array (p, n) in C order, each in one piece; a missing value is NaN.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .compiled import compiled
from .ordered import between

SAMPLED = 128  # values of a column that say about where its ends begin
TOGETHER = 64  # columns put on scale together
SLOW_TO_KEEP = 25.0  # keeping k values in order costs k^2 log(n / k), sorting a column this many n


class Limits(NamedTuple):
    """Two quantiles (p,) of columns, least and largest value, NaN without one, and how many are seen."""

    low: np.ndarray
    high: np.ndarray
    least: np.ndarray
    most: np.ndarray
    seen: np.ndarray


def limits_of_columns(columns: np.ndarray, low: float, high: float) -> Limits:
    """Type 7 quantiles at `low` < `high` of the values seen, to the last digit as `numpy.quantile`."""
    p, n = columns.shape
    below, above = int((n - 1) * low) + 2, n - int((n - 1) * high)
    if n == 0:
        none = np.full(p, np.nan)
        return Limits(none, none, none, none, np.zeros(p, dtype=np.int64))
    if (below + above) ** 2 < SLOW_TO_KEEP * n:
        rising, falling, seen = ends_of_columns(columns, min(below, n), min(above, n))
    else:
        rising = np.sort(columns, axis=1)  # missing values last
        seen = n - np.isnan(rising).sum(axis=1)
        falling = rising[np.arange(p)[:, None], (seen[:, None] - 1 - np.arange(n)) % n]
    at = np.arange(p)

    def ranked(r: np.ndarray) -> np.ndarray:
        """The r-th of the values seen, rising from 0, from the end where it is kept."""
        kept = rising.shape[1]
        from_end = np.clip(seen - 1 - r, 0, falling.shape[1] - 1)
        return np.where(r < kept, rising[at, np.clip(r, 0, kept - 1)], falling[at, from_end])

    limits = []
    for share in (low, high):
        place = np.maximum(seen - 1, 0) * share
        lower = place.astype(np.int64)
        with np.errstate(invalid="ignore"):  # infinite values, or none
            limits.append(between(ranked(lower), ranked(np.minimum(lower + 1, seen - 1)), place - lower))
    found = (np.where(seen > 0, v, np.nan) for v in (*limits, rising[:, 0], falling[:, 0]))
    lower_limit, upper_limit, least, most = found
    return Limits(lower_limit, upper_limit, least, most, seen)


@compiled
def keep_least(values, count, sign, least):
    """Put those of the first `count` values, times `sign`, that are smaller into the rising `least`."""
    last = least.size - 1
    for c in range(count):
        value = sign * values[c]
        if value < least[last]:
            k = last
            while k > 0 and least[k - 1] > value:
                least[k] = least[k - 1]
                k -= 1
            least[k] = value


@compiled
def ends_of_columns(columns, low, high):
    """The `low` smallest values (p, low) of each column rising, the `high` largest (p, high) falling, and how
    many are seen (p,). Places left over are infinite.

    A sample of the column says beyond which values its ends lie; where that was wrong, all values are taken.
    """
    p, n = columns.shape
    rising, falling = np.full((p, low), np.inf), np.full((p, high), np.inf)
    seen = np.zeros(p, np.int64)
    under, over = np.empty(n + 1), np.empty(n + 1)
    step = n // SAMPLED
    each = np.array([low, high]) / max(step, 1)  # expected in the sample, and what makes it enough
    each += 2.5 * np.sqrt(each) + 1.5
    lowest, highest = np.empty(int(each[0])), np.empty(int(each[1]))
    for j in range(p):
        column = columns[j]
        floor, ceiling = np.inf, -np.inf
        if step > 1:
            lowest[:] = np.inf
            highest[:] = np.inf
            some = column[::step].copy()
            keep_least(some, some.size, 1.0, lowest)
            keep_least(some, some.size, -1.0, highest)
            floor, ceiling = lowest[-1], -highest[-1]
        there = 0
        for value in column:
            there += 1 if value == value else 0
        seen[j] = there
        while True:
            few, many = 0, 0
            for value in column:  # without branches
                under[few] = value
                few += value <= floor
                over[many] = value
                many += value >= ceiling
            if (few >= low and many >= high) or (few == seen[j] and many == seen[j]):
                break
            floor, ceiling = np.inf, -np.inf
        keep_least(under, few, 1.0, rising[j])
        keep_least(over, many, -1.0, falling[j])
    return rising, -falling, seen


def clipped_moments(columns: np.ndarray, limits: Limits, low, high) -> tuple[np.ndarray, np.ndarray]:
    """Mean and sum of squares about it (p,), (p,) of the values seen, clipped at `low` and `high` (p,)."""
    least, most = np.maximum(limits.least, low), np.minimum(limits.most, high)
    middle = np.where(limits.seen > 0, least + 0.5 * (most - least), 0.0)
    total, square = clipped_sums(columns, low, high, middle)
    with np.errstate(invalid="ignore", divide="ignore"):
        gap = total / limits.seen
        # about the middle of the range a sum of squares is at most n / 2 times that about the mean
        return middle + gap, np.maximum(square - gap * total, 0.0)


@compiled
def clipped_sums(columns, low, high, middle):
    """Sums (p,), (p,) of what the clipped values lie above `middle`, and of its square; eight at a time."""
    p, n = columns.shape
    total, square = np.zeros(p), np.zeros(p)
    sums, squares = np.empty(8), np.empty(8)
    for j in range(p):
        column = columns[j]
        least, most, zero = low[j], high[j], middle[j]
        sums[:] = 0.0
        squares[:] = 0.0
        for first in range(0, n - 7, 8):
            for k in range(8):
                value = column[first + k]
                gap = min(max(value, least), most) - zero if value == value else 0.0
                sums[k] += gap
                squares[k] += gap * gap
        for i in range(n - n % 8, n):
            value = column[i]
            gap = min(max(value, least), most) - zero if value == value else 0.0
            sums[0] += gap
            squares[0] += gap * gap
        total[j], square[j] = sums.sum(), squares.sum()
    return total, square


def scaled_columns(columns: np.ndarray, low, high, mean, spread) -> np.ndarray:
    """(n, p): values clipped at `low` and `high`, less the mean, by the spread (p,); a missing one stays."""
    p, n = columns.shape
    out = np.empty((n, p))
    part = np.empty((min(TOGETHER, p), n))  # turned in pieces: fresh memory costs more than the arithmetic
    for first in range(0, p, TOGETHER):
        some = slice(first, first + TOGETHER)
        own = part[: len(columns[some])]
        clip_and_scale(columns[some], low[some], high[some], mean[some], spread[some], own)
        out[:, some] = own.T
    return out


@compiled
def clip_and_scale(columns, low, high, mean, spread, out):
    for j in range(columns.shape[0]):
        least, most, zero, unit = low[j], high[j], mean[j], spread[j]
        column, scaled = columns[j], out[j]
        for i in range(column.size):
            value = column[i]
            clipped = (min(max(value, least), most) - zero) / unit
            scaled[i] = clipped if value == value else value
