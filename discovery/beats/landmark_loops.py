"""Compiled loops that mark one beat after another. Positions are fractional sample numbers.

Columns of the table of marks are given by `MARKS` in `landmarks.py`; the numbers here must agree
with it.
"""

from __future__ import annotations

import numpy as np

from discovery.kernels.compiled import compiled

T_DPDT_MAX, T_ED, T_ED_CHORD, T_PEAK, T_INFLECTION = 0, 1, 2, 3, 4
T_KNEE, T_DPDT_MIN, T_MINIMUM, T_A_ONSET, T_BEND, DPDT_MAX, DPDT_MIN = 5, 6, 7, 8, 9, 10, 11
COLUMNS = 12


@compiled
def at(values, position):
    """Linear interpolation of `values` at a fractional position; NaN outside."""
    if not (position >= 0.0) or position > values.size - 1:
        return np.nan
    below = int(position)
    if below >= values.size - 1:
        return values[values.size - 1]
    share = position - below
    if share == 0.0:
        return values[below]
    return values[below] + share * (values[below + 1] - values[below])


@compiled
def vertex(values, i):
    """Fractional position of the extremum of the parabola through i-1, i, i+1."""
    if i < 1 or i >= values.size - 1:
        return float(i)
    bend = values[i - 1] - 2.0 * values[i] + values[i + 1]
    if bend == 0.0 or not np.isfinite(bend):
        return float(i)
    shift = 0.5 * (values[i - 1] - values[i + 1]) / bend
    return i + min(max(shift, -0.5), 0.5)


@compiled
def slope_at(values, i, weights):
    """Savitzky-Golay slope at sample i (its weights are odd); NaN where the window leaves the array."""
    half = weights.size // 2
    if i - half < 0 or i + half >= values.size:
        return np.nan
    total = 0.0
    for h in range(1, half + 1):
        total += weights[half + h] * (values[i + h] - values[i - h])
    return total


@compiled
def bend_at(values, i, weights):
    """Savitzky-Golay second derivative at sample i (even weights); NaN where the window leaves the array."""
    half = weights.size // 2
    if i - half < 0 or i + half >= values.size:
        return np.nan
    total = weights[half] * values[i]
    for h in range(1, half + 1):
        total += weights[half + h] * (values[i + h] + values[i - h])
    return total


@compiled
def half_height(values, peak, step):
    """Fractional position where the lobe around `peak` falls to half its height, going by `step`."""
    half = 0.5 * values[peak]
    i = peak
    while 0 <= i + step < values.size:
        ahead = values[i + step]
        if not (ahead > half):
            if not np.isfinite(ahead):
                return float(i)
            return i + step * (values[i] - half) / (values[i] - ahead)
        i += step
    return float(i)


@compiled
def corner(pressure, start, stop, pulse, lobe, slope_weights, bend_weights):
    """Onset of the lobe of greatest curvature of pressure / pulse against time / 0.1 s in [start, stop].

    A sharp corner gives a lobe as wide as the filter (half-width `lobe` samples at half height) whose
    middle is the corner. A gentle take-off (the second derivative steps up and stays) gives a wider
    lobe whose middle is late by half the filter; there the rising flank at half height is the onset.
    In between the two are mixed by the width.
    """
    start = max(start, 0)
    n = stop - start + 1
    if n < 3 or not (pulse > 0.0):
        return np.nan
    bend = np.full(n, np.nan)
    best = -1
    largest = 0.0
    for j in range(n):
        y2 = bend_at(pressure, start + j, bend_weights) * (0.01 / pulse)
        bend[j] = y2
        if y2 > largest:  # curvature is never more than the second derivative
            y1 = slope_at(pressure, start + j, slope_weights) * (0.1 / pulse)
            k = y2 / (1.0 + y1 * y1) ** 1.5
            if k > largest:
                largest = k
                best = j
    if best < 0:
        return np.nan
    bent = best
    while bent + 1 < n and bend[bent + 1] > bend[bent]:
        bent += 1
    left = half_height(bend, bent, -1)
    width = half_height(bend, bent, 1) - left
    broad = min(max(width / (2.0 * lobe) - 1.0, 0.0), 1.0)
    return start + left + (1.0 - broad) * lobe


