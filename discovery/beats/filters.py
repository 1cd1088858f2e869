"""The two filters every measurement rests on: one for pressure levels, one for derivatives.

Levels are read from a zero-phase Butterworth filter, rates of change from a Savitzky-Golay
polynomial of order 3. A gap stays a gap: it is bridged by a straight line while filtering and is
missing again in the result, so it cannot ring into its neighbours.
"""

from __future__ import annotations

import functools
import math

import numpy as np
from scipy.ndimage import correlate1d
from scipy.signal import butter, savgol_coeffs, sosfilt_zi

LEVEL_CUTOFF_HZ = 40.0
DERIVATIVE_HALF_WINDOW_S = 0.0075
CURVATURE_HALF_WINDOW_S = 0.025
POLYNOMIAL_ORDER = 3


def level_cutoff_hz(rate_hz: float) -> float:
    """Cut-off of the level filter: 40 Hz, or 0.4 of a low sampling rate."""
    return min(LEVEL_CUTOFF_HZ, 0.4 * rate_hz)


def derivative_window(rate_hz: float) -> int:
    """Samples in the derivative filter: about 15 ms, odd, at least 5."""
    return max(5, 2 * math.floor(2 * DERIVATIVE_HALF_WINDOW_S * rate_hz + 1e-9) + 1)


def curvature_window(rate_hz: float) -> int:
    """Samples in the filter for second derivatives: about 50 ms, odd, at least 5."""
    return max(5, 2 * math.floor(CURVATURE_HALF_WINDOW_S * rate_hz + 1e-9) + 1)


def bridge_gaps(signal: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A copy without missing samples (straight lines across gaps) and where they were.

    Parameters
    ----------
    signal : array (n_samples,)
        Non-finite is missing.

    Returns
    -------
    bridged : array (n_samples,), float64
        All zero when nothing was observed.
    missing : bool array (n_samples,)
    """
    bridged = np.array(signal, dtype=np.float64)
    missing = ~np.isfinite(bridged)
    if missing.any():
        here = np.flatnonzero(~missing)
        gone = np.flatnonzero(missing)
        bridged[gone] = np.interp(gone, here, bridged[here]) if here.size else 0.0
    return bridged, missing


@functools.lru_cache(maxsize=32)
def low_pass_sections(cutoff_hz: float, rate_hz: float) -> np.ndarray:
    """Second-order Butterworth low-pass as second-order sections."""
    return butter(2, cutoff_hz, fs=rate_hz, output="sos")


@functools.lru_cache(maxsize=32)
def _section(cutoff_hz: float, rate_hz: float) -> tuple[tuple[float, ...], int]:
    """b0, b1, b2, a1, a2 and the steady state of the section, and how far it is extended at the ends."""
    sections = low_pass_sections(cutoff_hz, rate_hz)
    b0, b1, b2, _, a1, a2 = sections[0].tolist()
    taps = 3 - min(int((sections[:, 2] == 0).sum()), int((sections[:, 5] == 0).sum()))
    return (b0, b1, b2, a1, a2, *sosfilt_zi(sections)[0].tolist()), 3 * taps


def zero_phase_low_pass(signal: np.ndarray, cutoff_hz: float, rate_hz: float) -> np.ndarray:
    """Second-order Butterworth low-pass forward and backward, array (n_samples,), as scipy's `sosfiltfilt`.

    `signal` has at least 16 samples and none missing.
    """
    from discovery.beats.filter_loops import forward_backward

    numbers, pad = _section(cutoff_hz, rate_hz)
    return forward_backward(np.ascontiguousarray(signal), *numbers, pad)


def level_filter(signal: np.ndarray, rate_hz: float) -> np.ndarray:
    """Low-passed pressure for reading levels, array (n_samples,), unit of `signal`.

    Butterworth, second order, forward and backward (zero phase), cut-off `level_cutoff_hz`.
    Missing samples stay missing. A stretch shorter than 16 samples is returned as it came.
    """
    bridged, missing = bridge_gaps(signal)
    smooth = bridged if bridged.size < 16 else level_of_bridged(bridged, rate_hz)
    if missing.any():
        smooth[missing] = np.nan
    return smooth


def level_of_bridged(bridged: np.ndarray, rate_hz: float) -> np.ndarray:
    """The level filter of a signal without gaps, array (n_samples,); a copy of one below 16 samples."""
    if bridged.size < 16:
        return bridged.copy()
    return zero_phase_low_pass(bridged, level_cutoff_hz(rate_hz), float(rate_hz))


def derivative(
    signal: np.ndarray, rate_hz: float, *, window: int | None = None, order: int = 1
) -> np.ndarray:
    """Savitzky-Golay derivative, array (n_samples,), unit of `signal` per second to the `order`.

    Polynomial of order 3 over `derivative_window` samples (first derivative) or
    `curvature_window` samples (second). Its gain against an ideal differentiator is 0.988 at
    20 Hz for 250 samples a second. A derivative that would use a missing sample is missing.
    """
    if window is None:
        window = derivative_window(rate_hz) if order == 1 else curvature_window(rate_hz)
    bridged, missing = bridge_gaps(signal)
    slope = slope_of_bridged(bridged, rate_hz, window, order)
    if bridged.size >= window and missing.any():
        spread = np.convolve(missing, np.ones(2 * (window // 2) + 1), mode="same") > 0.5
        slope[spread] = np.nan
    return slope


def slope_of_bridged(bridged: np.ndarray, rate_hz: float, window: int, order: int = 1) -> np.ndarray:
    """The derivative of a signal without gaps, array (n_samples,); all missing below `window` samples."""
    if bridged.size < window:
        return np.full(bridged.size, np.nan)
    half = window // 2
    slope = correlate1d(bridged, correlation_weights(window, order, float(rate_hz)), mode="nearest")
    ends = end_weights(window, order, float(rate_hz))
    slope[:half] = ends[:half] @ bridged[:window]
    slope[-half:] = ends[half:] @ bridged[-window:]
    return slope


def derivative_gain(frequency_hz: float, rate_hz: float, *, window: int | None = None) -> float:
    """Gain of the derivative filter against an ideal differentiator at one frequency."""
    window = derivative_window(rate_hz) if window is None else window
    weights = correlation_weights(window, 1, rate_hz)
    offset = np.arange(window) - window // 2
    omega = 2.0 * np.pi * frequency_hz
    return float((weights * np.sin(omega * offset / rate_hz)).sum() / omega)


@functools.lru_cache(maxsize=64)
def end_weights(window: int, order: int, rate_hz: float) -> np.ndarray:
    """Weights for the samples without a full window: the polynomial of the first, or last, full window.

    Rows: the first half-window of samples on the first `window` samples, then the last on the last.
    """
    half = window // 2
    rows = [
        savgol_coeffs(window, POLYNOMIAL_ORDER, deriv=order, delta=1.0 / rate_hz, pos=pos, use="dot")
        for pos in (*range(half), *range(window - half, window))
    ]
    return np.array(rows)


@functools.lru_cache(maxsize=64)
def correlation_weights(window: int, order: int, rate_hz: float) -> np.ndarray:
    """Savitzky-Golay weights to be multiplied with the samples in their own order."""
    weights = savgol_coeffs(window, POLYNOMIAL_ORDER, deriv=order, delta=1.0 / rate_hz, use="dot")
    weights.flags.writeable = False
    return weights
