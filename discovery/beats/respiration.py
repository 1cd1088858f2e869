"""Breathing as the beats show it: rate, cycles, phase, and which beats are end-expiratory."""

from __future__ import annotations

import functools
import itertools
from dataclasses import dataclass

import numpy as np

BAND_HZ = (0.1, 0.6)
GRID_HZ = 4.0
MODES = ("spontaneous", "positive_pressure", "unknown")
LEAST_BEATS = 8


@dataclass(frozen=True)
class Breathing:
    """The respiratory band of a beat series on an even grid, `band` at `grid_s`, (n_grid,)."""

    grid_s: np.ndarray
    band: np.ndarray

    @functools.cached_property
    def rate_hz(self) -> float:
        """Dominant rate between 0.1 and 0.6 Hz; NaN when the band is empty."""
        if not (self.band.size and np.ptp(self.band) > 1e-9):
            return np.nan
        padded = np.abs(np.fft.rfft(self.band * _taper(self.band.size), 4096))
        first, last = (round(f * 4096 / GRID_HZ) for f in BAND_HZ)
        return float((first + np.argmax(padded[first : last + 1])) * GRID_HZ / 4096)

    def design(self, time_s: np.ndarray) -> np.ndarray | None:
        """Columns that a respiratory pattern can fill at each time, (n, 10); None without a rate.

        Mean and straight trend, a sine at the respiratory rate whose size and phase may drift (second
        order in time), and its double.
        """
        rate = self.rate_hz
        if not np.isfinite(rate):
            return None
        t = np.asarray(time_s, dtype=float)
        u = (t - t.mean()) / max(np.ptp(t) / 2, 1e-9)
        angle = 2 * np.pi * rate * t
        c, s = np.cos(angle), np.sin(angle)
        columns = [np.ones(t.size), u, c, s, u * c, u * s, u * u * c, u * u * s]
        return np.column_stack([*columns, np.cos(2 * angle), np.sin(2 * angle)])

    @property
    def cycles_s(self) -> np.ndarray:
        """Times at which the band crosses zero upwards, array (n_cycles + 1,)."""
        band = self.band
        up = np.flatnonzero((band[:-1] < 0) & (band[1:] >= 0))
        crossing = self.grid_s[up] - band[up] / (band[up + 1] - band[up]) / GRID_HZ
        if crossing.size > 1:  # a ripple faster than the band is not a breath
            crossing = crossing[np.r_[True, np.diff(crossing) >= 0.8 / BAND_HZ[1]]]
        return crossing


@functools.lru_cache(maxsize=64)
def _taper(size: int) -> np.ndarray:
    return np.hanning(size)


def breathing(time_s: np.ndarray, baseline: np.ndarray) -> Breathing:
    """The 0.1 to 0.6 Hz band (at most half the heart rate) of the diastolic baseline of the beats.

    time_s, baseline : arrays (n_beats,), s and mmHg. Empty with fewer than 8 beats or 10 s.
    """
    good = np.isfinite(time_s) & np.isfinite(baseline)
    t, x = np.asarray(time_s, dtype=float)[good], np.asarray(baseline, dtype=float)[good]
    if t.size < LEAST_BEATS or t[-1] - t[0] < 1.0 / BAND_HZ[0]:
        return Breathing(np.empty(0), np.empty(0))
    grid = np.arange(t[0], t[-1], 1.0 / GRID_HZ)
    even = np.interp(grid, t, x)
    centred = grid - grid.mean()
    even = even - even.mean() - centred * (centred @ even) / (centred @ centred)
    from discovery.beats.window_loops import finite_median

    # a mirrored copy on the right makes the ends meet
    n = even.size
    spectrum = np.fft.fft(np.concatenate([even, even[::-1]]))
    frequency = np.fft.fftfreq(2 * n, 1.0 / GRID_HZ)
    top = min(BAND_HZ[1], 0.5 / finite_median(np.diff(t)))
    keep = (np.abs(frequency) >= BAND_HZ[0]) & (np.abs(frequency) <= max(top, BAND_HZ[0] * 1.5))
    return Breathing(grid, np.fft.ifft(np.where(keep, spectrum, 0.0))[:n].real)


