"""From cycles and seconds to the answer: line states, segments of site, windows, migration events."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pandas as pd

from discovery.recordings import quality, sites
from discovery.recordings.beat_quality import LevelShift, level_shifts
from discovery.recordings.cycles import WINDOW_S, Cycles
from discovery.recordings.flush import ABOVE_PULSE, LEAST_PRESSURE, Flush, line_of
from discovery.recordings.line_dynamics import damping_class
from discovery.recordings.migration import EVENT_COLUMNS, migration_events

# A line without pulse for QUIET_S is closed (flat), or open to air when its level is near zero. The range
# is that of 3 s, mmHg; near zero a little more is allowed, for the hand at the open stopcock.
QUIET_S, FLAT_RANGE, ZERO_RANGE = 5.0, 2.0, 3.0
ZERO_LEVEL = 5.0  # mmHg
LEAST_STAY_S, LEAST_CYCLES = 3.0, 4  # a site between two interruptions that lasts less is not named
HANDLING_S = 8.0  # between two flushes: the line is still being handled
SETTLE_S = 5.0  # after a flush the pulse comes back within this time
BUMP_S = 3.0
LEAST_PULSE = 6.0
CEILING_PLATEAU_S = 0.5  # a ceiling below 100 mmHg must be held this long to be a flush
LONGEST_SYSTOLE_S = 0.6
CLIPPED_S = 0.1
# Power above 8 Hz (root mean square over the pulse): whip makes up to 0.1, handling more.
WHIP_ROUGHNESS, NOISE_ROUGHNESS = 0.10, 0.16
STATES = ("", "missing", "flush", "zero", "flat", "clipped")
CLEAR, MISSING, FLUSH, ZERO, FLAT, CLIPPED = range(6)

SEGMENT_COLUMNS = ("start_s", "end_s", "sampling_site", "probability", "line_state")


@dataclass(frozen=True)
class Seconds:
    """One value for each second of the file: range and mean of pressure, missing share, venous pressure."""

    low: np.ndarray
    high: np.ndarray
    mean: np.ndarray
    missing: np.ndarray
    venous: np.ndarray
    likeness: np.ndarray


@dataclass(frozen=True)
class Assessment:
    """What is known of one channel's signal.

    `windows`: a row for each 10 s: start_s, end_s, sampling_site, site_share, site_probability,
    line_state, alternating, n_cycles, sq_flatline_fraction, sq_saturation_fraction, sq_spike_rate
    (1/min), missing_fraction. `segments`: stretches of one site and line state. `events`: migrations.
    `flushes`, `shifts`: as found. `natural_hz`, `damping`: medians over `n_flushes_read` flushes.
    `rails`: pressures at which the record is cut off. `held`: [start, end) seconds at a rail, (r, 2).
    """

    rate_hz: float
    windows: pd.DataFrame
    segments: pd.DataFrame
    events: pd.DataFrame
    cycles: Cycles
    cycle_site: np.ndarray
    flushes: tuple[Flush, ...]
    shifts: tuple[LevelShift, ...]
    rails: np.ndarray
    held: np.ndarray
    natural_hz: float
    damping: float
    n_flushes_read: int

    @property
    def damping_class(self) -> str:
        """over, adequate or under from the flushes; "" without a readable one."""
        return damping_class(self.natural_hz, self.damping)

    def site_at(self, times: np.ndarray) -> np.ndarray:
        """Name of the site at each of `times` (s from the start of the file), (n,) of str."""
        names = self.segments["sampling_site"].to_numpy(dtype=object)
        return _at(times, self.segments, names, sites.UNDETERMINED)

    def line_state_at(self, times: np.ndarray) -> np.ndarray:
        """Line state ("", missing, flush, zero, flat, clipped) at each of `times`, (n,) of str."""
        return _at(times, self.segments, self.segments["line_state"].to_numpy(dtype=object), "missing")


def _at(times: np.ndarray, segments: pd.DataFrame, values: np.ndarray, otherwise: str) -> np.ndarray:
    times = np.asarray(times, dtype=np.float64)
    if not len(segments):
        return np.full(times.shape, otherwise, dtype=object)
    starts, ends = segments["start_s"].to_numpy(), segments["end_s"].to_numpy()
    place = np.clip(np.searchsorted(starts, times, side="right") - 1, 0, None)
    inside = (times >= starts[place]) & (times < ends[place])
    return np.where(inside, values[place], otherwise)


def build(
    *,
    rate_hz: float,
    start_s: float,
    n_samples: int,
    edges: np.ndarray,
    counts: list[quality.Counts],
    held: list[quality.Held],
    cycles: Cycles,
    seconds: list[Seconds],
    flushes: list[Flush],
) -> Assessment:
    """Put the pieces of one channel together; times come out counted from the start of the file."""
    total = quality.Counts(*(_joined(counts, name) for name in quality.Counts.__dataclass_fields__))
    runs = quality.joined_runs(
        quality.Held(*(_joined(held, name) for name in quality.Held.__dataclass_fields__))
    )
    duration = n_samples / rate_hz
    n_seconds = int(np.ceil(duration - 1e-9))
    per_second = Seconds(*(_joined(seconds, name)[:n_seconds] for name in Seconds.__dataclass_fields__))
    seen = total.n > total.missing
    low = float(total.low[seen].min()) if seen.any() else np.nan
    high = float(total.high[seen].max()) if seen.any() else np.nan
    rails = quality.learn_rails(runs, low, high, rate_hz)
    at_rail = np.isin(runs.value, rails)
    held_s = np.column_stack((runs.start[at_rail], runs.end[at_rail])) / rate_hz

    flushes = real_flushes(flushes, cycles)
    quiet = quiet_seconds(per_second)
    flushing = flush_intervals(flushes, cycles, quiet, duration)
    state = second_states(per_second, cycles, quiet, flushing)
    usable = usable_cycles(cycles, flushing, held_s)
    observed, observed_state = observe(cycles, usable, per_second, state)
    probability = sites.site_probabilities(observed)
    named = sites.named(probability)
    named[np.isin(observed_state, (MISSING, FLUSH, ZERO, FLAT))] = -1
    forget_short_stays(named, observed, observed_state)
    segments = segments_of(observed, observed_state, named, probability, duration)
    cycle_site = np.full(len(cycles), -1)
    is_cycle = observed.cycle >= 0
    cycle_site[observed.cycle[is_cycle]] = named[is_cycle]
    windows = windows_of(segments, total, runs, rails, edges, rate_hz, duration, cycles, cycle_site)
    clean = cycles.where(cycle_site >= 0)
    shifts = level_shifts(
        clean.start,
        {"peak": clean.peak, "foot": clean.foot, "mean": clean.mean},
        clean.peak - clean.foot,
    )
    events = migration_events(cycles, cycle_site)
    natural, damping, n_read = line_of(flushes)
    for table in (windows, segments):
        table[["start_s", "end_s"]] += start_s
    events["at_s"] += start_s
    return Assessment(
        rate_hz=rate_hz,
        windows=windows,
        segments=segments,
        events=events,
        cycles=Cycles(**{**cycles.__dict__, "start": cycles.start + start_s, "end": cycles.end + start_s}),
        cycle_site=np.array([*sites.SITES, sites.UNDETERMINED], dtype=object)[cycle_site],
        flushes=tuple(flushes),
        shifts=tuple(shifts),
        rails=rails,
        held=held_s + start_s,
        natural_hz=natural,
        damping=damping,
        n_flushes_read=n_read,
    )


def _joined(parts: list, name: str) -> np.ndarray:
    return np.concatenate([getattr(part, name) for part in parts]) if parts else np.empty(0)


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
    stretches = [(max(a - 1, 0), min(b + 1, still.size)) for a, b in _runs(still)]
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
    steady = (cycles.pulse >= LEAST_PULSE) & (cycles.pulse < 150.0) & (cycles.missing < 0.1)
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
    for a, b in _runs(quiet & ~flushed):
        state[a:b] = ZERO if abs(float(np.median(level[a:b]))) <= ZERO_LEVEL else FLAT
    # Bumps from handling between two quiet stretches at one level belong to them.
    still = _runs(state >= ZERO)
    for (_, end), (begin, _) in itertools.pairwise(still):
        same = state[end - 1] == state[begin] and abs(level[end - 1] - level[begin]) < 3.0
        pulses = np.sum((cycles.start >= end) & (cycles.end <= begin) & (cycles.pulse >= LEAST_PULSE))
        if same and (begin - end <= BUMP_S or (begin - end <= 3 * BUMP_S and pulses < 3)):
            state[end:begin] = state[begin]
    state[flushed] = FLUSH
    state[per.missing > 0.5] = MISSING
    return state


def forget_short_stays(named: np.ndarray, seen: sites.Observations, state: np.ndarray) -> None:
    """Take back, in `named`, sites between two interruptions of the line that rest on too little."""
    clear = np.isin(state, (CLEAR, CLIPPED))
    for a, b in _runs(clear):
        length = seen.end[b - 1] - seen.start[a]
        if (
            length < LEAST_STAY_S
            and np.sum(seen.cycle[a:b] >= 0) < LEAST_CYCLES
            and (a > 0 or b < named.size)
        ):
            named[a:b] = -1


def _shifted(values: np.ndarray, by: int) -> np.ndarray:
    out = np.roll(values, by)
    if by > 0:
        out[:by] = values[:by]
    else:
        out[by:] = values[by:]
    return out


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    turns = np.flatnonzero(np.diff(mask.astype(np.int8), prepend=0, append=0))
    return [(int(a), int(b)) for a, b in zip(turns[::2], turns[1::2])]


def usable_cycles(cycles: Cycles, flushing: np.ndarray, held_s: np.ndarray) -> np.ndarray:
    """Cycles that may speak for a site: recorded, outside flushes, not cut off at a rail, (m,) bool."""
    fine = cycles.missing < 0.1
    for start, end in flushing:
        fine &= (cycles.end <= start) | (cycles.start >= end)
    long = held_s[held_s[:, 1] - held_s[:, 0] >= CLIPPED_S] if held_s.size else held_s.reshape(0, 2)
    if long.size and len(cycles):
        place = np.searchsorted(cycles.start, long[:, 0], side="right") - 1
        for i, (start, end) in zip(place, long):
            for k in (i, i + 1):
                if 0 <= k < len(cycles) and cycles.start[k] < end and cycles.end[k] > start:
                    fine[k] = False
    return fine


def observe(
    cycles: Cycles, usable: np.ndarray, per: Seconds, state: np.ndarray
) -> tuple[sites.Observations, np.ndarray]:
    """Cycles and the seconds that no cycle covers as one series of observations, with line states."""
    n = state.size
    middle = np.arange(n) + 0.5
    place = np.searchsorted(cycles.start, middle, side="right") - 1
    covered = np.zeros(n, dtype=bool)
    if len(cycles):
        covered = (place >= 0) & (middle < cycles.end[np.clip(place, 0, None)])
    quiet = np.isin(state, (MISSING, FLUSH, ZERO, FLAT))
    # A cycle inside a quiet or flushed second is no beat.
    second = np.clip((0.5 * (cycles.start + cycles.end)).astype(np.int64), 0, max(n - 1, 0))
    taken = ~quiet[second] if n else np.zeros(len(cycles), bool)
    alone = ~covered | quiet
    at = np.flatnonzero(taken)
    ticks = np.flatnonzero(alone)

    kept = cycles.where(at)
    pulse = kept.pulse
    usual = sites.usual_pulse(kept.start, pulse)
    weight = usable[at] * smoothness(kept)
    ventricle = weight * sites.ventricle_evidence(kept)
    small = weight * sites.small_evidence(pulse, usual, kept.mean)
    venous_mean, likeness = per.venous[second[at]], per.likeness[second[at]]
    with np.errstate(invalid="ignore"):
        # The ventricle's diastole meets the venous pressure, the artery's stays above it.
        ventricle += weight * np.nan_to_num(np.clip((venous_mean + 4.0 - kept.foot) / 2.0, -2.0, 2.0))
    venous = sites.venous_evidence(kept.mean, venous_mean, likeness)
    small = np.where(likeness > 0.9, np.maximum(small, 0.0) + 4.0, small)

    tick_pulse = per.high[ticks] - per.low[ticks]
    tick_small = 0.5 * np.maximum(
        sites.small_evidence(tick_pulse, np.full(ticks.size, np.nan), per.mean[ticks]), -1.0
    )
    # Near zero a line without pulse is as likely open to air.
    tick_small[quiet[ticks] | (np.abs(per.mean[ticks]) <= ZERO_LEVEL)] = 0.0
    tick_venous = sites.venous_evidence(per.mean[ticks], per.venous[ticks], per.likeness[ticks])
    tick_venous[quiet[ticks]] = 0.0

    start = np.concatenate((kept.start, ticks.astype(float)))
    order = np.argsort(start, kind="stable")
    observed = sites.Observations(
        start=start[order],
        end=np.concatenate((kept.end, ticks + 1.0))[order],
        ventricle=np.concatenate((ventricle, np.zeros(ticks.size)))[order],
        small=np.concatenate((small, tick_small))[order],
        venous=np.concatenate((venous, tick_venous))[order],
        cycle=np.concatenate((at, np.full(ticks.size, -1)))[order],
    )
    clipped = np.where(usable[at], CLEAR, CLIPPED)
    return observed, np.concatenate((clipped, state[ticks]))[order]


def smoothness(cycles: Cycles) -> np.ndarray:
    """1 for a cycle whose shape may be believed, falling to 0 where motion outweighs it, (m,)."""
    rough = cycles.roughness / np.maximum(cycles.pulse, 1.0)
    return np.clip((NOISE_ROUGHNESS - rough) / (NOISE_ROUGHNESS - WHIP_ROUGHNESS), 0.0, 1.0)


def segments_of(
    seen: sites.Observations, state: np.ndarray, named: np.ndarray, probability: np.ndarray, duration: float
) -> pd.DataFrame:
    """Stretches of one site and one line state, without gaps or overlap, as a table."""
    if not seen.start.size:
        empty = {"start_s": [0.0], "end_s": [duration], "sampling_site": [sites.UNDETERMINED]}
        return pd.DataFrame({**empty, "probability": [np.nan], "line_state": ["missing"]})
    new = np.flatnonzero((np.diff(named) != 0) | (np.diff(state) != 0)) + 1
    first = np.concatenate(([0], new))
    start = seen.start[first].copy()
    start[0] = 0.0
    end = np.append(start[1:], duration)
    sure = np.where(named >= 0, probability.max(axis=1), np.nan)
    with np.errstate(invalid="ignore"):
        counts = np.diff(np.append(first, named.size))
        mean = np.add.reduceat(np.nan_to_num(sure), first) / counts
    labels = np.array([*sites.SITES, sites.UNDETERMINED], dtype=object)
    table = pd.DataFrame(
        {
            "start_s": start,
            "end_s": np.maximum(end, start),
            "sampling_site": labels[named[first]],
            "probability": np.where(named[first] >= 0, mean, np.nan),
            "line_state": np.array(STATES, dtype=object)[state[first]],
        }
    )
    return table[table["end_s"] > table["start_s"]].reset_index(drop=True)


def windows_of(
    segments: pd.DataFrame,
    total: quality.Counts,
    runs: quality.Held,
    rails: np.ndarray,
    edges: np.ndarray,
    rate_hz: float,
    duration: float,
    cycles: Cycles,
    cycle_site: np.ndarray,
) -> pd.DataFrame:
    """One row for each 10 s: the site of most of it, and the quality fractions."""
    n = edges.size - 1
    start = np.arange(n) * WINDOW_S
    end = np.minimum(start + WINDOW_S, duration)
    share = {name: np.zeros(n) for name in (*sites.SITES, sites.UNDETERMINED)}
    states = {name: np.zeros(n) for name in STATES}
    sure = np.zeros(n)
    for row in segments.itertuples(index=False):
        for w in range(int(row.start_s // WINDOW_S), min(int(row.end_s // WINDOW_S), n - 1) + 1):
            overlap = min(row.end_s, end[w]) - max(row.start_s, start[w])
            if overlap > 0:
                share[row.sampling_site][w] += overlap
                states[row.line_state][w] += overlap
                if row.probability == row.probability:
                    sure[w] += overlap * row.probability
    length = np.maximum(end - start, 1e-9)
    stack = np.array([share[name] for name in (*sites.SITES, sites.UNDETERMINED)]) / length
    best = stack.argmax(axis=0)
    flips = site_flips(cycles, cycle_site)
    count = np.array([np.sum((flips >= t - 25.0) & (flips < t + 35.0)) for t in start], dtype=np.int64)
    alternating = count > sites.FLIPS_PER_MINUTE
    labels = np.array([*sites.SITES, sites.UNDETERMINED], dtype=object)
    name = np.where((stack.max(axis=0) > 0.5) & ~alternating, labels[best], sites.UNDETERMINED)
    state_stack = np.array([states[each] for each in STATES])
    finite = np.maximum(total.n, 1.0)
    place = np.searchsorted(start, cycles.start, side="right") - 1
    n_cycles = np.bincount(place[(place >= 0) & (place < n)], minlength=n)[:n]
    with np.errstate(divide="ignore", invalid="ignore"):
        named_time = length * stack[:4].sum(axis=0)
        certainty = np.where(named_time > 0, sure / named_time, np.nan)
    held = quality.saturated(runs, rails, edges)
    return pd.DataFrame(
        {
            "start_s": start,
            "end_s": end,
            "sampling_site": name,
            "site_share": stack.max(axis=0),
            "site_probability": certainty,
            "line_state": np.array(STATES, dtype=object)[state_stack.argmax(axis=0)],
            "alternating": alternating,
            "n_cycles": n_cycles,
            "sq_flatline_fraction": total.flat / finite,
            "sq_saturation_fraction": np.minimum((held + total.outside) / finite, 1.0),
            "sq_spike_rate": total.spikes / finite * rate_hz * 60.0,
            "missing_fraction": total.missing / finite,
        }
    )


def site_flips(cycles: Cycles, cycle_site: np.ndarray) -> np.ndarray:
    """Times at which consecutive named cycles change site, (k,)."""
    named = np.flatnonzero(cycle_site >= 0)
    changed = np.flatnonzero(np.diff(cycle_site[named]) != 0) + 1
    return cycles.start[named[changed]]


__all__ = ["EVENT_COLUMNS", "Assessment", "Seconds", "build"]
