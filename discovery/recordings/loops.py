"""Compiled passes over the samples: fill, smooth, find upstrokes, measure cycles, count faults.

Arrays in, arrays out. Imported only where samples are processed, because numba is slow to load.
"""

from __future__ import annotations

import numpy as np

from discovery.kernels.compiled import compiled


@compiled
def block_means(x, factor, last):
    """Means of consecutive blocks of `factor` samples, (n // factor,), and the missing share of each.

    A block without a recorded sample repeats the value before it (`last` at the start), so that sums
    stay finite.
    """
    n = x.size // factor
    z = np.empty(n)
    lost = np.empty(n)
    for k in range(n):
        total, count = 0.0, 0
        for i in range(k * factor, (k + 1) * factor):
            if np.isfinite(x[i]):
                total += x[i]
                count += 1
        if count:
            last = total / count
        z[k] = last
        lost[k] = 1.0 - count / factor
    return z, lost


@compiled
def smooth(z, width):
    """Two centred moving averages of `width` (odd) samples, one after the other; ends repeat."""
    half = width // 2
    n = z.size
    out = z.copy()
    if n == 0 or width < 2:
        return out
    for _ in range(2):
        source = out
        out = np.empty(n)
        for k in range(n):
            total = 0.0
            if k >= half and k + half < n:
                for i in range(k - half, k + half + 1):
                    total += source[i]
            else:
                for i in range(k - half, k + half + 1):
                    total += source[min(max(i, 0), n - 1)]
            out[k] = total / width
    return out


@compiled
def rising_points(y, lost, back, before, ahead, least_rise):
    """Local maxima of the increment of `y` (place, increment) that belong to a rise of `least_rise`.

    The rise is from the least value up to `back` samples before to the greatest up to `ahead` after;
    where samples are missing among them it is not believed. Nor is a rise that stays below what the
    pressure was within `before` samples before: the rebound after a steep fall, or a dicrotic hump.
    """
    n = y.size
    place = np.empty(n, np.int64)
    speed = np.empty(n)
    count = 0
    for i in range(2, n - 1):
        d = y[i] - y[i - 1]
        if d <= 0.0 or d <= y[i - 1] - y[i - 2] or d < y[i + 1] - y[i]:
            continue
        low, high = y[i], y[i]
        whole = lost[i] < 0.5
        for k in range(max(0, i - back), i):
            if y[k] < low:
                low = y[k]
            if lost[k] >= 0.5:
                whole = False
        for k in range(i + 1, min(n, i + ahead + 1)):
            if y[k] > high:
                high = y[k]
            if lost[k] >= 0.5:
                whole = False
        earlier = y[i]
        for k in range(max(0, i - before), i):
            earlier = max(earlier, y[k])
        if whole and high - low >= least_rise and high >= earlier:
            place[count] = i
            speed[count] = d
            count += 1
    return place[:count], speed[:count]


@compiled
def order_statistics(values, low, high, share):
    """The value at `share` (0 to 1) of the sorted values[low[i]:high[i]], for each i; NaN when empty."""
    out = np.full(low.size, np.nan)
    for i in range(low.size):
        if high[i] > low[i]:
            part = np.sort(values[low[i] : high[i]])
            out[i] = part[int(share * (part.size - 1) + 0.5)]
    return out


@compiled
def strongest(place, speed, distance):
    """Which of the points have no faster one within `distance` samples (of equals the first stays)."""
    n = place.size
    keep = np.ones(n, np.bool_)
    for i in range(n):
        k = i - 1
        while k >= 0 and place[i] - place[k] <= distance:
            if speed[k] >= speed[i]:
                keep[i] = False
                break
            k -= 1
        k = i + 1
        while keep[i] and k < n and place[k] - place[i] <= distance:
            if speed[k] > speed[i]:
                keep[i] = False
                break
            k += 1
    return keep


