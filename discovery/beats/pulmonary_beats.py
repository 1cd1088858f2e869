"""Beats of the pulmonary artery channel, alone and paired with those of the ventricle."""

from __future__ import annotations

import numpy as np

from discovery.beats.detect import detect_beats
from discovery.beats.filters import correlation_weights, curvature_window
from discovery.beats.landmarks import MARKS, Landmarks, Trace, mark

PAIR_BEFORE_S = 0.10
PAIR_AFTER_S = 0.28
FOOT_REACH_S = 0.08
DELAY_LIMITS_S = (-0.05, 0.2)
READINGS = (
    "t_pa_foot",
    "t_pa_dpdt_max",
    "t_pa_peak",
    "t_pa_notch",
    "t_pa_end",
    "pa_interval",
    "pa_p_systolic",
    "pa_p_foot",
    "pa_mean",
    "pa_spread",
    "pa_slope_max",
    "pa_p_notch",
)


def pa_readings(trace: Trace, marks: Landmarks) -> dict[str, np.ndarray]:
    """What PA features are made of, arrays (n_beats,), from landmarks on a PA trace."""
    from discovery.beats.landmark_loops import COLUMNS, mark_notches
    from discovery.beats.pair_loops import lowest_before

    rate = trace.rate_hz
    table = np.full((len(marks), COLUMNS), np.nan)
    for j, name in enumerate(MARKS):
        table[:, j] = marks[name] * rate
    interval = marks["t_next_ed"] - marks["t_ed"]
    notch = mark_notches(
        trace.raw,
        trace.level,
        trace.slope,
        table,
        interval * rate,
        float(rate),
        correlation_weights(curvature_window(rate), 2, float(rate)),
    )
    sample = np.arange(trace.level.size, dtype=float)
    return {
        "t_pa_foot": marks["t_ed"],
        "t_pa_dpdt_max": marks["t_dpdt_max"],
        "t_pa_peak": marks["t_systolic_peak"],
        "t_pa_notch": notch / rate,
        "t_pa_end": marks["t_next_ed"],
        "pa_interval": interval,
        "pa_p_systolic": marks["p_systolic"],
        "pa_p_foot": lowest_before(trace.level, marks["t_ed"] * rate, FOOT_REACH_S * rate),
        "pa_mean": marks["mean_beat"],
        "pa_spread": marks["spread"],
        "pa_slope_max": marks["dpdt_max"],
        "pa_p_notch": np.where(
            np.isfinite(notch), np.interp(np.nan_to_num(notch), sample, trace.level), np.nan
        ),
    }


def pair(
    rv: Trace, rv_marks: Landmarks, pa: Trace, *, window: np.ndarray, delay_s: float | None = None
) -> dict[str, np.ndarray]:
    """PA readings of the PA beat that belongs to each RV beat, and the events that need both.

    window : int array (n_beats,), the window of each beat; the delay of the PA line is the median over a
    window (`delay_s` when it is known). Adds `t_pvo`, `t_pa_notch_aligned`, `mean_ejection_valves`,
    `pa_delay_s`, `t_pa_foot_known` (missing unless the delay was given).
    """
    from discovery.beats import pair_loops as loops

    rate = rv.rate_hz
    found = detect_beats(pa.raw, rate, level=pa.level, slope=pa.slope)
    own = mark(pa, found, brief=True)
    readings = pa_readings(pa, own)
    which = loops.partners(
        np.nan_to_num(rv_marks["t_dpdt_max"], nan=-1.0), found / rate, PAIR_BEFORE_S, PAIR_AFTER_S
    )
    paired = {
        name: np.where(which >= 0, values[which] if values.size else np.nan, np.nan)
        for name, values in readings.items()
    }
    pulse = paired["pa_p_systolic"] - paired["pa_p_foot"]
    lag = (
        loops.upstroke_delays(
            rv.level,
            rv_marks["t_ed"] * rate,
            rv_marks["t_systolic_peak"] * rate,
            rv_marks["p_systolic"],
            pa.level,
            paired["t_pa_foot"] * rate,
            paired["t_pa_peak"] * rate,
            paired["pa_p_systolic"],
            pulse,
        )
        / rate
    )
    lag[~((lag > DELAY_LIMITS_S[0]) & (lag < DELAY_LIMITS_S[1]))] = np.nan
    delay = np.full(len(rv_marks), np.nan if delay_s is None else delay_s)
    if delay_s is None:
        for w in np.unique(window):
            inside = window == w
            seen = lag[inside & np.isfinite(lag)]
            if seen.size:
                delay[inside] = np.median(seen)
    paired["pa_delay_s"] = delay
    paired["t_pa_notch_aligned"] = paired["t_pa_notch"] - delay
    opening, ejection = loops.valve_events(
        rv.level,
        rv_marks["t_ed"] * rate,
        rv_marks["t_systolic_peak"] * rate,
        paired["pa_p_foot"],
        paired["t_pa_notch_aligned"] * rate,
    )
    paired["t_pvo"] = opening / rate
    paired["mean_ejection_valves"] = ejection
    paired["t_pa_foot_known"] = paired["t_pa_foot"] - (np.nan if delay_s is None else delay_s)
    return paired