@compiled
def chord_corner(level, stop, span):
    """Sample with the greatest vertical distance below the chord over the last `span` samples."""
    start = max(0, stop - span)
    if stop - start < 2:
        return np.nan
    first = level[start]
    rise = (level[stop] - first) / (stop - start)
    best = -1.0
    where = np.nan
    for i in range(start, stop + 1):
        d = first + rise * (i - start) - level[i]
        if d > best:
            best = d
            where = float(i)
    return where


@compiled
def top_of(level, start, stop, foot):
    """Largest sample in [start, stop] and the middle of the run within 1 % of developed pressure."""
    best = start
    for i in range(start, stop + 1):
        if level[i] > level[best]:
            best = i
    margin = 0.01 * (level[best] - foot)
    left = best
    while left > start and level[left - 1] >= level[best] - margin:
        left -= 1
    right = best
    while right < stop and level[right + 1] >= level[best] - margin:
        right += 1
    return best, 0.5 * (left + right)


@compiled
def knee(pressure, peak, fall, bend_weights):
    """End of the systolic plateau and the bend after it, two positions between peak and fall.

    The last bend is the last minimum of the second derivative at least 0.4 times as deep as the
    deepest; the knee is the straightest point before it, and the bend starts at its flank, half way
    down. Without a straighter stretch between the peak and that bend, both are the bend itself.
    """
    n = fall - peak + 1
    if n < 3:
        return np.nan, np.nan
    bend = np.empty(n)
    deepest = 0.0
    for j in range(n):
        bend[j] = bend_at(pressure, peak + j, bend_weights)
        if bend[j] < deepest:
            deepest = bend[j]
    if not (deepest < 0.0):
        return np.nan, np.nan
    lobe = -1
    for j in range(n):
        falling = j == 0 or bend[j] <= bend[j - 1]
        rising = j == n - 1 or bend[j] < bend[j + 1]
        if falling and rising and bend[j] <= 0.4 * deepest:
            lobe = j
    if lobe < 0:
        return np.nan, np.nan
    straight = lobe
    for j in range(lobe - 1, -1, -1):
        if bend[j] > bend[straight]:
            straight = j
        elif bend[j] < bend[straight] + 0.2 * bend[lobe] and bend[straight] > 0.8 * bend[lobe]:
            break
    if straight == 0 or bend[straight] < 0.8 * bend[lobe]:
        return peak + vertex(bend, lobe), peak + vertex(bend, lobe)
    half = 0.5 * (bend[straight] + bend[lobe])
    flank = float(lobe)
    for j in range(straight, lobe):
        if bend[j] > half >= bend[j + 1]:
            flank = j + (bend[j] - half) / (bend[j] - bend[j + 1])
            break
    return peak + vertex(bend, straight), peak + flank


