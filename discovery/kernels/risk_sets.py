"""Who is at risk at each event time: made once from sorted rows, used by every evaluation."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .compiled import compiled


class RiskSets(NamedTuple):
    """Rows in the order stratum, then time from last to first; positions refer to that order.

    Group g is one distinct event time of one stratum; single events between which nobody comes or goes, as
    of patients with several episodes, have one risk set and are one group. At risk are the rows
    `arrivals[came[g]:come[g]]`, less those that had not yet entered: the rows `leaves[came[g]:gone[g]]`,
    which are sorted by entry from last to first. A row is at risk on (entry, time].
    """

    rows: np.ndarray  # (m,) index of the row in the caller's arrays
    arrivals: np.ndarray  # positions of the rows that are at risk for themselves
    segments: np.ndarray  # (s + 1,) where each stratum begins
    begin: np.ndarray  # (g,) where its stratum begins
    came: np.ndarray  # (g,) into `arrivals`
    come: np.ndarray  # (g,)
    when: np.ndarray  # (g,) the event time
    tied: np.ndarray  # (g,) bool, several events at one time
    first_death: np.ndarray  # (g + 1,) into `deaths`
    deaths: np.ndarray  # positions of the events
    leaves: np.ndarray  # positions, as many as arrivals, or empty without delayed entry
    gone: np.ndarray  # (g,)
    entry: np.ndarray  # (m,) entry time by position, or empty


@compiled
def make_risk_sets(order, entry_order, time, event, stratum, entry, at_risk, keep):
    """Risk sets of the rows with `keep`, from orders of all rows made beforehand.

    `entry_order` is empty without delayed entry. A row that is not `at_risk` has an event and is in no
    risk set: another row of the same patient is at risk then.
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
    begin = np.empty(m, np.int64)
    came, come = np.empty(m, np.int64), np.empty(m, np.int64)
    # where each stratum begins: rows, arrivals
    segments, begun = np.empty(m + 1, np.int64), np.empty(m + 1, np.int64)
    arrivals, arrived, first_arrival = np.empty(m, np.int64), 0, 0
    when, first_death, deaths = np.empty(m), np.empty(m + 1, np.int64), np.empty(m, np.int64)
    strata, groups, dead = 0, 0, 0
    start, i = 0, 0
    while i < m:
        if i == 0 or stratum[rows[i]] != stratum[rows[i - 1]]:
            start, first_arrival = i, arrived
            segments[strata], begun[strata] = start, arrived
            strata += 1
        before, t, j = dead, time[rows[i]], i
        while j < m and stratum[rows[j]] == stratum[rows[i]] and time[rows[j]] == t:
            if event[rows[j]]:
                deaths[dead] = j
                dead += 1
            if at_risk[rows[j]]:
                arrivals[arrived] = j
                arrived += 1
            j += 1
        if dead > before:
            begin[groups], when[groups], first_death[groups] = start, t, before
            came[groups], come[groups] = first_arrival, arrived
            groups += 1
        i = j
    segments[strata], begun[strata] = m, arrived
    first_death[groups] = dead
    gone = np.zeros(groups, np.int64)
    leaves, entries = np.empty(0, np.int64), np.empty(0)
    if delayed:
        place = np.full(time.size, -1, np.int64)
        entries = np.empty(m)
        for i in range(m):
            place[rows[i]] = i
            entries[i] = entry[rows[i]]
        leaves = np.empty(arrived, np.int64)
        j = 0
        for i in range(entry_order.size):
            if keep[entry_order[i]] and at_risk[entry_order[i]]:
                leaves[j] = place[entry_order[i]]
                j += 1
        at, segment = 0, 0
        for g in range(groups):
            while begun[segment + 1] <= came[g]:
                segment += 1
            at = max(at, came[g])
            while at < begun[segment + 1] and entries[leaves[at]] >= when[g]:
                at += 1
            gone[g] = at
    tied = np.empty(groups, np.bool_)
    groups = merge_groups(begin, came, come, when, tied, first_death, gone)
    return RiskSets(
        rows,
        arrivals[:arrived],
        segments[: strata + 1],
        begin[:groups],
        came[:groups],
        come[:groups],
        when[:groups],
        tied[:groups],
        first_death[: groups + 1],
        deaths[:dead],
        leaves,
        gone[:groups],
        entries,
    )


@compiled
def merge_groups(begin, came, come, when, tied, first_death, gone):
    """Put groups of single events with the same risk set together, in place; how many are left."""
    left, single = 0, False
    for g in range(tied.size):
        first, stop = first_death[g], first_death[g + 1]
        alone, before = stop - first == 1, left - 1
        same = single and begin[before] == begin[g] and come[before] == come[g] and gone[before] == gone[g]
        if alone and same:
            left = before
            first = first_death[left]
        begin[left], came[left], come[left] = begin[g], came[g], come[g]
        when[left], gone[left], tied[left] = when[g], gone[g], not alone
        first_death[left], first_death[left + 1] = first, stop
        single = alone
        left += 1
    return left
