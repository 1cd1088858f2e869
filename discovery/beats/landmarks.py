"""The landmarks of each beat, as defined in the feature dictionary, and the pressures read at them."""

from __future__ import annotations

import functools
import itertools
from dataclasses import dataclass

import numpy as np

from discovery.beats.filters import (
    bridge_gaps,
    correlation_weights,
    curvature_window,
    derivative_window,
    level_of_bridged,
    slope_of_bridged,
)

MARKS = (
    "t_dpdt_max",
    "t_ed",
    "t_ed_chord",
    "t_systolic_peak",
    "t_inflection",
    "t_knee",
    "t_dpdt_min",
    "t_diastolic_minimum",
    "t_a_onset",
    "t_bend",
)
READINGS = (
    "p_systolic",
    "p_minimum",
    "p_ed",
    "p_next_ed",
    "p_at_dpdt_max",
    "p_knee",
    "p_inflection",
    "p_pre_a",
    "mean_beat",
    "mean_systole",
    "mean_diastole",
    "mean_ejection",
    "area_systole",
    "area_beat",
    "negative_share",
    "slope_squared",
    "dpdt_at_fixed",
    "diastolic_slope",
    "rise_fraction",
    "t_tvo",
    "spread",
)
CHORD_ONLY_BELOW_HZ = 100.0
ORDER = ("t_ed", "t_dpdt_max", "t_systolic_peak", "t_dpdt_min", "t_diastolic_minimum")


@dataclass(frozen=True)
class Trace:
    """One pressure channel with its filtered forms, all on the same samples."""

    rate_hz: float
    raw: np.ndarray  # gaps bridged by straight lines
    level: np.ndarray
    slope: np.ndarray
    missing: np.ndarray
    gaps: bool  # whether anything is missing

    @classmethod
    def of(cls, pressure: np.ndarray, rate_hz: float) -> Trace:
        """Filter a pressure array (n_samples,), mmHg; non-finite is missing."""
        raw, missing = bridge_gaps(pressure)
        level = level_of_bridged(raw, rate_hz)
        slope = slope_of_bridged(raw, rate_hz, derivative_window(rate_hz))
        gaps = bool(missing.any())
        if gaps:
            level[missing] = np.nan
            slope[missing] = np.nan
        return cls(rate_hz, raw, level, slope, missing, gaps)


@dataclass(frozen=True)
class Landmarks:
    """Landmarks of beats: `values[name]` is an array (n_beats,).

    Times (`t_*`) are seconds from the first sample; pressures mmHg; areas mmHg.s; `dpdt_*` mmHg/s.
    """

    values: dict[str, np.ndarray]

    def __getitem__(self, name: str) -> np.ndarray:
        return self.values[name]

    def __len__(self) -> int:
        return self.values["t_ed"].size


@functools.lru_cache(maxsize=16)
def corner_lobe(rate_hz: float) -> float:
    """Half-width at half height, in samples, of what the curvature filter makes of a sharp corner."""
    weights = correlation_weights(curvature_window(rate_hz), 2, rate_hz)
    offset = np.arange(weights.size) - weights.size // 2
    shift = np.linspace(0.0, weights.size / 2, 2001)
    response = np.maximum(offset[None, :] - shift[:, None], 0.0) @ weights
    return float(shift[np.argmax(response < 0.5 * response[0])])


def mark(
    trace: Trace,
    upstrokes: np.ndarray,
    *,
    venous: np.ndarray | None = None,
    end_s: np.ndarray | None = None,
    brief: bool = False,
) -> Landmarks:
    """Landmarks of the beats whose slow upstrokes are given, with the pressures read at them.

    Parameters
    ----------
    trace : Trace
    upstrokes : int array (n_beats,)
        Samples as returned by `detect_beats`, increasing.
    venous : array (n_samples,), mmHg, optional
        Central venous pressure aligned with the trace; it decides when the tricuspid valve opens.
    end_s : array (n_beats,), optional
        Where each beat ends; NaN (default) takes the onset of the next.
    brief : bool
        Leave out the knee and the atrial bump, which a pulmonary artery does not have.

    Definitions: feature dictionary, part 2. End-diastole is the corner of greatest curvature
    (Mynard 2008, IEEE Trans Biomed Eng 55:2651, with our scaling), below 100 samples a second the
    greatest distance below the chord.
    """
    from discovery.beats import landmark_loops, measure_loops

    window = curvature_window(trace.rate_hz)
    rate = float(trace.rate_hz)
    upstrokes = np.asarray(upstrokes, dtype=np.int64)
    ends = np.full(upstrokes.size, np.nan) if end_s is None else np.asarray(end_s, dtype=float) * rate
    marks = landmark_loops.mark_beats(
        trace.raw,
        trace.level,
        trace.slope,
        upstrokes,
        ends,
        rate,
        corner_lobe(rate),
        correlation_weights(window, 1, rate),
        correlation_weights(window, 2, rate),
        rate < CHORD_ONLY_BELOW_HZ,
        brief,
    )
    read = measure_loops.read_beats(
        trace.level, trace.slope, marks, ends, np.empty(0) if venous is None else venous, rate
    )
    values = {name: marks[:, j] / rate for j, name in enumerate(MARKS)}
    values["dpdt_max"] = marks[:, landmark_loops.DPDT_MAX].copy()
    values["dpdt_min"] = marks[:, landmark_loops.DPDT_MIN].copy()
    for j, name in enumerate(READINGS):
        values[name] = read[:, j] / rate if name.startswith("t_") else read[:, j].copy()
    following = np.append(values["t_ed"][1:], np.nan) if upstrokes.size else np.empty(0)
    values["t_next_ed"] = np.where(np.isfinite(ends), ends / rate, following)
    return Landmarks(values)


def in_order(landmarks: Landmarks) -> np.ndarray:
    """Whether each beat passes the order test, bool array (n_beats,).

    Onset < steepest rise < peak < steepest fall < early-diastolic minimum < next onset.
    """
    times = [landmarks[name] for name in (*ORDER, "t_next_ed")]
    good = np.ones(len(landmarks), dtype=bool)
    for before, after in itertools.pairwise(times):
        good &= before < after
    return good


def onset_is_doubtful(landmarks: Landmarks, trace: Trace) -> np.ndarray:
    """Beats whose two definitions of end-diastole differ by more than 24 ms or 2 mmHg, bool (n_beats,)."""
    corner, chord = landmarks["t_ed"], landmarks["t_ed_chord"]
    sample = np.arange(trace.level.size) / trace.rate_hz
    apart = np.abs(corner - chord) > 0.024
    rise = np.interp(corner, sample, trace.level) - np.interp(chord, sample, trace.level)
    return apart | (np.abs(rise) > 2.0) | ~np.isfinite(corner)
