"""Compiled loops of beat detection: arrays in, sample numbers out."""

from __future__ import annotations

import numpy as np

from discovery.kernels.compiled import compiled


@compiled
def reduced(level, sharp, by):
    """Mean of `level` and least of `sharp` over blocks of `by` samples; missing where a sample is."""
    n = level.size // by
    mean = np.empty(n)
    least = np.empty(n)
    for k in range(n):
        total = 0.0
        low = sharp[k * by]
        for i in range(k * by, (k + 1) * by):
            total += level[i]
            if sharp[i] < low:
                low = sharp[i]
        mean[k] = total / by
        least[k] = low
    return mean, least


@compiled
def refined(slope, found):
    """Fractional place of each maximum: the vertex of the parabola through it and its neighbours."""
    out = np.empty(found.size)
    for k in range(found.size):
        i = found[k]
        out[k] = i
        if 0 < i < slope.size - 1:
            bend = slope[i - 1] - 2.0 * slope[i] + slope[i + 1]
            if bend < 0.0:
                out[k] = i + 0.5 * (slope[i - 1] - slope[i + 1]) / bend
    return out


@compiled
def dominant_peaks(slope, half_window):
    """Local maxima of `slope` that are positive and the largest within `half_window` samples."""
    n = slope.size
    found = np.empty(n // max(half_window, 1) + 2, dtype=np.int64)
    count = 0
    last = -1
    for i in range(1, n - 1):
        here = slope[i]
        if not (here > 0.0) or not (here >= slope[i - 1]) or not (here > slope[i + 1]):
            continue
        if last >= 0 and i - last <= half_window:
            if here > slope[last]:
                found[count - 1] = i
                last = i
            continue
        found[count] = i
        count += 1
        last = i
    return found[:count].copy()


@compiled
def running_percentile(position, value, centre, half_span, share):
    """Percentile of the values whose position is within `half_span` of each centre (both sorted).

    Linear between order statistics; NaN where there is none.
    """
    out = np.empty(centre.size)
    low = 0
    high = 0
    for k in range(centre.size):
        while low < position.size and position[low] < centre[k] - half_span:
            low += 1
        high = max(high, low)
        while high < position.size and position[high] <= centre[k] + half_span:
            high += 1
        if high == low:
            out[k] = np.nan
            continue
        ordered = np.sort(value[low:high])
        place = share * (ordered.size - 1)
        below = int(place)
        above = min(below + 1, ordered.size - 1)
        out[k] = ordered[below] + (place - below) * (ordered[above] - ordered[below])
    return out


@compiled
def block_ranges(level, block):
    """Largest minus smallest finite value in each block of `block` samples; NaN if none is finite."""
    count = (level.size + block - 1) // block
    out = np.empty(count)
    for k in range(count):
        low = np.inf
        high = -np.inf
        for i in range(k * block, min((k + 1) * block, level.size)):
            v = level[i]
            if v < low:
                low = v
            if v > high:
                high = v
        out[k] = high - low if high >= low else np.nan
    return out


@compiled
def select_upstrokes(
    slope, sharp, level, hop, strong, share, pulse, refractory, rise_span, back_span, fall_span, least_rise
):
    """Upstrokes of beats among the local maxima of `slope`.

    slope, sharp : slow and fast derivative of the pressure.
    strong, pulse : one value for each `hop` samples: slope of a strong upstroke, pulse pressure.
    refractory, rise_span, back_span, fall_span : samples. least_rise : mmHg.
    """
    n = slope.size
    found = np.empty(n // max(refractory // 2, 1) + 2, dtype=np.int64)
    foot = np.empty(found.size)
    top = np.empty(found.size)
    count = 0
    for i in range(1, n - 1):
        here = slope[i]
        if not (here > 0.0) or not (here >= slope[i - 1]) or not (here > slope[i + 1]):
            continue
        k = min(i // hop, strong.size - 1)
        if not (here >= share * strong[k]):
            continue
        low = level[i]
        for j in range(i, max(i - back_span, -1), -1):
            if level[j] < low:
                low = level[j]
        high = level[i]
        for j in range(i, min(i + rise_span, n)):
            if level[j] > high:
                high = level[j]
        if not (high - low >= max(least_rise, 0.2 * pulse[k])):
            continue
        # a rebound: the line swings back right after a much steeper fall, more slowly than a beat
        steepest_fall = 0.0
        for j in range(i, max(i - fall_span, -1), -1):
            if sharp[j] < steepest_fall:
                steepest_fall = sharp[j]
        if steepest_fall < -1.8 * here and here < 0.75 * strong[k]:
            continue
        if count > 0:
            last = found[count - 1]
            since = i - last
            peak = top[count - 1]
            if since < refractory:
                if here > 1.1 * slope[last]:
                    found[count - 1] = i
                    foot[count - 1] = min(low, foot[count - 1])
                    top[count - 1] = high
                continue
            # a second hump: smaller and slower than the beat before, from above its foot
            size = peak - foot[count - 1]
            if (
                since < 1.8 * refractory
                and low > foot[count - 1] + 0.15 * size
                and high - low < 0.7 * size
                and here < 0.7 * slope[last]
            ):
                continue
        found[count] = i
        foot[count] = low
        top[count] = high
        count += 1
    return found[:count].copy()


@compiled
def strongest_in_windows(slope, level, start, stop, least_slope, rise_span, back_span, least_rise):
    """For each window the earliest local maximum of `slope` within 10 % of the largest; -1 if none.

    A window counts only when the pressure rises by `least_rise` around that maximum.
    """
    n = slope.size
    out = np.full(start.size, -1, dtype=np.int64)
    for w in range(start.size):
        best = 0.0
        first = max(start[w], 1)
        last = min(stop[w], n - 2)
        for i in range(first, last + 1):
            if slope[i] > best and slope[i] >= slope[i - 1] and slope[i] > slope[i + 1]:
                best = slope[i]
        if not (best >= least_slope[w]) or best <= 0.0:
            continue
        for i in range(first, last + 1):
            if slope[i] >= 0.9 * best and slope[i] >= slope[i - 1] and slope[i] > slope[i + 1]:
                low = level[i]
                for j in range(i, max(i - back_span, -1), -1):
                    if level[j] < low:
                        low = level[j]
                high = level[i]
                for j in range(i, min(i + rise_span, n)):
                    if level[j] > high:
                        high = level[j]
                if high - low >= least_rise[w]:
                    out[w] = i
                break
    return out
