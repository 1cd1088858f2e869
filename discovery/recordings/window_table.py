"""Tables of one channel: stretches of site and line state, and windows of 10 s."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.recordings import quality, sites
from discovery.recordings.cycles import WINDOW_S, Cycles
from discovery.recordings.line_states import STATES


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
