"""Compiled loops that read pressures, averages and integrals of each beat between its landmarks."""

from __future__ import annotations

import numpy as np

from discovery.beats.landmark_loops import (
    T_A_ONSET,
    T_BEND,
    T_DPDT_MAX,
    T_DPDT_MIN,
    T_ED,
    T_INFLECTION,
    T_KNEE,
    T_MINIMUM,
    T_PEAK,
    at,
)
from discovery.kernels.compiled import compiled

P_SYSTOLIC, P_MINIMUM, P_ED, P_NEXT_ED, P_AT_DPDT_MAX, P_KNEE, P_INFLECTION, P_PRE_A = 0, 1, 2, 3, 4, 5, 6, 7
MEAN_BEAT, MEAN_SYSTOLE, MEAN_DIASTOLE, MEAN_EJECTION, AREA_SYSTOLE, AREA_BEAT = 8, 9, 10, 11, 12, 13
NEGATIVE_SHARE, SLOPE_SQUARED, DPDT_AT_FIXED, DIASTOLIC_SLOPE, RISE_FRACTION = 14, 15, 16, 17, 18
T_TVO, SPREAD, COLUMNS = 19, 20, 21


@compiled
def mean_around(values, position, half):
    """Mean of the samples within `half` of a position; interpolated when fewer than two are there."""
    if not np.isfinite(position):
        return np.nan
    first = max(0, int(np.ceil(position - half - 1e-9)))
    last = min(values.size - 1, int(np.floor(position + half + 1e-9)))
    if last - first < 1:
        return at(values, position)
    total = 0.0
    for i in range(first, last + 1):
        total += values[i]
    return total / (last - first + 1)


@compiled
def median_around(values, position, half):
    """Median of the samples within `half` of a position; the nearest sample when none is there."""
    if not np.isfinite(position):
        return np.nan
    first = max(0, int(np.ceil(position - half - 1e-9)))
    last = min(values.size - 1, int(np.floor(position + half + 1e-9)))
    if last < first:
        return at(values, position)
    return np.median(values[first : last + 1])


@compiled
def integral(values, start, stop):
    """Trapezoid integral of `values` between two fractional positions, in samples."""
    if not (stop > start) or start < 0.0 or stop > values.size - 1:
        return np.nan
    first = int(np.ceil(start))
    last = int(np.floor(stop))
    left = at(values, start)
    right = at(values, stop)
    if last < first:
        return 0.5 * (left + right) * (stop - start)
    total = 0.5 * (left + values[first]) * (first - start)
    for i in range(first, last):
        total += 0.5 * (values[i] + values[i + 1])
    return total + 0.5 * (values[last] + right) * (stop - last)


@compiled
def squared_integral(values, start, stop):
    """Integral of the square of the straight-line interpolation of `values` (Simpson on each piece)."""
    if not (stop > start) or start < 0.0 or stop > values.size - 1:
        return np.nan
    first = int(np.floor(start)) + 1
    last = int(np.floor(stop))
    left = at(values, start)
    right = at(values, stop)
    if last < first:
        return (left * left + left * right + right * right) / 3.0 * (stop - start)
    ahead = values[first]
    total = (left * left + left * ahead + ahead * ahead) / 3.0 * (first - start)
    for i in range(first, last):
        a, b = values[i], values[i + 1]
        total += (a * a + a * b + b * b) / 3.0
    if stop > last:
        left = values[last]
        total += (left * left + left * right + right * right) / 3.0 * (stop - last)
    return total


@compiled
def line_slope(values, start, stop):
    """Least-squares slope of the samples in [start, stop], per sample."""
    first = max(0, int(np.ceil(start)))
    last = min(values.size - 1, int(np.floor(stop)))
    n = last - first + 1
    if n < 3:
        return np.nan
    middle = 0.5 * (n - 1)
    total = 0.0
    square = 0.0
    for i in range(n):
        total += (i - middle) * values[first + i]
        square += (i - middle) ** 2
    return total / square


@compiled
def first_crossing_down(values, start, stop, threshold):
    """First fractional position in [start, stop] where values <= threshold; NaN if there is none."""
    if not np.isfinite(start) or not np.isfinite(stop) or not np.isfinite(threshold):
        return np.nan
    before = at(values, start)
    if before <= threshold:
        return start
    position = start
    for i in range(int(np.floor(start)) + 1, int(np.floor(stop)) + 1):
        here = values[i]
        if here <= threshold:
            return i - (threshold - here) / (before - here) * (i - position)
        before = here
        position = float(i)
    return np.nan


