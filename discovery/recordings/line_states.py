"""The state of the fluid line in each second: recorded or not, flushed, open to air, closed."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from discovery.recordings.cycles import Cycles, smoothness
from discovery.recordings.flush import ABOVE_PULSE, LEAST_PRESSURE, Flush

# A line without pulse for QUIET_S is closed (flat), or open to air when its level is near zero. The range
# is that of 3 s, mmHg; near zero a little more is allowed, for the hand at the open stopcock.
QUIET_S, FLAT_RANGE, ZERO_RANGE = 5.0, 2.0, 3.0
ZERO_LEVEL = 5.0  # mmHg
HANDLING_S = 8.0  # between two flushes: the line is still being handled
SETTLE_S = 5.0  # after a flush the pulse comes back within this time
BUMP_S = 3.0
LEAST_PULSE, MOST_PULSE = 6.0, 150.0  # mmHg
CEILING_PLATEAU_S = 0.5  # a ceiling below 100 mmHg must be held this long to be a flush
LONGEST_SYSTOLE_S = 0.6
STATES = ("", "missing", "flush", "zero", "flat", "clipped")
CLEAR, MISSING, FLUSH, ZERO, FLAT, CLIPPED = range(6)


@dataclass(frozen=True)
class Seconds:
    """One value for each second of the file: range and mean of pressure, missing share, venous pressure."""

    low: np.ndarray
    high: np.ndarray
    mean: np.ndarray
    missing: np.ndarray
    venous: np.ndarray
    likeness: np.ndarray


def real_flushes(plateaus: list[Flush], cycles: Cycles) -> list[Flush]:
    """The plateaus that are flushes: above 100 mmHg or a ceiling, and well above the pulse around them.

    A plateau that several pieces of the record saw is one. Plateaus that come with every beat are a
    clipped systole, not flushes.
    """
    joined: list[Flush] = []
    for each in sorted(plateaus, key=lambda flush: (flush.end_s, flush.start_s)):
        if joined and each.start_s <= joined[-1].end_s + 1e-6:
            earlier = joined.pop()
            each = Flush(
                min(earlier.start_s, each.start_s),
                each.end_s,
                each.pressure,
                each.damped_hz,
                each.natural_hz,
                each.damping,
            )
        joined.append(each)
    out = []
    ends = np.array([each.end_s for each in joined])
    for each in joined:
        near = (cycles.start > each.start_s - 60.0) & (cycles.end < each.end_s + 60.0)
        near &= (cycles.end <= each.start_s) | (cycles.start >= each.end_s)
        near &= cycles.peak < each.pressure
        usual = np.median(cycles.peak[near]) if near.sum() >= 3 else -np.inf
        short = each.end_s - each.start_s < LONGEST_SYSTOLE_S
        rhythmic = short and np.sum(np.abs(ends - each.end_s) < 3.0) >= 4
        tall = each.pressure >= LEAST_PRESSURE or each.end_s - each.start_s >= CEILING_PLATEAU_S
        if tall and not rhythmic and each.pressure >= usual + ABOVE_PULSE:
            out.append(each)
    return out


def quiet_seconds(per: Seconds) -> np.ndarray:
    """Seconds that belong to a stretch without pulse of at least 5 s, (s,) bool."""
    low, high = per.low.copy(), per.high.copy()
    for shift in (-1, 1):
        low = np.fmin(low, _shifted(per.low, shift))
        high = np.fmax(high, _shifted(per.high, shift))
    limit = np.where(np.abs(per.mean) <= ZERO_LEVEL, ZERO_RANGE, FLAT_RANGE)
    still = (high - low < limit) & (per.missing < 0.5)
    # Each second stands for the 3 s around it.
    stretches = [(max(a - 1, 0), min(b + 1, still.size)) for a, b in runs(still)]
    long = [b - a >= QUIET_S for a, b in stretches]
    out = np.zeros(still.size, dtype=bool)
    for order in (range(len(long)), reversed(range(len(long)))):
        last, level = None, 0.0
        for i in order:
            a, b = stretches[i]
            here = float(np.median(per.mean[a:b]))
            near = last is not None and min(abs(a - last[1]), abs(last[0] - b)) <= 3 * BUMP_S
            if long[i] or (near and abs(here - level) < 3.0 and abs(here) <= ZERO_LEVEL):
                out[a:b] = True
                last, level = (a, b), here
    return out


def flush_intervals(flushes: list[Flush], cycles: Cycles, quiet: np.ndarray, duration: float) -> np.ndarray:
    """Seconds [from, to) in which the line was flushed or handled between flushes, (k, 2).

    A stretch reaches from a plateau to the first two good cycles or the first quiet second after it, at
    most 5 s, and across to the next plateau when that comes within 8 s with fewer than three good cycles
    and no quiet stretch between.
    """
    spans: list[list[float]] = []
    released = -np.inf
    steady = (cycles.pulse >= LEAST_PULSE) & (cycles.pulse < MOST_PULSE) & (cycles.missing < 0.1)
    good = cycles.where(steady & (smoothness(cycles) > 0.5))
    for each in flushes:
        end = _settled(each, good, quiet, duration)
        between = np.sum((good.start >= released) & (good.end <= each.start_s))
        still = quiet[int(max(released, 0.0)) : int(each.start_s)].any() if spans else False
        if spans and each.start_s - released < HANDLING_S and between < 3 and not still:
            spans[-1][1] = end
        else:
            spans.append([each.start_s - 0.2, end])
        released = each.end_s
    return np.array(spans).reshape(-1, 2)


def _settled(flush: Flush, good: Cycles, quiet: np.ndarray, duration: float) -> float:
    """When the line is back after `flush`: two good cycles in a row, or quiet; at most 5 s later."""
    latest = min(flush.end_s + SETTLE_S, duration)
    still = np.flatnonzero(quiet[int(np.ceil(flush.end_s)) : int(latest)])
    if still.size:
        latest = min(latest, float(np.ceil(flush.end_s) + still[0]))
    for i in np.flatnonzero(good.start >= flush.end_s)[:6]:
        if i + 1 < len(good) and abs(good.start[i + 1] - good.end[i]) < 0.05:
            return min(float(good.start[i]), latest)
    return latest


def second_states(per: Seconds, cycles: Cycles, quiet: np.ndarray, flushing: np.ndarray) -> np.ndarray:
    """The line's state in each second, (s,): clear, missing, flush, zero or flat."""
    n = per.low.size
    state = np.zeros(n, dtype=np.int64)
    flushed = np.zeros(n, dtype=bool)
    for start, end in flushing:
        flushed[int(max(start, 0)) : int(np.ceil(end))] = True
    level = per.mean
    for a, b in runs(quiet & ~flushed):
        state[a:b] = ZERO if abs(float(np.median(level[a:b]))) <= ZERO_LEVEL else FLAT
    # Bumps from handling between two quiet stretches at one level belong to them.
    still = runs(state >= ZERO)
    for (_, end), (begin, _) in itertools.pairwise(still):
        same = state[end - 1] == state[begin] and abs(level[end - 1] - level[begin]) < 3.0
        pulses = np.sum((cycles.start >= end) & (cycles.end <= begin) & (cycles.pulse >= LEAST_PULSE))
        if same and (begin - end <= BUMP_S or (begin - end <= 3 * BUMP_S and pulses < 3)):
            state[end:begin] = state[begin]
    state[flushed] = FLUSH
    state[per.missing > 0.5] = MISSING
    return state


def _shifted(values: np.ndarray, by: int) -> np.ndarray:
    out = np.roll(values, by)
    if by > 0:
        out[:by] = values[:by]
    else:
        out[by:] = values[by:]
    return out


def runs(mask: np.ndarray) -> list[tuple[int, int]]:
    turns = np.flatnonzero(np.diff(mask.astype(np.int8), prepend=0, append=0))
    return [(int(a), int(b)) for a, b in zip(turns[::2], turns[1::2])]
