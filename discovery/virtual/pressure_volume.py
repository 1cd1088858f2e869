"""What is true of each beat of a noise-free recording: end-systole, elastances, coupling, filling."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.virtual.circulation import Recorded


@dataclass(frozen=True)
class TrueBeats:
    """Per beat (n,): volumes mL, pressures mmHg (against atmosphere), elastances mmHg/mL.

    ed : the moment of ventricular activation; es : that of the largest activation. `ea` is end-systolic
    pressure over stroke volume, the volume that passed the pulmonary valve.
    """

    onset_s: np.ndarray
    edp: np.ndarray
    edv: np.ndarray
    esp: np.ndarray
    esv: np.ndarray
    sv: np.ndarray
    ea: np.ndarray
    peak: np.ndarray
    activation: np.ndarray
    largest_v: np.ndarray
    smallest_v: np.ndarray


def true_beats(recorded: Recorded) -> TrueBeats:
    """Beats that lie whole in the recording; ectopic ones included."""
    rate, onset = recorded.rate_hz, recorded.beats.onset
    first = np.ceil(onset * rate).astype(int)
    inside = np.flatnonzero((first[:-1] >= 0) & (first[1:] < recorded.samples.shape[0]))
    rows = []
    rv, volume, activation = recorded["rv"], recorded["rv_volume"], recorded["rv_activation"]
    flow = recorded["pulmonary_flow"]
    for k in inside:
        a, b = first[k], first[k + 1]
        es = a + int(np.argmax(activation[a:b]))
        sv = float(flow[a:b].sum() / rate)
        rows.append(
            (onset[k], rv[a], volume[a], rv[es], volume[es], sv, rv[es] / sv if sv > 0 else np.nan,
             rv[a:b].max(), activation[es], volume[a:b].max(), volume[a:b].min())
        )  # fmt: skip
    columns = np.array(rows, dtype=float).reshape(-1, 11).T
    return TrueBeats(*columns)


def end_systolic_line(recorded: Recorded, around: float = 0.0, rounds: int = 20) -> tuple[float, float, int]:
    """Slope (mmHg/mL) and intercept (mL) of the end-systolic pressure-volume line, and how many beats.

    End-systole of a beat is the largest P / (V - V0), with V0 found by repetition (Sagawa K, Suga H,
    Shoukas AA, Bakalar KM, Am J Cardiol 1977;40:748, from memory). `around` (mmHg, or an array (n,)) is the
    pressure outside the ventricle. It needs beats at several volumes, as in an occlusion of the venae cavae.
    """
    rate, onset = recorded.rate_hz, recorded.beats.onset
    first = np.ceil(onset * rate).astype(int)
    inside = np.flatnonzero((first[:-1] >= 0) & (first[1:] < recorded.samples.shape[0]))
    pressure, volume = recorded["rv"] - around, recorded["rv_volume"]
    v0, slope = 0.0, np.nan
    for _ in range(rounds):
        points = []
        for k in inside:
            cut = slice(first[k], first[k + 1])
            ratio = pressure[cut] / np.maximum(volume[cut] - v0, 1.0)
            at = int(np.argmax(ratio))
            points.append((volume[cut][at], pressure[cut][at]))
        v, p = np.array(points).T
        slope, level = np.polyfit(v, p, 1)
        moved = -level / slope
        if abs(moved - v0) < 1e-6:
            break
        v0 = moved
    return float(slope), float(v0), int(inside.size)
