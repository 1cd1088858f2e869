"""Quality that needs beats: ringing on the ensemble beat, likeness to the template, shifts of level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.recordings.units import PRESSURE

LEAST_SHIFT, MOST_SPREAD, MOST_PULSE_CHANGE = 3.0, 1.0, 1.0  # mmHg
SHIFT_BEATS, STEADY_BEATS = 5, 12  # beats that a shift may take, and that stay on either side


def whip_index(beat: np.ndarray, rate_hz: float, fall: int, developed_pressure: float) -> float:
    """Size of the second dip after the steepest fall over the developed pressure, on an ensemble beat.

    `beat` (n,) is pressure in mmHg, `fall` the index of its steepest fall. First dip: first minimum
    within 140 ms; rebound: maximum within 70 ms after it; second dip: minimum between the rebound and
    140 ms after the first. Ringing has a second dip, a true dip and plateau has none. 0 without one,
    NaN where the beat is too short or has no first dip.
    """
    if not developed_pressure > 0:
        return np.nan
    long, short = round(0.140 * rate_hz), round(0.070 * rate_hz)
    stretch = beat[fall : fall + long + 1]
    if fall < 0 or stretch.size < 3 or not np.isfinite(stretch).all():
        return np.nan
    rising = np.flatnonzero(np.diff(stretch) > 0)
    if not rising.size:
        return 0.0 if stretch.size == long + 1 else np.nan
    first = fall + int(rising[0])
    rebound = first + int(np.argmax(beat[first : first + short + 1]))
    after = beat[rebound : first + long + 1]
    if after.size < 2 or not np.isfinite(after).all():
        return np.nan
    return float((beat[rebound] - after.min()) / developed_pressure)


def template_correlation(beats: np.ndarray) -> np.ndarray:
    """Pearson correlation of each beat with the median beat of the window.

    `beats` (m, n) are beats of one window, resampled to the same number of points (200). Returns (m,);
    NaN for a constant beat and where fewer than three beats make a template.
    """
    if beats.shape[0] < 3:
        return np.full(beats.shape[0], np.nan)
    template = np.median(beats, axis=0)
    t = template - template.mean()
    b = beats - beats.mean(axis=1, keepdims=True)
    scale = np.sqrt((b**2).sum(axis=1) * (t**2).sum())
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(scale > 0, (b @ t) / scale, np.nan)


@dataclass(frozen=True)
class LevelShift:
    """All levels of a channel moved by `shift` mmHg at `at_s`: the transducer moved, not the patient."""

    at_s: float
    shift: float
    pulse_change: float
    spread: float

    @property
    def water_cm(self) -> float:
        """The height of water (cm) that the shift amounts to."""
        return self.shift / PRESSURE["cmH2O"]


def level_shift(before: dict[str, float], after: dict[str, float], at_s: float = np.nan) -> LevelShift | None:
    """The shift between two sets of levels (mmHg; the same keys), or None when it is no pure shift.

    Pure: every level moves by the same amount within 1 mmHg, at least 3 mmHg, while pulse pressure
    (greatest minus least level) changes by less than 1 mmHg.
    """
    moved = np.array([after[key] - before[key] for key in before])
    shift = float(np.median(moved))
    spread = float(np.ptp(moved))
    pulse = float(np.ptp(list(after.values())) - np.ptp(list(before.values())))
    if abs(shift) < LEAST_SHIFT or spread > MOST_SPREAD or abs(pulse) >= MOST_PULSE_CHANGE:
        return None
    return LevelShift(at_s, shift, pulse, spread)


def level_shifts(
    times: np.ndarray, levels: dict[str, np.ndarray], pulse: np.ndarray, beats: int = STEADY_BEATS
) -> list[LevelShift]:
    """Level shifts along consecutive beats at `times` (m,), from `levels` (each (m,)) and `pulse` (m,).

    The medians of `beats` beats on either side of up to 5 beats are compared. So that breathing and an
    irregular rhythm are not taken for a shift, the levels on either side must scatter by less than a
    quarter of it (robust standard deviation). Of neighbouring beats that all show one, the middle is kept.
    """
    m = times.size
    if m < 2 * beats + SHIFT_BEATS + 1:
        return []
    stack = np.array([*levels.values(), pulse])
    view = np.lib.stride_tricks.sliding_window_view(stack, beats, axis=1)
    middle = np.median(view, axis=2)
    # Only where the first level moved far enough is the scatter worth computing.
    step = beats + SHIFT_BEATS
    moved = middle[:, step:] - middle[:, :-step]
    shift = np.median(moved[:-1], axis=0)
    pure = (np.abs(shift) >= LEAST_SHIFT) & (np.ptp(moved[:-1], axis=0) <= MOST_SPREAD)
    pure &= np.abs(moved[-1]) < MOST_PULSE_CHANGE
    at = np.flatnonzero(pure)
    if not at.size:
        return []
    scatter = np.zeros(at.size)
    for side in (at, at + step):
        off = np.abs(view[:-1, side] - middle[:-1, side, None])
        scatter = np.maximum(scatter, 1.4826 * np.median(off, axis=2).max(axis=0))
    at = at[scatter < 0.25 * np.abs(shift[at])]
    found = []
    for run in np.split(at, np.flatnonzero(np.diff(at) > step) + 1):
        if run.size:
            size = np.abs(shift[run])
            i = int(np.median(run[size >= 0.95 * size.max()]))
            when = float(times[min(i + beats + SHIFT_BEATS // 2, m - 1)])
            found.append(LevelShift(when, float(shift[i]), float(moved[-1, i]), float(np.ptp(moved[:-1, i]))))
    return found