@compiled
def first_crossing_up(values, start, stop, threshold):
    """First fractional position in [start, stop] where values >= threshold; NaN if there is none."""
    if not np.isfinite(start) or not np.isfinite(stop) or not np.isfinite(threshold):
        return np.nan
    before = at(values, start)
    if before >= threshold:
        return start
    position = start
    for i in range(int(np.floor(start)) + 1, int(np.floor(stop)) + 1):
        here = values[i]
        if here >= threshold:
            return i - (here - threshold) / (here - before) * (i - position)
        before = here
        position = float(i)
    return np.nan


@compiled
def read_beats(level, sharp, marks, ends, venous, rate):
    """Pressures (mmHg), averages and integrals (mmHg.s) of each beat, array (n_beats, COLUMNS).

    ends : where each beat ends, NaN to take the onset of the next.
    venous : aligned venous pressure on the same samples, or an empty array.
    """
    count = marks.shape[0]
    out = np.full((count, COLUMNS), np.nan)
    top_half = 0.004 * rate if rate >= 250.0 else 0.0
    for k in range(count):
        onset = marks[k, T_ED]
        following = ends[k]
        if not np.isfinite(following) and k + 1 < count:
            following = marks[k + 1, T_ED]
        fall = marks[k, T_DPDT_MIN]
        out[k, P_SYSTOLIC] = median_around(level, np.round(marks[k, T_PEAK]), top_half)
        out[k, P_MINIMUM] = median_around(level, np.round(marks[k, T_MINIMUM]), 0.008 * rate)
        out[k, P_ED] = mean_around(level, onset, 0.004 * rate)
        out[k, P_NEXT_ED] = mean_around(level, following, 0.004 * rate)
        out[k, P_AT_DPDT_MAX] = at(level, marks[k, T_DPDT_MAX])
        out[k, P_KNEE] = at(level, marks[k, T_KNEE])
        out[k, P_INFLECTION] = at(level, marks[k, T_INFLECTION])
        out[k, P_PRE_A] = at(level, marks[k, T_A_ONSET])
        out[k, AREA_SYSTOLE] = integral(level, onset, fall) / rate
        out[k, MEAN_SYSTOLE] = out[k, AREA_SYSTOLE] * rate / (fall - onset)
        out[k, MEAN_EJECTION] = integral(level, marks[k, T_DPDT_MAX], marks[k, T_BEND]) / (
            marks[k, T_BEND] - marks[k, T_DPDT_MAX]
        )
        out[k, DPDT_AT_FIXED] = at(
            sharp, first_crossing_up(level, onset, marks[k, T_PEAK], out[k, P_ED] + 5.0)
        )
        if not (following > onset):
            continue
        out[k, AREA_BEAT] = integral(level, onset, following) / rate
        out[k, MEAN_BEAT] = out[k, AREA_BEAT] * rate / (following - onset)
        out[k, SLOPE_SQUARED] = squared_integral(sharp, onset, following) / rate
        negative = 0.0
        total = 0.0
        square = 0.0
        entries = 0
        for i in range(int(np.ceil(onset)), int(np.floor(following)) + 1):
            total += abs(level[i])
            square += (level[i] - out[k, MEAN_BEAT]) ** 2
            entries += 1
            if level[i] < 0.0:
                negative -= level[i]
        out[k, NEGATIVE_SHARE] = negative / total if total > 0.0 else 0.0
        out[k, SPREAD] = np.sqrt(square / (entries - 1)) if entries > 1 else np.nan
        low = marks[k, T_MINIMUM]
        if not np.isfinite(low):
            continue
        out[k, MEAN_DIASTOLE] = integral(level, low, following) / (following - low)
        end = marks[k + 1, T_A_ONSET] if k + 1 < count else np.nan
        if not (end > low):
            end = following
        if following - fall >= 0.12 * rate:
            out[k, DIASTOLIC_SLOPE] = line_slope(level, low + 0.02 * rate, end) * rate
        rise = at(level, end) - out[k, P_MINIMUM]
        if rise >= 2.0:
            out[k, RISE_FRACTION] = (at(level, low + (end - low) / 3.0) - out[k, P_MINIMUM]) / rise
        if venous.size:
            gap = np.empty(int(low) + 2 - int(fall))
            for i in range(gap.size):
                gap[i] = level[int(fall) + i] - venous[int(fall) + i]
            found = first_crossing_down(gap, fall - int(fall), low - int(fall), 0.0)
            out[k, T_TVO] = found + int(fall)
        if not np.isfinite(out[k, T_TVO]):
            out[k, T_TVO] = first_crossing_down(level, fall, low, out[k, P_NEXT_ED] + 2.0)
    return out