def respiratory_swing(time_s: np.ndarray, value: np.ndarray, baseline: np.ndarray | None = None) -> float:
    """Median over respiratory cycles of largest minus smallest value inside the cycle.

    time_s, value : arrays (n_beats,). `baseline` decides the cycles (default: `value` itself).
    NaN without a whole cycle of at least 3 beats.
    """
    t, x = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    return cycle_swings(t, x, breathing(t, x if baseline is None else baseline).cycles_s)


def cycle_swings(time_s: np.ndarray, value: np.ndarray, cycles: np.ndarray) -> float:
    """Median over given cycles (times of their bounds, s) of largest minus smallest value inside."""
    t, x = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    swings = []
    for start, stop in itertools.pairwise(cycles):
        if stop - start > 1.0 / BAND_HZ[0] * 1.2:
            continue
        inside = x[(t >= start) & (t < stop)]
        inside = inside[np.isfinite(inside)]
        if inside.size >= 3:
            swings.append(inside.max() - inside.min())
    return float(np.median(swings)) if swings else np.nan


def end_expiratory(
    baseline: np.ndarray, mode: str, *, time_s: np.ndarray | None = None, breath: Breathing | None = None
) -> np.ndarray:
    """Beats at end-expiration, bool array (n_beats,).

    Spontaneous breathing: the top quarter of the baseline (early-diastolic minimum); positive-pressure
    ventilation: the bottom quarter; unknown: every beat with a baseline. A straight trend, fitted together
    with a sine at the respiratory rate, is removed first (`breath`: the band of the baseline, when the
    caller has it already). The sign is never guessed from the trace, for that is what is unknown.
    """
    from discovery.problems import InputError, Problem, nearest

    if mode not in MODES:
        raise InputError(
            [
                Problem(
                    file="ventilation",
                    wanted=f"one of {', '.join(MODES)}; {nearest(mode, MODES)}",
                    found=mode,
                )
            ]
        )
    x = np.asarray(baseline, dtype=float)
    good = np.isfinite(x)
    if mode == "unknown" or good.sum() < 4:
        return good
    t = np.arange(x.size, dtype=float) if time_s is None else np.asarray(time_s, dtype=float)
    rate = (breathing(t, x) if breath is None else breath).rate_hz
    when = t[good] - t[good].mean()
    design = [np.ones(when.size), when]
    if np.isfinite(rate) and when.size >= 8:  # so that part of a breath is not taken for a trend
        design += [np.cos(2 * np.pi * rate * when), np.sin(2 * np.pi * rate * when)]
    coefficient = np.linalg.lstsq(np.column_stack(design), x[good], rcond=None)[0]
    flat = np.full(x.size, np.nan)
    flat[good] = x[good] - coefficient[1] * when
    count = max(1, int(good.sum()) // 4)
    order = np.argsort(-flat if mode == "spontaneous" else flat, kind="stable")  # missing last
    chosen = np.zeros(x.size, dtype=bool)
    chosen[order[:count]] = True
    return chosen


def end_expiratory_value(
    value: np.ndarray, baseline: np.ndarray, mode: str, *, time_s: np.ndarray | None = None
) -> float:
    """Median of `value` over end-expiratory beats; with unknown ventilation over all beats.

    A median, so that an odd beat at end-expiration does not speak for the breath; of a sine of size 1 it
    reads 0.92 of the top, where the mean of the same quarter reads 0.90.
    """
    x = np.asarray(value, dtype=float)
    chosen = x[end_expiratory(baseline, mode, time_s=time_s) & np.isfinite(x)]
    return float(np.median(chosen)) if chosen.size else np.nan
