"""Pressure cycles from upstroke to upstroke, with the few measures of shape that tell the chamber.

These cycles serve quality and sampling site alone; beats, landmarks and features come later and finer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SMOOTHING_S = 0.056  # each of two moving averages: 8 Hz at half gain, so that whip does not count twice
LEAST_RISE = 2.0  # mmHg from foot to peak of the smoothed pressure
BACK_S, AHEAD_S = 0.15, 0.25  # where foot and peak of an upstroke are looked for
BEFORE_S = 0.20  # an upstroke leads above all that was within this time before it
SPEED_SHARE = 0.4  # of the running speed of the fast upstrokes
REFRACTORY_S = 0.25
LONGEST_S = 2.5
WINDOW_S = 10.0
# Power above 8 Hz (root mean square over the pulse): whip makes up to 0.1, handling more.
WHIP_ROUGHNESS, NOISE_ROUGHNESS = 0.10, 0.16

COLUMNS = (
    "peak",
    "foot",
    "least",
    "greatest",
    "mean",
    "rise_speed",
    "fall_speed",
    "standing",
    "late_slope",
    "fall_to_foot",
    "missing",
    "roughness",
)


@dataclass(frozen=True)
class Cycles:
    """Cycles of one channel; every array is (m,). Times in s from the start of the file, mmHg, mmHg/s.

    `standing` is the share of the pulse (peak to the next foot) that still stands 80 to 180 ms after
    the steepest fall; `late_slope` the slope of late diastole over the pulse pressure (1/s, the s of
    the location rule), NaN where diastole is too short; `fall_to_foot` the time from the steepest fall
    to the next foot (s).
    """

    start: np.ndarray
    end: np.ndarray
    peak: np.ndarray
    foot: np.ndarray
    least: np.ndarray
    greatest: np.ndarray
    mean: np.ndarray
    rise_speed: np.ndarray
    fall_speed: np.ndarray
    standing: np.ndarray
    late_slope: np.ndarray
    fall_to_foot: np.ndarray
    missing: np.ndarray
    roughness: np.ndarray

    @property
    def pulse(self) -> np.ndarray:
        """Greatest minus least pressure of each cycle (m,), mmHg."""
        return self.greatest - self.least

    def __len__(self) -> int:
        return self.start.size

    def where(self, keep: np.ndarray) -> Cycles:
        """The cycles that the mask or index `keep` picks."""
        return Cycles(**{name: values[keep] for name, values in self.__dict__.items()})


def no_cycles() -> Cycles:
    return Cycles(**{name: np.empty(0) for name in ("start", "end", *COLUMNS)})


def joined(parts: list[Cycles]) -> Cycles:
    """Cycles of consecutive pieces as one."""
    if not parts:
        return no_cycles()
    return Cycles(
        **{name: np.concatenate([getattr(part, name) for part in parts]) for name in parts[0].__dict__}
    )


def averaging(rate_hz: float) -> int:
    """How many samples are averaged into one, so that about 100 to 190 a second are left."""
    return max(1, int(rate_hz // 100.0))


def smoothing_width(rate_hz: float) -> int:
    """Samples in each moving average at `rate_hz`, odd."""
    return 2 * round(SMOOTHING_S * rate_hz / 2.0 - 0.5) + 1


def find_cycles(
    y: np.ndarray,
    z: np.ndarray,
    lost: np.ndarray,
    rate_hz: float,
    first_block: int,
    offset_s: float,
    first_window: int,
    n_windows: int,
) -> Cycles:
    """Cycles whose upstroke lies in the windows `first_window` to `first_window + n_windows` of 10 s.

    `y` (n,) is the smoothed and `z` the plain averaged pressure, some seconds more on either side; value
    i belongs to the time (first_block + i) / rate_hz + offset_s. The speed that an upstroke needs is 0.4
    of the 85th percentile of the speeds in its window and 2.5 s around it: with up to six rises a beat
    (whip, notch, a wave) that percentile is still one of the true upstrokes.
    """
    from discovery.recordings.loops import measure_cycles, order_statistics, rising_points, strongest

    if y.size < 8:
        return no_cycles()
    back, before, ahead = (round(each * rate_hz) for each in (BACK_S, BEFORE_S, AHEAD_S))
    place, speed = rising_points(y, lost, back, before, ahead, LEAST_RISE)
    times = (first_block + place) / rate_hz + offset_s
    begin = np.arange(first_window - 1, first_window + n_windows + 1) * WINDOW_S
    low, high = np.searchsorted(times, [begin - 2.5, begin + WINDOW_S + 2.5])
    usual = order_statistics(speed, low, high, 0.85)
    window = np.clip(np.floor(times / WINDOW_S).astype(np.int64) - first_window + 1, 0, begin.size - 1)
    fast = speed >= SPEED_SHARE * usual[window]
    place, speed = place[fast], speed[fast]
    up = place[strongest(place, speed, round(REFRACTORY_S * rate_hz))]
    if up.size < 2:
        return no_cycles()
    shape = measure_cycles(y, z, lost, up, rate_hz)
    moment = (first_block + up) / rate_hz + offset_s
    start, end = moment[:-1], moment[1:]
    keep = (start >= first_window * WINDOW_S) & (start < (first_window + n_windows) * WINDOW_S)
    keep &= (end - start <= LONGEST_S) & np.isfinite(shape[:, 0])
    return Cycles(
        start=start[keep],
        end=end[keep],
        **{name: shape[keep, i] for i, name in enumerate(COLUMNS)},
    )


def smoothness(cycles: Cycles) -> np.ndarray:
    """1 for a cycle whose shape may be believed, falling to 0 where motion outweighs it, (m,)."""
    rough = cycles.roughness / np.maximum(cycles.pulse, 1.0)
    return np.clip((NOISE_ROUGHNESS - rough) / (NOISE_ROUGHNESS - WHIP_ROUGHNESS), 0.0, 1.0)
