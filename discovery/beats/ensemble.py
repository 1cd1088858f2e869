"""The averaged beat of a window, and everything that is measured on it rather than beat by beat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.beats.filters import correlation_weights, derivative_window
from discovery.beats.landmarks import Landmarks, Trace, mark
from discovery.beats.relaxation_fits import (
    MARGIN_MMHG,
    exponential_tau,
    fit_samples,
    half_time,
    logistic_tau,
    regression_tau,
    single_beat_pmax,
    sinusoid_pmax,
    weiss_tau,
)
from discovery.beats.shape import fractional_time_to_half_area, systolic_shape

LEAST_BEATS = 10
RUN_IN_S = 0.06
LEAST_BEFORE_S = 0.2
SHAPE_POINTS = 200


@dataclass(frozen=True)
class EnsembleBeat:
    """Mean of aligned beats: `pressure`, `level`, `slope`, `spread`, arrays (n,); dP/dt max at `anchor`.

    The beat begins at `t_ed` of its landmarks and ends at the last sample; what comes before is the end of
    the diastole before. `spread` is the standard deviation over beats.
    """

    rate_hz: float
    anchor: int
    pressure: np.ndarray
    level: np.ndarray
    slope: np.ndarray
    spread: np.ndarray
    n_beats: int
    landmarks: Landmarks

    @property
    def time_s(self) -> np.ndarray:
        """Seconds from dP/dt max, (n,)."""
        return (np.arange(self.pressure.size) - self.anchor) / self.rate_hz


def ensemble_beat(
    trace: Trace,
    anchor_s: np.ndarray,
    onset_s: np.ndarray,
    end_s: np.ndarray,
    *,
    least_beats: int = LEAST_BEATS,
    venous: np.ndarray | None = None,
    level_only: bool = False,
) -> EnsembleBeat | None:
    """Average beats aligned on dP/dt max and cut to the shortest; None with too few or broken beats.

    anchor_s, onset_s, end_s : arrays (n_beats,), seconds in the trace.
    level_only : average the low-passed pressure alone, for shapes that need no raw samples.
    At each instant the samples between the 10th and 90th percentile over beats are averaged.
    """
    from discovery.beats.ensemble_loops import aligned_mean

    anchor_s, onset_s, end_s = (np.asarray(v, dtype=float) for v in (anchor_s, onset_s, end_s))
    if anchor_s.size < least_beats:
        return None
    rate = trace.rate_hz
    before = int(np.ceil(max(np.max(anchor_s - onset_s) + RUN_IN_S, LEAST_BEFORE_S) * rate))
    after = int(np.floor(np.min(end_s - anchor_s) * rate))
    if before < 3 or before > 0.5 * rate or after < 0.15 * rate:
        return None
    positions = anchor_s * rate
    first, last = np.floor(positions).astype(np.int64) - before, np.floor(positions).astype(np.int64) + after
    inside = (first >= 1) & (last + 2 < trace.level.size)
    if trace.gaps:
        lost = np.concatenate([[0], np.cumsum(trace.missing)])
        inside &= lost[np.clip(last + 3, 0, lost.size - 1)] == lost[np.clip(first - 1, 0, lost.size - 1)]
    positions = positions[inside]
    if positions.size < least_beats:
        return None
    nothing = np.empty(0)
    if level_only:
        pressure, _, spread = aligned_mean(trace.level, nothing, positions, before, after)
        level = pressure
    else:
        pressure, level, spread = aligned_mean(trace.raw, trace.level, positions, before, after)
    if not (np.isfinite(pressure).all() and np.isfinite(level).all()):
        return None
    width = derivative_window(rate)
    half = width // 2
    padded = np.concatenate([np.full(half, np.nan), pressure, np.full(half, np.nan)])
    slope = np.correlate(padded, correlation_weights(width, 1, float(rate)), mode="valid")
    averaged = Trace(rate, pressure, level, slope, np.zeros(pressure.size, dtype=bool), False)
    beside = None
    if venous is not None:
        beside = aligned_mean(venous, nothing, positions, before, after)[0]
    landmarks = mark(
        averaged, np.array([before]), end_s=np.array([(pressure.size - 1) / rate]), venous=beside
    )
    return EnsembleBeat(rate, before, pressure, level, slope, spread, positions.size, landmarks)


def relaxation_samples(beat: EnsembleBeat, next_end_diastolic: float) -> slice:
    """Samples of the relaxation fit: steepest fall until within 2 mmHg of the next end-diastolic pressure."""
    fall = float(beat.landmarks["t_dpdt_min"][0]) * beat.rate_hz
    if not np.isfinite(fall) or not np.isfinite(next_end_diastolic):
        return slice(0, 0)
    first = int(np.ceil(fall - 1e-9))
    stop = float(beat.landmarks["t_diastolic_minimum"][0]) * beat.rate_hz
    last = int(stop) + 1 if np.isfinite(stop) else beat.pressure.size
    return slice(
        first, first + fit_samples(beat.pressure[first:last], next_end_diastolic, margin=MARGIN_MMHG)
    )


def ensemble_readings(beat: EnsembleBeat, next_end_diastolic: float) -> dict[str, float]:
    """Fits and shape of an averaged RV beat: the readings that ensemble features are made of."""
    found: dict[str, float] = {name: float(values[0]) for name, values in beat.landmarks.values.items()}
    rate = beat.rate_hz
    time = np.arange(beat.pressure.size) / rate
    window = relaxation_samples(beat, next_end_diastolic)
    t, p = time[window], beat.pressure[window]
    exponential = exponential_tau(t, p)
    found["tau_exponential"] = exponential.tau_ms
    found["tau_asymptote"] = exponential.asymptote_mmhg
    found["tau_amplitude"] = exponential.amplitude_mmhg
    found["tau_r2"] = exponential.r2
    found["tau_samples"] = float(exponential.samples)
    found["tau_start_s"] = float(t[0]) if t.size else np.nan
    found["tau_weiss"] = weiss_tau(t, p).tau_ms
    found["tau_logistic"] = logistic_tau(t, p).tau_ms
    found["tau_dpdt_p"] = (
        regression_tau(p, beat.slope[window]).tau_ms if np.isfinite(beat.slope[window]).all() else np.nan
    )
    found["tau_half"] = half_time(t, p)

    onset, rise, fall = found["t_ed"], found["t_dpdt_max"], found["t_dpdt_min"]
    edp, systolic = found["p_ed"], found["p_systolic"]
    floor = edp + 0.1 * (systolic - edp)
    first = np.flatnonzero((time >= onset - 1e-9) & (time <= rise + 1e-9))
    start = int(np.ceil(fall * rate - 1e-9)) if np.isfinite(fall) else beat.pressure.size
    below = np.flatnonzero(beat.pressure[start:] <= floor)
    second = np.arange(start, start + (int(below[0]) + 1 if below.size else 0))
    pieces = np.concatenate([first, second]).astype(int)
    found["pmax"] = found["pmax_period"] = found["pmax_shift"] = found["pmax_4p"] = np.nan
    if first.size >= 3 and second.size >= 3:
        peak = single_beat_pmax(time[pieces] - onset, beat.pressure[pieces], edp, systolic_pressure=systolic)
        found["pmax"], found["pmax_r2"] = peak.pmax_mmhg, peak.r2
        found["pmax_period"], found["pmax_shift"] = peak.period_s, peak.shift_s
        found["pmax_4p"] = sinusoid_pmax(
            time[pieces] - onset, beat.pressure[pieces], systolic_pressure=systolic
        ).pmax_mmhg

    if np.isfinite(onset) and fall > onset:
        grid = np.linspace(onset, fall, SHAPE_POINTS)
        shape = systolic_shape(np.interp(grid, time, beat.level) - edp)
        found["shape_form_factor"], found["shape_centroid"] = shape.form_factor, shape.centroid
        found["shape_skewness"], found["shape_half_area"] = shape.skewness, shape.half_area_time
    if np.isfinite(fall):
        from discovery.recordings.beat_quality import whip_index

        found["whip"] = whip_index(beat.level, rate, round(fall * rate), systolic - edp)
    return found


def pa_ensemble_readings(beat: EnsembleBeat) -> dict[str, float]:
    """Readings of an averaged PA beat: half-area time and the shoulder of its upstroke."""
    marks = beat.landmarks
    onset = float(marks["t_ed"][0]) * beat.rate_hz
    found = {
        "pa_ensemble_systolic": float(marks["p_systolic"][0]),
        "pa_ensemble_inflection": float(marks["p_inflection"][0]),
        "pa_ensemble_pulse": float(marks["p_systolic"][0] - marks["p_ed"][0]),
    }
    if np.isfinite(onset):
        place = np.linspace(onset, beat.level.size - 1, SHAPE_POINTS)
        whole = np.interp(place, np.arange(beat.level.size), beat.level)
        found["pa_half_area"] = fractional_time_to_half_area(whole)
    return found
