"""From the counts, cycles and seconds of a whole channel to what is known of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from discovery.recordings import quality, sites
from discovery.recordings.beat_quality import LevelShift, level_shifts
from discovery.recordings.cycles import Cycles, smoothness
from discovery.recordings.flush import Flush, line_of
from discovery.recordings.line_dynamics import damping_class
from discovery.recordings.line_states import (
    CLEAR,
    CLIPPED,
    FLAT,
    FLUSH,
    MISSING,
    ZERO,
    ZERO_LEVEL,
    Seconds,
    flush_intervals,
    quiet_seconds,
    real_flushes,
    runs,
    second_states,
)
from discovery.recordings.migration import migration_events
from discovery.recordings.window_table import segments_of, windows_of

LEAST_STAY_S, LEAST_CYCLES = 3.0, 4  # a site between two interruptions that lasts less is not named
CLIPPED_S = 0.1


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
    held_runs = quality.joined_runs(
        quality.Held(*(_joined(held, name) for name in quality.Held.__dataclass_fields__))
    )
    duration = n_samples / rate_hz
    n_seconds = int(np.ceil(duration - 1e-9))
    per_second = Seconds(*(_joined(seconds, name)[:n_seconds] for name in Seconds.__dataclass_fields__))
    seen = total.n > total.missing
    low = float(total.low[seen].min()) if seen.any() else np.nan
    high = float(total.high[seen].max()) if seen.any() else np.nan
    rails = quality.learn_rails(held_runs, low, high, rate_hz)
    at_rail = np.isin(held_runs.value, rails)
    held_s = np.column_stack((held_runs.start[at_rail], held_runs.end[at_rail])) / rate_hz

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
    windows = windows_of(segments, total, held_runs, rails, edges, rate_hz, duration, cycles, cycle_site)
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
        flushes=tuple(
            replace(each, start_s=each.start_s + start_s, end_s=each.end_s + start_s) for each in flushes
        ),
        shifts=tuple(replace(each, at_s=each.at_s + start_s) for each in shifts),
        rails=rails,
        held=held_s + start_s,
        natural_hz=natural,
        damping=damping,
        n_flushes_read=n_read,
    )


def _joined(parts: list, name: str) -> np.ndarray:
    return np.concatenate([getattr(part, name) for part in parts]) if parts else np.empty(0)


def forget_short_stays(named: np.ndarray, seen: sites.Observations, state: np.ndarray) -> None:
    """Take back, in `named`, sites between two interruptions of the line that rest on too little."""
    clear = np.isin(state, (CLEAR, CLIPPED))
    for a, b in runs(clear):
        length = seen.end[b - 1] - seen.start[a]
        if (
            length < LEAST_STAY_S
            and np.sum(seen.cycle[a:b] >= 0) < LEAST_CYCLES
            and (a > 0 or b < named.size)
        ):
            named[a:b] = -1


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
