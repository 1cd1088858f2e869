"""Compiled averaging of aligned beats, and likeness of each beat to its neighbours."""

from __future__ import annotations

import numpy as np

from discovery.kernels.compiled import compiled


@compiled
def gather(values, anchor, before, after, out):
    """Catmull-Rom values around each fractional anchor, into out (n_beats, before + after + 1).

    The fraction is the same along a beat, so the four weights are too. The caller keeps two samples on
    either side of every beat.
    """
    length = before + after + 1
    for k in range(anchor.size):
        whole = int(np.floor(anchor[k]))
        s = anchor[k] - whole
        w0 = 0.5 * s * (-1.0 + s * (2.0 - s))
        w1 = 1.0 + 0.5 * s * s * (3.0 * s - 5.0)
        w2 = 0.5 * s * (1.0 + s * (4.0 - 3.0 * s))
        w3 = 0.5 * s * s * (s - 1.0)
        first = whole - before
        a = values[first - 1 : first - 1 + length]
        b = values[first : first + length]
        c = values[first + 1 : first + 1 + length]
        d = values[first + 2 : first + 2 + length]
        row = out[k]
        for j in range(length):
            row[j] = w0 * a[j] + w1 * b[j] + w2 * c[j] + w3 * d[j]


@compiled
def order_statistics(column, count, depth, low, high):
    """The `depth` smallest (ascending) and largest (descending) of column[:count], into low and high."""
    have = 0
    for k in range(count):
        v = column[k]
        if have < depth or v < low[have - 1]:
            i = have if have < depth else depth - 1
            while i > 0 and low[i - 1] > v:
                low[i] = low[i - 1]
                i -= 1
            low[i] = v
            if have < depth:
                have += 1
    have = 0
    for k in range(count):
        v = column[k]
        if have < depth or v > high[have - 1]:
            i = have if have < depth else depth - 1
            while i > 0 and high[i - 1] < v:
                high[i] = high[i - 1]
                i -= 1
            high[i] = v
            if have < depth:
                have += 1


@compiled
def aligned_mean(values, beside, anchor, before, after):
    """Mean over beats of two signals around each anchor, and the spread of the first; (before + after + 1,).

    At each instant the beats whose `values` lie between the 10th and 90th percentile are averaged, the
    same beats for `beside` (an empty array: none); the spread is the standard deviation of all beats.
    """
    length = before + after + 1
    count = anchor.size
    table = np.empty((count, length))
    gather(values, anchor, before, after, table)
    two = beside.size > 0
    other = np.empty((count if two else 0, length))
    if two:
        gather(beside, anchor, before, after, other)
    mean = np.full(length, np.nan)
    mean_beside = np.full(length, np.nan)
    spread = np.full(length, np.nan)
    place = 0.1 * (count - 1)
    i = int(place)
    share = place - i
    depth = min(i + 2, count)
    low = np.empty(depth)
    high = np.empty(depth)
    column = np.empty(count)
    for j in range(length):
        whole = 0.0
        for k in range(count):
            column[k] = table[k, j]
            whole += column[k]
        if not np.isfinite(whole):
            continue
        order_statistics(column, count, depth, low, high)
        last = min(i + 1, depth - 1)
        bottom = low[i] + share * (low[last] - low[i]) - 1e-12
        top = high[i] + share * (high[last] - high[i]) + 1e-12
        middle = whole / count
        total = 0.0
        total_beside = 0.0
        kept = 0
        square = 0.0
        for k in range(count):
            v = column[k]
            square += (v - middle) ** 2
            if bottom <= v <= top:
                total += v
                kept += 1
                if two:
                    total_beside += other[k, j]
        mean[j] = total / kept
        if two:
            mean_beside[j] = total_beside / kept
        spread[j] = np.sqrt(square / (count - 1)) if count > 1 else np.nan
    return mean, mean_beside, spread


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
def from_onset(values, start, stop, step, points):
    """`points` samples of `values` from each start at one fixed step, NaN after each stop."""
    out = np.full((start.size, points), np.nan)
    for k in range(start.size):
        if not np.isfinite(start[k]):
            continue
        for j in range(points):
            position = start[k] + j * step
            i = int(position)
            if position > stop[k] or i < 0 or i + 1 >= values.size:
                break
            out[k, j] = values[i] + (position - i) * (values[i + 1] - values[i])
    return out


@compiled
def likeness(shapes, group, groups):
    """Correlation of each row with the median row of its group, array (n_rows,).

    Points missing from a row are left out of its correlation; a row needs half of its points.
    """
    count, points = shapes.shape
    out = np.full(count, np.nan)
    column = np.empty(count)
    middle = np.empty(points)
    first = 0
    for g in range(groups):
        last = first
        while last < count and group[last] == g:
            last += 1
        if last - first < 3:
            first = last
            continue
        for j in range(points):
            used = 0
            for k in range(first, last):
                if np.isfinite(shapes[k, j]):
                    column[used] = shapes[k, j]
                    used += 1
            middle[j] = np.median(column[:used]) if used > 0 else np.nan
        for k in range(first, last):
            seen = 0
            mean = 0.0
            centre = 0.0
            for j in range(points):
                if np.isfinite(shapes[k, j]) and np.isfinite(middle[j]):
                    seen += 1
                    mean += shapes[k, j]
                    centre += middle[j]
            if seen < points // 2:
                continue
            mean /= seen
            centre /= seen
            top = 0.0
            a = 0.0
            b = 0.0
            for j in range(points):
                if np.isfinite(shapes[k, j]) and np.isfinite(middle[j]):
                    u = shapes[k, j] - mean
                    v = middle[j] - centre
                    top += u * v
                    a += u * u
                    b += v * v
            if a > 0.0 and b > 0.0:
                out[k] = top / np.sqrt(a * b)
        first = last
    return out
