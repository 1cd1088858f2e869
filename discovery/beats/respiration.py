"""Breathing as the beats show it: rate, cycles, phase, and which beats are end-expiratory."""

from __future__ import annotations

import numpy as np

BAND_HZ = (0.1, 0.6)
GRID_HZ = 4.0
MODES = ("spontaneous", "positive_pressure", "unknown")
LEAST_BEATS = 8


def _grid(time_s: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Band-passed baseline on an even grid, and its analytic signal; None when too short."""
    good = np.isfinite(time_s) & np.isfinite(value)
    t, x = np.asarray(time_s, dtype=float)[good], np.asarray(value, dtype=float)[good]
    if t.size < LEAST_BEATS or t[-1] - t[0] < 2.0 / BAND_HZ[0] / 2.0:
        return None
    grid = np.arange(t[0], t[-1], 1.0 / GRID_HZ)
    even = np.interp(grid, t, x)
    centred = grid - grid.mean()
    even = even - even.mean() - centred * (centred @ even) / (centred @ centred)
    # an even reflection on both sides keeps the ends from ringing
    n = even.size
    wide = np.concatenate([even[::-1], even, even[::-1]])
    spectrum = np.fft.fft(wide)
    frequency = np.fft.fftfreq(wide.size, 1.0 / GRID_HZ)
    top = min(BAND_HZ[1], 0.5 / np.median(np.diff(t)))
    keep = (frequency >= BAND_HZ[0]) & (frequency <= max(top, BAND_HZ[0] * 1.5))
    analytic = np.fft.ifft(np.where(keep, 2.0 * spectrum, 0.0))[n : 2 * n]
    return grid, analytic.real, np.angle(analytic)


def respiratory_rate_hz(time_s: np.ndarray, baseline: np.ndarray) -> float:
    """Dominant rate of the diastolic baseline between 0.1 and 0.6 Hz (at most half the heart rate).

    time_s, baseline : arrays (n_beats,). NaN when fewer than 8 beats or 10 s.
    """
    found = _grid(time_s, baseline)
    if found is None:
        return np.nan
    grid, band, _ = found
    if not np.ptp(band) > 1e-9:
        return np.nan
    padded = np.fft.rfft(band * np.hanning(band.size), 4096)
    frequency = np.fft.rfftfreq(4096, 1.0 / GRID_HZ)
    inside = (frequency >= BAND_HZ[0]) & (frequency <= BAND_HZ[1])
    return float(frequency[inside][np.argmax(np.abs(padded[inside]))])


def respiratory_phase(time_s: np.ndarray, baseline: np.ndarray) -> np.ndarray:
    """Phase of each beat in the cycle of its baseline, radians, 0 at the top; array (n_beats,)."""
    found = _grid(time_s, baseline)
    if found is None:
        return np.full(len(time_s), np.nan)
    grid, _, angle = found
    unrolled = np.interp(np.asarray(time_s, dtype=float), grid, np.unwrap(angle))
    return np.angle(np.exp(1j * unrolled))


def respiratory_cycles(time_s: np.ndarray, baseline: np.ndarray) -> np.ndarray:
    """Times at which the baseline crosses its mean upwards, array (n_cycles + 1,), s."""
    found = _grid(time_s, baseline)
    if found is None:
        return np.empty(0)
    grid, band, _ = found
    up = np.flatnonzero((band[:-1] < 0) & (band[1:] >= 0))
    crossing = grid[up] - band[up] / (band[up + 1] - band[up]) / GRID_HZ
    if crossing.size > 1:  # a ripple faster than the band is not a breath
        keep = np.r_[True, np.diff(crossing) >= 1.0 / BAND_HZ[1] * 0.8]
        crossing = crossing[keep]
    return crossing


def respiratory_swing(time_s: np.ndarray, value: np.ndarray, baseline: np.ndarray | None = None) -> float:
    """Median over respiratory cycles of largest minus smallest value inside the cycle.

    time_s, value : arrays (n_beats,). `baseline` decides the cycles (default: `value` itself).
    NaN without a whole cycle of at least 3 beats.
    """
    t, x = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    return cycle_swings(t, x, respiratory_cycles(t, x if baseline is None else baseline))


def cycle_swings(time_s: np.ndarray, value: np.ndarray, cycles: np.ndarray) -> float:
    """Median over given cycles (times of their bounds, s) of largest minus smallest value inside."""
    t, x = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    swings = []
    for start, stop in zip(cycles[:-1], cycles[1:]):
        if stop - start > 1.0 / BAND_HZ[0] * 1.2:
            continue
        inside = x[(t >= start) & (t < stop)]
        inside = inside[np.isfinite(inside)]
        if inside.size >= 3:
            swings.append(inside.max() - inside.min())
    return float(np.median(swings)) if swings else np.nan


def end_expiratory(baseline: np.ndarray, mode: str, *, time_s: np.ndarray | None = None) -> np.ndarray:
    """Beats at end-expiration, bool array (n_beats,).

    Spontaneous breathing: the top quarter of the baseline (early-diastolic minimum); positive-pressure
    ventilation: the bottom quarter; unknown: every beat with a baseline. A straight trend over the
    window is removed first. The sign is never guessed from the trace, for that is what is unknown.
    """
    from discovery.problems import InputError, Problem, nearest

    if mode not in MODES:
        raise InputError(
            [Problem(file="ventilation", wanted=f"one of {', '.join(MODES)}; {nearest(mode, MODES)}", found=mode)]
        )
    x = np.asarray(baseline, dtype=float)
    good = np.isfinite(x)
    if mode == "unknown" or good.sum() < 4:
        return good
    t = np.arange(x.size, dtype=float) if time_s is None else np.asarray(time_s, dtype=float)
    centred = t[good] - t[good].mean()
    flat = np.full(x.size, np.nan)
    trend = (centred @ x[good]) / (centred @ centred) if centred.any() else 0.0
    flat[good] = x[good] - trend * centred
    with np.errstate(invalid="ignore"):
        if mode == "spontaneous":
            return flat >= np.quantile(flat[good], 0.75)
        return flat <= np.quantile(flat[good], 0.25)


def end_expiratory_value(
    value: np.ndarray, baseline: np.ndarray, mode: str, *, time_s: np.ndarray | None = None
) -> float:
    """Mean of `value` over end-expiratory beats; with unknown ventilation the median of all beats."""
    x = np.asarray(value, dtype=float)
    chosen = x[end_expiratory(baseline, mode, time_s=time_s) & np.isfinite(x)]
    if chosen.size == 0:
        return np.nan
    return float(np.median(chosen)) if mode == "unknown" else float(chosen.mean())
