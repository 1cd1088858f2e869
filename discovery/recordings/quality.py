"""Faults of the samples themselves in windows of 10 s: missing, flat, held at a rail, spikes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

FLAT_S, FLAT_RANGE = 0.5, 0.2  # s, mmHg
OUTSIDE = (-30.0, 300.0)  # mmHg
SPIKE_LEAST, SPIKE_DEVIATIONS, SPIKE_MERGE_S = 10.0, 6.0, 0.05
RAIL_RUN_S, RAIL_SLOPE, RAIL_RUNS = 0.05, 150.0, 3  # s, mmHg/s, number


@dataclass(frozen=True)
class Held:
    """Runs of three or more equal samples that may be at a rail; arrays (r,).

    They are at the extreme of their window, or longer and entered steeply.
    """

    start: np.ndarray  # first sample, counted from the start of the file
    end: np.ndarray  # one past the last
    value: np.ndarray
    side: np.ndarray  # +1 ceiling, -1 floor
    edge: np.ndarray  # larger step into or out of the run
    extreme: np.ndarray  # whether nothing in its window lies beyond


@dataclass(frozen=True)
class Counts:
    """Counts of one or more windows, arrays (w,); `spikes` are already merged within 50 ms."""

    n: np.ndarray
    missing: np.ndarray
    flat: np.ndarray
    low: np.ndarray
    high: np.ndarray
    outside: np.ndarray
    spikes: np.ndarray


def scan(samples: np.ndarray, rate_hz: float, edges: np.ndarray, first_sample: int) -> tuple[Counts, Held]:
    """Count faults of `samples` (n,) in the windows between `edges` (indices into `samples`).

    There may be samples before the first and after the last edge; they give runs their full length.
    `first_sample` is the place of samples[0] in the file.
    """
    from discovery.recordings.loops import flat_samples, held_runs, median_steps, window_counts

    flat = flat_samples(samples, int(np.ceil(FLAT_S * rate_hz)), FLAT_RANGE)
    table = window_counts(samples, flat, edges)
    n_windows = edges.size - 1
    start, end, value, side, edge = held_runs(samples, 3)
    # Only the part inside these windows is theirs; `joined_runs` puts cut runs together again.
    start, end = np.maximum(start, edges[0]), np.minimum(end, edges[-1])
    mine = start < end
    window = np.clip(np.searchsorted(edges, start, side="right") - 1, 0, n_windows - 1)
    extreme = (value == table[window, 3]) | (value == table[window, 4])
    mine &= extreme | _steep(start, end, edge, rate_hz)
    columns = (start + first_sample, end + first_sample, value, side, edge, extreme)
    held = Held(*(column[mine] for column in columns))
    place, size = median_steps(samples, SPIKE_LEAST)
    spikes = np.zeros(n_windows)
    for each in np.unique(np.searchsorted(edges, place, side="right") - 1):
        if 0 <= each < n_windows:
            a, b = edges[each], min(edges[each + 1], samples.size)
            mine = (place >= a) & (place < b)
            limit = max(SPIKE_LEAST, SPIKE_DEVIATIONS * _deviation(samples[max(a - 2, 0) : b + 2]))
            at = place[mine][size[mine] > limit]
            spikes[each] = np.sum(np.diff(at, prepend=-(10**9)) > SPIKE_MERGE_S * rate_hz)
    outside = np.zeros(n_windows)
    for each in np.flatnonzero((table[:, 3] < OUTSIDE[0]) | (table[:, 4] > OUTSIDE[1])):
        part = samples[edges[each] : edges[each + 1]]
        outside[each] = np.sum((part < OUTSIDE[0]) | (part > OUTSIDE[1]))
    return Counts(table[:, 0], table[:, 1], table[:, 2], table[:, 3], table[:, 4], outside, spikes), held


def _deviation(samples: np.ndarray) -> float:
    """Robust standard deviation (1.4826 MAD) of the samples about their running median of five."""
    if samples.size < 5:
        return 0.0
    off = samples[2:-2] - np.median(np.lib.stride_tricks.sliding_window_view(samples, 5), axis=1)
    off = off[np.isfinite(off)]
    return float(1.4826 * np.median(np.abs(off - np.median(off)))) if off.size else 0.0


def _steep(start: np.ndarray, end: np.ndarray, edge: np.ndarray, rate_hz: float) -> np.ndarray:
    """Runs that last 50 ms and are entered or left at 150 mmHg/s, (r,) bool."""
    return (edge * rate_hz >= RAIL_SLOPE) & (end - start >= max(3.0, RAIL_RUN_S * rate_hz))


def joined_runs(held: Held) -> Held:
    """Runs that were cut at the end of a piece put together; their larger edge is kept."""
    if held.start.size < 2:
        return held
    go_on = (held.start[1:] == held.end[:-1]) & (held.value[1:] == held.value[:-1])
    first = np.flatnonzero(np.concatenate(([True], ~go_on)))
    last = np.append(first[1:], held.start.size) - 1
    return Held(
        held.start[first],
        held.end[last],
        held.value[first],
        held.side[first],
        np.maximum.reduceat(held.edge, first),
        np.logical_and.reduceat(held.extreme, first),
    )


def learn_rails(held: Held, low: float, high: float, rate_hz: float) -> np.ndarray:
    """Pressures at which the record is cut off, from the whole record: (k,) ascending.

    Its least and greatest value, and every value at which it was held three times or more for 50 ms
    after rising or falling to it steeply (150 mmHg/s), mostly as the extreme of its window: a natural
    peak arrives at its top slowly, and others go beyond it.
    """
    if not (np.isfinite(low) and np.isfinite(high)) or low == high:
        return np.empty(0)
    steep = _steep(held.start, held.end, held.edge, rate_hz)
    values, which = np.unique(held.value[steep], return_inverse=True)
    runs = np.bincount(which, minlength=values.size)
    topmost = np.bincount(which, weights=held.extreme[steep], minlength=values.size)
    rails = (topmost >= RAIL_RUNS) & (topmost >= 0.5 * runs)
    return np.unique(np.concatenate(([low, high], values[rails])))


def saturated(held: Held, rails: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """Samples held at a rail in each window between `edges` (places in the file), (w,)."""
    at = np.isin(held.value, rails)
    out = np.zeros(edges.size - 1)
    for start, end in zip(held.start[at], held.end[at]):
        first = int(np.searchsorted(edges, start, side="right") - 1)
        while first < out.size and edges[first] < end:
            out[first] += min(end, edges[first + 1]) - max(start, edges[first])
            first += 1
    return out