@compiled
def measure_cycles(y, z, lost, up, rate):
    """Shape of each cycle from upstroke `up[i]` to `up[i + 1]` on smoothed `y` and plain `z`, (m, 12).

    Columns: peak, foot (before the next upstroke), least and greatest of z, mean of z, greatest and
    least slope (per second), standing height, late slope, time from steepest fall to foot (s), missing
    share, roughness. NaN where a measure does not exist.
    """
    m = max(up.size - 1, 0)
    out = np.full((m, 12), np.nan)
    reach = round(0.20 * rate)
    for c in range(m):
        i, j = up[c], up[c + 1]
        peak = i
        for k in range(i, i + int(0.6 * (j - i)) + 1):
            if y[k] > y[peak]:
                peak = k
        foot = j
        for k in range(max(peak + 1, j - reach), j):
            if y[k] < y[foot]:
                foot = k
        if foot - peak < 4:
            continue
        fall = peak + 1
        for k in range(peak + 1, peak + max(int(0.7 * (foot - peak)), 2)):
            if y[k] - y[k - 1] < y[fall] - y[fall - 1]:
                fall = k
        low, high, total, gone, rough = z[i], z[i], 0.0, 0.0, 0.0
        for k in range(i, j):
            low = min(low, z[k])
            high = max(high, z[k])
            total += z[k]
            gone += lost[k]
            rough += (z[k] - y[k]) ** 2
        height = y[peak] - y[foot]
        out[c, 0], out[c, 1], out[c, 2], out[c, 3] = y[peak], y[foot], low, high
        out[c, 4] = total / (j - i)
        out[c, 5] = (y[i] - y[i - 1]) * rate
        out[c, 6] = (y[fall] - y[fall - 1]) * rate
        out[c, 9] = (foot - fall) / rate
        out[c, 10] = gone / (j - i)
        out[c, 11] = np.sqrt(rough / (j - i))
        if height <= 0.0:
            continue
        first, last = fall + round(0.08 * rate), fall + round(0.18 * rate)
        standing, count = 0.0, 0
        for k in range(first, last + 1):
            standing += y[min(k, foot)]
            count += 1
        out[c, 7] = (standing / count - y[foot]) / height
        begin = max(peak + (foot - peak) // 2, fall + round(0.15 * rate))
        end = peak + int(0.95 * (foot - peak))
        length = end - begin + 1
        if length >= int(0.10 * rate) and high > low:
            middle = 0.5 * (length - 1)
            num, den = 0.0, 0.0
            for k in range(length):
                num += (k - middle) * y[begin + k]
                den += (k - middle) ** 2
            out[c, 8] = num / den * rate / (high - low)
    return out


@compiled
def second_stats(y, z, lost, edges):
    """For each stretch between `edges`: least and greatest of `y`, mean of `z`, missing share, (m, 4)."""
    m = edges.size - 1
    out = np.full((m, 4), np.nan)
    for s in range(m):
        a, b = edges[s], min(edges[s + 1], y.size)
        if b <= a:
            continue
        low, high, total, gone = y[a], y[a], 0.0, 0.0
        for k in range(a, b):
            low = min(low, y[k])
            high = max(high, y[k])
            total += z[k]
            gone += lost[k]
        out[s, 0], out[s, 1] = low, high
        out[s, 2], out[s, 3] = total / (b - a), gone / (b - a)
    return out


@compiled
def flat_samples(x, length, most_range):
    """Samples that belong to some stretch of `length` samples whose range is below `most_range`, (n,)."""
    n = x.size
    flat = np.zeros(n, np.bool_)
    if length < 1 or n < length:
        return flat
    # Every stretch holds a whole block of half its length: without a flat block there is nothing to find.
    half = max(length // 2, 1)
    found = False
    for start in range(0, n - half + 1, half):
        least, most = x[start], x[start]
        still = True
        for i in range(start, start + half):
            least, most = min(least, x[i]), max(most, x[i])
            if not most - least < most_range:
                still = False
                break
        if still:
            found = True
            break
    if not found:
        return flat
    low = np.empty(n, np.int64)
    high = np.empty(n, np.int64)
    low_head = low_tail = high_head = high_tail = 0
    broken = -1
    marked = 0
    for i in range(n):
        if not np.isfinite(x[i]):
            broken = i
            low_head = low_tail = high_head = high_tail = 0
            continue
        while low_tail > low_head and x[low[low_tail - 1]] >= x[i]:
            low_tail -= 1
        low[low_tail] = i
        low_tail += 1
        while high_tail > high_head and x[high[high_tail - 1]] <= x[i]:
            high_tail -= 1
        high[high_tail] = i
        high_tail += 1
        start = i - length + 1
        if low[low_head] < start:
            low_head += 1
        if high[high_head] < start:
            high_head += 1
        if start > broken and x[high[high_head]] - x[low[low_head]] < most_range:
            for k in range(max(start, marked), i + 1):
                flat[k] = True
            marked = i + 1
    return flat


@compiled
def held_runs(x, shortest):
    """Runs of `shortest` or more equal samples that are a local extreme: start, end, value, side, edge.

    Side is +1 for a ceiling (both neighbours lower), -1 for a floor, and at a missing neighbour the one
    that is left decides. Edge is the larger step into or out of the run.
    """
    n = x.size
    most = n // shortest + 1
    starts = np.empty(most, np.int64)
    ends = np.empty(most, np.int64)
    values = np.empty(most)
    sides = np.empty(most, np.int8)
    edges = np.empty(most)
    count = 0
    i = 0
    while i < n:
        j = i + 1
        while j < n and x[j] == x[i]:
            j += 1
        if j - i >= shortest and np.isfinite(x[i]):
            before = x[i - 1] - x[i] if i > 0 and np.isfinite(x[i - 1]) else np.nan
            after = x[j] - x[i] if j < n and np.isfinite(x[j]) else np.nan
            side = 0
            if (before < 0 or np.isnan(before)) and (after < 0 or np.isnan(after)):
                side = 1
            elif (before > 0 or np.isnan(before)) and (after > 0 or np.isnan(after)):
                side = -1
            if side != 0:
                starts[count], ends[count], values[count], sides[count] = i, j, x[i], side
                b = abs(before) if before == before else 0.0
                a = abs(after) if after == after else 0.0
                edges[count] = max(a, b)
                count += 1
        i = j
    return starts[:count], ends[:count], values[:count], sides[:count], edges[:count]


@compiled
def median_steps(x, least):
    """Places where a sample differs from the median of the five around it by more than `least`."""
    n = x.size
    place = np.empty(n, np.int64)
    size = np.empty(n)
    count = 0
    w = np.empty(5)
    for i in range(2, n - 2):
        # Within `least` of both neighbours, three of the five lie together: the median is among them.
        if abs(x[i] - x[i - 1]) <= least and abs(x[i] - x[i + 1]) <= least:
            continue
        finite = True
        for k in range(5):
            w[k] = x[i - 2 + k]
            if not np.isfinite(w[k]):
                finite = False
        if not finite:
            continue
        w.sort()
        off = abs(x[i] - w[2])
        if off > least:
            place[count] = i
            size[count] = off
            count += 1
    return place[:count], size[:count]


@compiled
def window_counts(x, flat, edges):
    """For each stretch between `edges`: number of samples, missing, flat, least, greatest, (m, 5)."""
    m = edges.size - 1
    out = np.empty((m, 5))
    for s in range(m):
        missing, level, low, high = 0, 0, np.inf, -np.inf
        stop = min(edges[s + 1], x.size)
        for i in range(edges[s], stop):
            v = x[i]
            if not np.isfinite(v):
                missing += 1
                continue
            if flat[i]:
                level += 1
            if v < low:
                low = v
            if v > high:
                high = v
        out[s, 0] = max(stop - edges[s], 0)
        out[s, 1], out[s, 2], out[s, 3], out[s, 4] = missing, level, low, high
    return out


@compiled
def smoothed_states(evidence, change):
    """Probability of each state at each observation, (n, s), by the forward-backward recursion.

    `evidence` (n, s) are log likelihoods; `change` (n, s, s) log transition weights into observation i
    (row 0 unused), from the first index to the second; they are normalised here.
    """
    n, s = evidence.shape
    forward = np.empty((n, s))
    backward = np.zeros((n, s))
    work = np.empty(s)
    for i in range(n):
        for b in range(s):
            if i == 0:
                work[b] = evidence[0, b]
                continue
            top = -np.inf
            for a in range(s):
                top = max(top, forward[i - 1, a] + change[i, a, b])
            total = 0.0
            for a in range(s):
                total += np.exp(forward[i - 1, a] + change[i, a, b] - top)
            work[b] = evidence[i, b] + top + np.log(total)
        top = work.max()
        for b in range(s):
            forward[i, b] = work[b] - top
    for i in range(n - 2, -1, -1):
        for a in range(s):
            top = -np.inf
            for b in range(s):
                top = max(top, change[i + 1, a, b] + evidence[i + 1, b] + backward[i + 1, b])
            total = 0.0
            for b in range(s):
                total += np.exp(change[i + 1, a, b] + evidence[i + 1, b] + backward[i + 1, b] - top)
            work[a] = top + np.log(total)
        top = work.max()
        for a in range(s):
            backward[i, a] = work[a] - top
    out = np.empty((n, s))
    for i in range(n):
        top = -np.inf
        for b in range(s):
            top = max(top, forward[i, b] + backward[i, b])
        total = 0.0
        for b in range(s):
            out[i, b] = np.exp(forward[i, b] + backward[i, b] - top)
            total += out[i, b]
        for b in range(s):
            out[i, b] /= total
    return out
