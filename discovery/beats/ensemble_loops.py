"""Compiled averaging of aligned beats, and likeness of each beat to its neighbours."""

from __future__ import annotations

import numpy as np

from discovery.kernels.compiled import compiled


@compiled
def cubic_at(values, position):
    """Catmull-Rom interpolation at a fractional position (straight line at the edges); NaN outside."""
    n = values.size
    if not (position >= 0.0) or position > n - 1:
        return np.nan
    i = int(position)
    s = position - i
    if s == 0.0:
        return values[i]
    if i < 1 or i + 2 >= n:
        return values[i] + s * (values[i + 1] - values[i])
    a, b, c, d = values[i - 1], values[i], values[i + 1], values[i + 2]
    return b + 0.5 * s * (c - a + s * (2.0 * a - 5.0 * b + 4.0 * c - d + s * (3.0 * (b - c) + d - a)))


@compiled
def aligned_mean(values, anchor, before, after):
    """Mean over beats of `values` around each anchor, and its spread over beats; arrays (before + after + 1,).

    At each instant the samples between the 10th and 90th percentile are averaged; the spread is the standard deviation of all samples.
    """
    length = before + after + 1
    count = anchor.size
    mean = np.full(length, np.nan)
    spread = np.full(length, np.nan)
    column = np.empty(count)
    for j in range(length):
        used = 0
        for k in range(count):
            v = cubic_at(values, anchor[k] + (j - before))
            if np.isfinite(v):
                column[used] = v
                used += 1
        if used == 0:
            continue
        ordered = np.sort(column[:used])
        place = 0.1 * (used - 1)
        i = int(place)
        low = ordered[i] + (place - i) * (ordered[min(i + 1, used - 1)] - ordered[i])
        place = 0.9 * (used - 1)
        i = int(place)
        high = ordered[i] + (place - i) * (ordered[min(i + 1, used - 1)] - ordered[i])
        total = 0.0
        kept = 0
        whole = 0.0
        for k in range(used):
            whole += ordered[k]
            if low - 1e-12 <= ordered[k] <= high + 1e-12:
                total += ordered[k]
                kept += 1
        mean[j] = total / kept if kept > 0 else whole / used
        square = 0.0
        for k in range(used):
            square += (ordered[k] - whole / used) ** 2
        spread[j] = np.sqrt(square / (used - 1)) if used > 1 else np.nan
    return mean, spread


@compiled
def resampled(values, start, stop, points):
    """Each piece [start, stop] of `values` on `points` equally spaced points, array (n_pieces, points)."""
    out = np.full((start.size, points), np.nan)
    for k in range(start.size):
        if not (stop[k] > start[k]):
            continue
        step = (stop[k] - start[k]) / (points - 1)
        for j in range(points):
            position = start[k] + j * step
            i = int(position)
            if i < 0 or i >= values.size:
                continue
            if i >= values.size - 1:
                out[k, j] = values[values.size - 1]
            else:
                out[k, j] = values[i] + (position - i) * (values[i + 1] - values[i])
    return out


@compiled
def likeness(shapes, group, groups):
    """Correlation of each row with the median row of its group, array (n_rows,)."""
    count, points = shapes.shape
    out = np.full(count, np.nan)
    column = np.empty(count)
    middle = np.empty(points)
    first = 0
    for g in range(groups):
        last = first
        while last < count and group[last] == g:
            last += 1
        for j in range(points):
            used = 0
            for k in range(first, last):
                if np.isfinite(shapes[k, j]):
                    column[used] = shapes[k, j]
                    used += 1
            middle[j] = np.median(column[:used]) if used > 0 else np.nan
        centre = np.mean(middle)
        for k in range(first, last):
            mean = np.mean(shapes[k])
            top = 0.0
            a = 0.0
            b = 0.0
            for j in range(points):
                u = shapes[k, j] - mean
                v = middle[j] - centre
                top += u * v
                a += u * u
                b += v * v
            if a > 0.0 and b > 0.0:
                out[k] = top / np.sqrt(a * b)
        first = last
    return out
