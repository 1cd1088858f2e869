"""Compiled loops over beats of two channels: RV pressure beside PA pressure."""

from __future__ import annotations

import numpy as np

from discovery.beats.measure_loops import first_crossing_up, integral
from discovery.kernels.compiled import compiled


@compiled
def partners(upstroke, candidate, before, after):
    """For each upstroke the first candidate in [upstroke - before, upstroke + after]; -1 if none."""
    out = np.full(upstroke.size, -1, dtype=np.int64)
    j = 0
    for k in range(upstroke.size):
        while j < candidate.size and candidate[j] < upstroke[k] - before:
            j += 1
        if j < candidate.size and candidate[j] <= upstroke[k] + after:
            out[k] = j
    return out


@compiled
def upstroke_delays(rv_level, rv_onset, rv_peak, rv_top, pa_level, pa_onset, pa_peak, pa_top, pa_pulse):
    """Delay of the PA upstroke behind the RV upstroke at half of the PA pulse below either peak, samples.

    While blood is ejected the two pressures are nearly the same, so the delay is that of the line.
    """
    out = np.full(rv_onset.size, np.nan)
    for k in range(rv_onset.size):
        rv = first_crossing_up(rv_level, rv_onset[k], rv_peak[k], rv_top[k] - 0.5 * pa_pulse[k])
        pa = first_crossing_up(pa_level, pa_onset[k], pa_peak[k], pa_top[k] - 0.5 * pa_pulse[k])
        out[k] = pa - rv
    return out


@compiled
def valve_events(rv_level, rv_onset, rv_peak, pa_foot_pressure, closure):
    """Pulmonary valve opening (position) and mean RV pressure from it to the closure position."""
    opening = np.full(rv_onset.size, np.nan)
    mean = np.full(rv_onset.size, np.nan)
    for k in range(rv_onset.size):
        opening[k] = first_crossing_up(rv_level, rv_onset[k], rv_peak[k], pa_foot_pressure[k])
        if closure[k] > opening[k]:
            mean[k] = integral(rv_level, opening[k], closure[k]) / (closure[k] - opening[k])
    return opening, mean


@compiled
def lowest_before(level, position, reach):
    """Lowest value of `level` in the `reach` samples up to each position; NaN where there is none."""
    out = np.full(position.size, np.nan)
    for k in range(position.size):
        if not np.isfinite(position[k]):
            continue
        first = max(0, int(np.ceil(position[k] - reach)))
        last = min(level.size - 1, int(np.ceil(position[k])))
        for i in range(first, last + 1):
            if not (level[i] >= out[k]):
                out[k] = level[i]
    return out
