"""Fast flushes: the plateau while the valve is open, and the ringing of the line after its release."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.recordings.line_dynamics import damping_from_ratio, undamped_frequency

SHORTEST_PLATEAU_S = 0.3
LEAST_PRESSURE = 100.0  # mmHg; below it a plateau counts only at a ceiling well above the pulse
ABOVE_PULSE = 20.0  # mmHg by which such a ceiling exceeds the usual peaks
RING_S = 1.0
LEAST_SWING, LONGEST_SWING_S = 2.0, 0.25  # mmHg; s for half a cycle (2 Hz)


@dataclass(frozen=True)
class Flush:
    """One flush: seconds of the plateau, its pressure, and the line's answer (NaN where unread)."""

    start_s: float
    end_s: float
    pressure: float
    damped_hz: float
    natural_hz: float
    damping: float


def read_ringing(samples: np.ndarray, rate_hz: float) -> tuple[float, float]:
    """Damped frequency (Hz) and damping coefficient from the samples (n,) after a flush's release.

    The first sample is the last one of the plateau. The swings are those between successive extremes
    after the first undershoot: A1 from it to the next peak, A2 from there to the next trough. NaN when
    fewer than two swings of 2 mmHg stand out (damping above about 0.5), the second is no ringing but a
    heart beat, an extreme is cut off (three equal samples), or fewer than four samples fall on one period.
    """
    x = samples[np.isfinite(samples)] if np.isfinite(samples).any() else np.empty(0)
    x = x[: int(RING_S * rate_hz)]
    if x.size < 6:
        return np.nan, np.nan
    extremes: list[int] = []
    here, sign = 0, -1
    while len(extremes) < 4:
        turn = _next_extreme(x, here, sign)
        if turn is None or (extremes and turn - here > LONGEST_SWING_S * rate_hz):
            break
        extremes.append(turn)
        here, sign = turn, -sign
    if len(extremes) < 3:
        return np.nan, np.nan
    at, value = zip(*(_vertex(x, i) for i in extremes))
    if any(_held(x, i) for i in extremes[:3]):
        return np.nan, np.nan
    period = (at[2] - at[0]) / rate_hz
    if period * rate_hz < 4.0:
        return np.nan, np.nan
    first = abs(value[1] - value[0])
    ratio = abs(value[2] - value[1]) / first
    # A line that rings with this ratio would have undershot by about r times the step, and A1 is
    # r + r^2 of it: a far smaller A1 belongs to a well damped line whose next swing is a heart beat.
    fall = x[0] - float(np.median(x[x.size // 2 :]))
    expected = 0.5 * (np.sqrt(1.0 + 4.0 * first / fall) - 1.0) if fall > 0 else np.inf
    if ratio > 2.0 * expected + 0.05:
        return np.nan, np.nan
    return 1.0 / period, damping_from_ratio(ratio, excursions="half-cycle")


def _next_extreme(x: np.ndarray, start: int, sign: int) -> int | None:
    """The next maximum (sign +1) or minimum (-1) after `start` from which x turns back by 2 mmHg.

    None when it does not turn before the samples end, or did not leave `start` by as much.
    """
    best = start
    for i in range(start + 1, x.size):
        if sign * (x[i] - x[best]) > 0:
            best = i
        elif sign * (x[best] - x[i]) >= LEAST_SWING:
            return best if abs(x[best] - x[start]) >= LEAST_SWING else None
    return None


def _held(x: np.ndarray, i: int) -> bool:
    """Whether three or more equal samples stand at `i`: the record was cut off there."""
    a, b = i, i + 1
    while a > 0 and x[a - 1] == x[i]:
        a -= 1
    while b < x.size and x[b] == x[i]:
        b += 1
    return b - a >= 3


def _vertex(x: np.ndarray, i: int) -> tuple[float, float]:
    """Place and value of the parabola's vertex through the samples around an extreme at `i`."""
    if i == 0 or i == x.size - 1:
        return float(i), float(x[i])
    a, b, c = x[i - 1], x[i], x[i + 1]
    bend = a - 2.0 * b + c
    if bend == 0.0:
        return float(i), float(b)
    shift = 0.5 * (a - c) / bend
    return i + float(shift), float(b - 0.25 * (a - c) * shift)


def line_of(flushes: list[Flush]) -> tuple[float, float, int]:
    """Median natural frequency (Hz) and damping over the readable flushes, and how many there were."""
    read = [
        (f.natural_hz, f.damping) for f in flushes if np.isfinite(f.natural_hz) and np.isfinite(f.damping)
    ]
    if not read:
        return np.nan, np.nan, 0
    natural, damping = np.median(np.array(read), axis=0)
    return float(natural), float(damping), len(read)


def make_flush(start_s: float, end_s: float, pressure: float, after: np.ndarray, rate_hz: float) -> Flush:
    """A flush with the line's answer read from the samples `after` its release."""
    damped, damping = read_ringing(after, rate_hz)
    natural = undamped_frequency(damped, damping) if np.isfinite(damped) and np.isfinite(damping) else np.nan
    return Flush(start_s, end_s, pressure, damped, natural, damping)