@compiled
def mark_beats(
    pressure, level, sharp, centre, ends, rate, lobe, slope_weights, bend_weights, use_chord, brief
):
    """Landmarks of each beat, array (n_beats, COLUMNS); NaN where a landmark does not exist.

    pressure, level, sharp : raw pressure, low-passed pressure, derivative.
    centre : samples of the slow upstrokes, increasing. ends : where each beat ends, NaN to take the
    onset of the next. brief : leave out the knee and the atrial bump.
    """
    count = centre.size
    n = level.size
    marks = np.full((count, COLUMNS), np.nan)
    near = max(1, int(0.03 * rate))
    for k in range(count):
        c = centre[k]
        if k + 1 < count:
            cycle = centre[k + 1] - c
        elif k > 0:
            cycle = min(c - centre[k - 1], n - 1 - c)
        else:
            cycle = min(n - 1 - c, int(1.5 * rate))
        if cycle < 4:
            continue
        # steepest rise: the earliest maximum within 10 % of the largest, inside the upstroke; a flank
        # that goes on rising at the edge of the window belongs to something else
        best = -1
        for i in range(max(1, c - near), min(n - 1, c + near + 1)):
            if sharp[i] >= sharp[i - 1] and sharp[i] > sharp[i + 1] and (best < 0 or sharp[i] > sharp[best]):
                best = i
        if best < 0:
            best = c
        if best < 0 or not (sharp[best] > 0.0):
            continue
        steepest = best
        for i in range(max(1, c - near), best):
            if sharp[i] >= 0.9 * sharp[best] and sharp[i] > sharp[i - 1] and sharp[i] >= sharp[i + 1]:
                # a true second maximum: the slope falls visibly between the two
                dip = sharp[i]
                for j in range(i, best):
                    dip = min(dip, sharp[j])
                if dip < 0.85 * sharp[i]:
                    steepest = i
                    break
        marks[k, T_DPDT_MAX] = vertex(sharp, steepest)
        steep = sharp[steepest]
        a, b, d = sharp[steepest - 1], sharp[steepest], sharp[steepest + 1]
        bend = a - 2.0 * b + d
        if bend < 0.0:
            steep = b - 0.125 * (a - d) ** 2 / bend
        marks[k, DPDT_MAX] = steep

        # systolic peak, then the steepest fall
        reach = max(2, min(int(0.6 * cycle), int(0.6 * rate)))
        stop = min(n - 1, steepest + reach)
        span = int(min(0.15 * rate, 0.25 * cycle))
        lowest = steepest
        for i in range(steepest, max(0, steepest - span) - 1, -1):
            if level[i] < level[lowest]:
                lowest = i
        foot = level[lowest]
        peak, middle = top_of(level, steepest, stop, foot)
        marks[k, T_PEAK] = middle
        last = min(n - 2, steepest + cycle - max(2, int(0.04 * rate)), peak + int(0.45 * rate))
        if last <= peak + 1:
            continue
        fall = peak
        for i in range(peak, last + 1):
            if sharp[i] < sharp[fall]:
                fall = i
        for i in range(peak + 1, fall):
            if sharp[i] <= 0.95 * sharp[fall] and sharp[i] <= sharp[i - 1] and sharp[i] < sharp[i + 1]:
                dip = sharp[i]
                for j in range(i, fall):
                    dip = max(dip, sharp[j])
                if dip > 0.8 * sharp[i]:
                    fall = i
                    break
        marks[k, T_DPDT_MIN] = vertex(sharp, fall)
        marks[k, DPDT_MIN] = sharp[fall]
        if 0 < fall < n - 1:
            a, b, d = sharp[fall - 1], sharp[fall], sharp[fall + 1]
            bend = a - 2.0 * b + d
            if bend > 0.0:
                marks[k, DPDT_MIN] = b - 0.125 * (a - d) ** 2 / bend

        # end-diastole: the corner before the rise
        floor = level[steepest]
        for i in range(fall, min(n, fall + int(0.35 * rate), steepest + cycle)):
            if level[i] < floor:
                floor = level[i]
        pulse = level[peak] - floor
        if not use_chord:
            marks[k, T_ED] = corner(
                pressure, steepest - span, steepest, pulse, lobe, slope_weights, bend_weights
            )
            if lowest > steepest - span:  # still falling before: the onset is not before the turn
                marks[k, T_ED] = max(marks[k, T_ED], float(lowest))
        marks[k, T_ED_CHORD] = chord_corner(level, steepest, int(0.15 * rate))
        if use_chord:
            marks[k, T_ED] = marks[k, T_ED_CHORD]

        # systolic shoulder: a dip of the slope between its maximum and the peak
        need = 0.05 * marks[k, DPDT_MAX]
        for i in range(steepest + 1, peak):
            if sharp[i] < sharp[i - 1] and sharp[i] <= sharp[i + 1]:
                after = sharp[i]
                for j in range(i, peak):
                    after = max(after, sharp[j])
                if after - sharp[i] >= need:
                    marks[k, T_INFLECTION] = vertex(sharp, i)
                    break

        if not brief:
            marks[k, T_KNEE], marks[k, T_BEND] = knee(pressure, peak, fall, bend_weights)
    # marks that need the onset of the next beat
    for k in range(count):
        fall = marks[k, T_DPDT_MIN]
        if not np.isfinite(fall):
            continue
        onset = ends[k]
        if not np.isfinite(onset) and k + 1 < count:
            onset = marks[k + 1, T_ED]
        if np.isfinite(onset) and onset > fall:
            reach = min(0.5 * (onset - fall), 0.35 * rate)
        else:
            reach = 0.2 * rate
        start = int(np.ceil(fall))
        stop = min(n - 1, int(fall + reach))
        if stop > start:
            low = start
            for i in range(start, stop + 1):
                if level[i] < level[low]:
                    low = i
            marks[k, T_MINIMUM] = vertex(level, low) if start < low < stop else float(low)
    for k in range(1, count):
        cycle = centre[k] - centre[k - 1]
        if brief or cycle < 0.6 * rate:
            continue
        marks[k, T_A_ONSET] = a_wave_onset(
            pressure, level, marks[k, T_ED], marks[k - 1, T_MINIMUM], rate, slope_weights, marks[k, DPDT_MAX]
        )
    return marks


