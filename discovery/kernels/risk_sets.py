"""Who is at risk at each event time: made once from sorted rows, used by every evaluation."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .compiled import compiled


class RiskSets(NamedTuple):
    """Rows in the order stratum, then time from last to first; positions refer to that order.

    Group g is one distinct event time of one stratum. At risk are the rows from `begin[g]` to
    `end[g]`, less those that had not yet entered: the rows `leaves[begin[g]:gone[g]]`, which are
    sorted by entry from last to first. A row is at risk on (entry, time].
    """

    rows: np.ndarray  # (m,) index of the row in the caller's arrays
    positions: np.ndarray  # (m,) 0, 1, 2, ...
    segments: np.ndarray  # (s + 1,) where each stratum begins
    begin: np.ndarray  # (g,)
    end: np.ndarray  # (g,)
    when: np.ndarray  # (g,) the event time
    first_death: np.ndarray  # (g + 1,) into `deaths`
    deaths: np.ndarray  # positions of the events
    leaves: np.ndarray  # (m,) positions, or empty without delayed entry
    gone: np.ndarray  # (g,)
    entry: np.ndarray  # (m,) entry time by position, or empty


@compiled
def make_risk_sets(order, entry_order, time, event, stratum, entry, keep):
    """Risk sets of the rows with `keep`, from orders of all rows made beforehand.

    `entry_order` is empty without delayed entry.
    """
    n = order.size
    delayed = entry_order.size > 0
    rows = np.empty(n, np.int64)
    m = 0
    for i in range(n):
        if keep[order[i]]:
            rows[m] = order[i]
            m += 1
    rows = rows[:m]
    segments, begin, end = np.empty(m + 1, np.int64), np.empty(m, np.int64), np.empty(m, np.int64)
    when, first_death, deaths = np.empty(m), np.empty(m + 1, np.int64), np.empty(m, np.int64)
    strata, groups, dead = 0, 0, 0
    start, i = 0, 0
    while i < m:
        if i == 0 or stratum[rows[i]] != stratum[rows[i - 1]]:
            start = i
            segments[strata] = i
            strata += 1
        before, t, j = dead, time[rows[i]], i
        while j < m and stratum[rows[j]] == stratum[rows[i]] and time[rows[j]] == t:
            if event[rows[j]]:
                deaths[dead] = j
                dead += 1
            j += 1
        if dead > before:
            begin[groups], end[groups], when[groups], first_death[groups] = start, j, t, before
            groups += 1
        i = j
    segments[strata] = m
    first_death[groups] = dead
    gone = np.zeros(groups, np.int64)
    leaves, entries = np.empty(0, np.int64), np.empty(0)
    if delayed:
        place = np.full(time.size, -1, np.int64)
        entries = np.empty(m)
        for i in range(m):
            place[rows[i]] = i
            entries[i] = entry[rows[i]]
        leaves = np.empty(m, np.int64)
        j = 0
        for i in range(n):
            if keep[entry_order[i]]:
                leaves[j] = place[entry_order[i]]
                j += 1
        at, segment = 0, 0
        for g in range(groups):
            while segments[segment + 1] <= begin[g]:
                segment += 1
            at = max(at, begin[g])
            while at < segments[segment + 1] and entries[leaves[at]] >= when[g]:
                at += 1
            gone[g] = at
    return RiskSets(
        rows,
        np.arange(m),
        segments[: strata + 1],
        begin[:groups],
        end[:groups],
        when[:groups],
        first_death[: groups + 1],
        deaths[:dead],
        leaves,
        gone,
        entries,
    )
