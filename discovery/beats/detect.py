"""Find beats: the upstrokes of a pressure, alone or gated by the R waves of an ECG.

Own rules on top of common ones: an upstroke must be steep against its neighbourhood (10 s), be
followed by a rise of pressure, and not be the second hump of the beat before. Time is linear in the
length of the record; the neighbourhood is local, so a record can be cut into pieces that overlap by
`MARGIN_S` and give the same beats.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import butter, sosfiltfilt

from discovery.beats.filters import bridge_gaps, derivative, level_filter, zero_phase_low_pass

MARGIN_S = 20.0
NEIGHBOURHOOD_S = 10.0
REFRACTORY_S = 0.25
RISE_WITHIN_S = 0.25
LEAST_RISE_MMHG = 4.0
SLOPE_SHARE = 0.36
SLOW_CUTOFF_HZ = 8.0
REBOUND_S = 0.1
SEARCH_RATE_HZ = 60.0
WITHOUT_R_S = 3.0
GATE_BEFORE_S = 0.08
GATE_AFTER_S = 0.15
USUAL_R_TO_UPSTROKE_S = 0.07
R_REFRACTORY_S = 0.2


def detect_beats(
    pressure: np.ndarray,
    rate_hz: float,
    *,
    r_times_s: np.ndarray | None = None,
    level: np.ndarray | None = None,
    slope: np.ndarray | None = None,
) -> np.ndarray:
    """Sample numbers of the steepest point of each upstroke below 8 Hz, int array (n_beats,), increasing.

    Parameters
    ----------
    pressure : array (n_samples,), mmHg
        Non-finite is missing; no beat is found where pressure is missing.
    rate_hz : float
    r_times_s : array (n_r,), seconds from the first sample, optional
        R waves. Each opens a window from 80 ms before to 150 ms plus the delay of the line after;
        the largest upstroke in it is the beat. Stretches without R waves for 3 s are searched as if
        there were no ECG.
    level, slope : arrays (n_samples,), optional
        Filtered pressure and its derivative, when the caller has them already.

    Source: thresholds are those of the feature dictionary (engineering); the rule against second
    humps is ours.
    """
    level = level_filter(pressure, rate_hz) if level is None else level
    sharp = derivative(pressure, rate_hz) if slope is None else slope
    if sharp.size < 3 or not np.isfinite(sharp).any():
        return np.empty(0, dtype=np.int64)
    from discovery.beats import detect_loops as loops

    # an upstroke below 8 Hz is as well seen at some 60 samples a second
    by = max(1, int(rate_hz // SEARCH_RATE_HZ))
    rate = rate_hz / by
    coarse, fall = loops.reduced(level, sharp, by)
    slow = slow_slope(coarse, rate)
    hop = max(1, round(rate))
    strong, pulse = _neighbourhood(coarse, slow, rate, hop)
    rise_span, back_span = max(2, round(RISE_WITHIN_S * rate)), max(2, round(0.15 * rate))
    alone = loops.select_upstrokes(
        slow,
        fall,
        coarse,
        hop,
        strong,
        SLOPE_SHARE,
        pulse,
        max(2, round(REFRACTORY_S * rate)),
        rise_span,
        back_span,
        max(2, round(REBOUND_S * rate)),
        LEAST_RISE_MMHG,
    )
    found = alone
    if r_times_s is not None and len(r_times_s) > 0:
        r = np.sort(np.asarray(r_times_s, dtype=float))
        delay = line_delay_s(alone / rate, r)
        block = np.clip((r * rate).astype(np.int64) // hop, 0, strong.size - 1)
        gated = loops.strongest_in_windows(
            slow,
            coarse,
            np.round((r - GATE_BEFORE_S) * rate).astype(np.int64),
            np.round((r + GATE_AFTER_S + delay) * rate).astype(np.int64),
            0.15 * np.nan_to_num(strong[block]),
            rise_span,
            back_span,
            np.maximum(2.0, 0.1 * np.nan_to_num(pulse[block])),
        )
        gated = np.unique(gated[gated >= 0])
        gated = gated[np.r_[True, np.diff(gated) > R_REFRACTORY_S * rate]] if gated.size else gated
        found = np.unique(np.concatenate([gated, alone[_distance(alone / rate, r) > WITHOUT_R_S]]))
    return np.clip(np.round(loops.refined(slow, found) * by + 0.5 * (by - 1)), 0, level.size - 1).astype(
        np.int64
    )


def _distance(times: np.ndarray, others: np.ndarray) -> np.ndarray:
    """Distance of each time to the nearest of the others (sorted, not empty)."""
    place = np.searchsorted(others, times)
    before, after = (others[np.clip(place + shift, 0, others.size - 1)] for shift in (-1, 0))
    return np.minimum(np.abs(before - times), np.abs(after - times))


def slow_slope(level: np.ndarray, rate_hz: float) -> np.ndarray:
    """Slope of the pressure below 8 Hz, array (n_samples,), mmHg/s; missing where `level` is.

    Steps of the digitiser and ringing of the line make several maxima of the sharp derivative in one
    upstroke; below 8 Hz an upstroke has one.
    """
    bridged, missing = bridge_gaps(level)
    if bridged.size < 16:
        return np.full(bridged.size, np.nan)
    smooth = zero_phase_low_pass(bridged, min(SLOW_CUTOFF_HZ, 0.2 * rate_hz), float(rate_hz))
    slope = np.empty_like(smooth)
    slope[1:-1] = (smooth[2:] - smooth[:-2]) * (0.5 * rate_hz)
    slope[0], slope[-1] = slope[1], slope[-2]
    slope[missing] = np.nan
    return slope


def _neighbourhood(level, slope, rate_hz, hop):
    """The 95th percentile of upstroke slopes and the pulse pressure around each second."""
    from discovery.beats import detect_loops as loops

    peaks = loops.dominant_peaks(slope, max(1, round(0.125 * rate_hz)))
    centre = np.arange((slope.size + hop - 1) // hop) * float(hop) + hop / 2
    half = NEIGHBOURHOOD_S / 2 * rate_hz
    strong = loops.running_percentile(peaks.astype(float), slope[peaks], centre, half, 0.95)
    block = max(1, round(1.5 * rate_hz))
    ranges = loops.block_ranges(level, block)
    place = np.arange(ranges.size) * float(block) + block / 2
    seen = np.isfinite(ranges)
    pulse = loops.running_percentile(place[seen], ranges[seen], centre, half + block, 0.5)
    return strong, pulse


def line_delay_s(upstroke_s: np.ndarray, r_s: np.ndarray) -> float:
    """Delay of a pressure line against the ECG: median lag of upstroke after R, less 70 ms (0 to 0.2 s).

    70 ms from R to the steepest rise is our allowance for the heart itself; no source.
    """
    if len(upstroke_s) == 0 or len(r_s) == 0:
        return 0.0
    place = np.searchsorted(r_s, upstroke_s, side="right") - 1
    good = place >= 0
    lag = upstroke_s[good] - r_s[place[good]]
    lag = lag[lag < 0.35]
    if lag.size == 0:
        return 0.0
    return float(np.clip(np.median(lag) - USUAL_R_TO_UPSTROKE_S, 0.0, 0.2))


def detect_r_waves(ecg: np.ndarray, rate_hz: float) -> np.ndarray:
    """Times of R waves, seconds from the first sample, array (n_r,).

    Band-pass 5 to 25 Hz, squared slope averaged over 100 ms, adaptive threshold from the 10 s
    neighbourhood, refractory 200 ms; the R wave is the largest deflection of the band-passed signal
    within 80 ms. The idea of slope energy is common practice; the numbers are ours.
    """
    bridged, missing = bridge_gaps(ecg)
    if bridged.size < round(2 * rate_hz) or missing.all() or not np.ptp(bridged) > 0:
        return np.empty(0)
    from discovery.beats import detect_loops as loops

    high = min(25.0, 0.45 * rate_hz)
    band = sosfiltfilt(butter(2, [5.0, high], "bandpass", fs=rate_hz, output="sos"), bridged)
    energy = np.gradient(band) ** 2
    width = max(1, round(0.1 * rate_hz))
    energy = np.convolve(energy, np.ones(width) / width, mode="same")
    energy[missing] = 0.0
    peaks = loops.dominant_peaks(np.sqrt(energy), max(1, round(R_REFRACTORY_S * rate_hz)))
    height = np.sqrt(energy[peaks])
    around = loops.running_percentile(peaks.astype(float), height, peaks.astype(float), 5 * rate_hz, 0.9)
    noise = loops.running_percentile(peaks.astype(float), height, peaks.astype(float), 5 * rate_hz, 0.1)
    real = height > 1e-6 * np.std(bridged)  # rounding alone leaves less
    peaks = peaks[real & (height >= np.maximum(0.4 * around, np.minimum(1.5 * noise, 0.6 * around)))]
    reach = max(1, round(0.08 * rate_hz))
    size = np.abs(band)
    exact = [
        max(0, p - reach) + int(np.argmax(size[max(0, p - reach) : p + reach + 1])) for p in peaks.tolist()
    ]
    return np.unique(np.asarray(exact, dtype=np.int64)) / rate_hz


def qrs_onsets(ecg: np.ndarray, rate_hz: float, r_times_s: np.ndarray) -> np.ndarray:
    """Start of the QRS before each R wave, seconds from the first sample, array (n_r,).

    The last instant within 120 ms before R at which the slope energy (20 ms) is below a tenth of its
    largest value around R; R itself when there is none.
    """
    bridged, _ = bridge_gaps(ecg)
    r = np.asarray(r_times_s, dtype=float)
    if r.size == 0 or bridged.size < 16:
        return r.copy()
    energy = np.gradient(level_filter(bridged, rate_hz)) ** 2
    width = max(1, round(0.02 * rate_hz))
    energy = np.convolve(energy, np.ones(width) / width, mode="same")
    reach = max(2, round(0.12 * rate_hz))
    onset = r.copy()
    for k, place in enumerate(np.round(r * rate_hz).astype(np.int64).tolist()):
        first = max(0, place - reach)
        piece = energy[first : place + 1]
        if piece.size < 2:
            continue
        low = np.flatnonzero(piece < 0.1 * energy[first : place + reach // 2].max())
        if low.size:
            onset[k] = (first + low[-1]) / rate_hz
    return onset