@compiled
def a_wave_onset(pressure, level, onset, minimum, rate, slope_weights, steepest):
    """Start of an atrial bump in [onset - 200 ms, onset - 40 ms]; NaN when there is none.

    A bump is a maximum of the 50 ms slope of at least 5 % of dP/dt max and 15 mmHg/s, that rises
    0.5 mmHg or more; its start is the last minimum of the slope before it.
    """
    if not np.isfinite(onset):
        return np.nan
    first = int(onset - 0.2 * rate)
    if np.isfinite(minimum):
        first = max(first, int(minimum) + 1)
    last = int(onset - 0.04 * rate)
    if last - first < 4 or first < 1:
        return np.nan
    n = last - first + 1
    slope = np.empty(n)
    for j in range(n):
        slope[j] = slope_at(pressure, first + j, slope_weights)
    for j in range(n - 2, 0, -1):
        if slope[j] >= slope[j - 1] and slope[j] > slope[j + 1] and slope[j] >= max(0.05 * steepest, 15.0):
            i = j
            while i > 0 and slope[i - 1] < slope[i]:
                i -= 1
            top = j
            while top < n - 1 and slope[top] > 0.0:
                top += 1
            if i > 0 and level[first + top] - level[first + i] >= 0.5 and slope[i] < 0.5 * slope[j]:
                return float(first + i)
            return np.nan
    return np.nan


@compiled
def mark_notches(pressure, level, sharp, marks, cycle, rate, bend_weights):
    """Dicrotic notch of each pulmonary-artery beat, array (n_beats,); NaN when it cannot be seen.

    The first local minimum of the pressure within 150 ms after the steepest fall that the pressure
    climbs out of by 0.3 mmHg; else the largest second derivative there, if it stands out threefold
    from the median size of the second derivative over the beat.
    """
    out = np.full(marks.shape[0], np.nan)
    n = level.size
    for k in range(marks.shape[0]):
        fall = marks[k, T_DPDT_MIN]
        if not np.isfinite(fall):
            continue
        start = int(np.ceil(fall))
        stop = min(n - 2, start + int(0.15 * rate))
        for i in range(start + 1, stop):
            if level[i] <= level[i - 1] and level[i] < level[i + 1]:
                climb = level[i]
                for j in range(i, min(n, i + int(0.12 * rate))):
                    if level[j] < level[i]:
                        break
                    climb = max(climb, level[j])
                if climb - level[i] >= 0.3:
                    out[k] = vertex(level, i)
                    break
        if np.isfinite(out[k]):
            continue
        length = int(min(cycle[k], n - 1 - start)) if np.isfinite(cycle[k]) else 0
        if length < 8:
            continue
        size = np.empty((length + 3) // 4)
        for j in range(size.size):  # every fourth sample tells the usual size as well
            size[j] = abs(bend_at(pressure, start + 4 * j, bend_weights))
        usual = np.nanmedian(size)
        best = -1
        largest = 0.0
        for i in range(start, stop):
            bend = bend_at(pressure, i, bend_weights)
            if bend > largest:
                largest = bend
                best = i
        if best > start and largest >= 3.0 * usual:
            out[k] = float(best)
    return out
