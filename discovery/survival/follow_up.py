"""Checked follow-up times, and who is at risk at each of them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from discovery.problems import InputError, Problem
from discovery.survival.refusals import refuse

SOURCE = "follow-up"


class FollowUp(NamedTuple):
    """One row a patient (or a start-stop row), all float arrays of the same length.

    A row is at risk at t when entry < t <= time. `entry` is -inf where nobody said when the row
    came under observation, so that an event at time 0 counts.
    """

    time: np.ndarray
    status: np.ndarray
    entry: np.ndarray
    weights: np.ndarray


class RiskSets(NamedTuple):
    """Totals at the distinct follow-up times (ascending), each an array (n_times,).

    `n_at_risk`, `n_event` and `n_censored` are sums of weights, that is counts without weights;
    `deaths` is the number of rows with an event and a positive weight.
    """

    time: np.ndarray
    n_at_risk: np.ndarray
    n_event: np.ndarray
    n_censored: np.ndarray
    deaths: np.ndarray


def as_follow_up(time, status, *, entry=None, weights=None) -> FollowUp:
    """Check follow-up arrays (n,) and return them as floats; rows of weight 0 are left out.

    Raises
    ------
    InputError
        Shapes differ; a value is missing or infinite; a time is negative (without `entry`); entry is
        not before time; a weight is negative; a status is not a whole number from 0 up; no row.
    """
    problems: list[Problem] = []

    def fault(column: str, wanted: str, found: str = "") -> None:
        problems.append(Problem(file=SOURCE, column=column, found=found, wanted=wanted))

    columns = {"time": time, "status": status}
    if entry is not None:
        columns["entry"] = entry
    if weights is not None:
        columns["weights"] = weights
    arrays = {}
    for name, values in columns.items():
        try:
            arrays[name] = as_floats(values)
        except (TypeError, ValueError):
            fault(name, "wanted numbers only")
            continue
        if arrays[name].ndim != 1:
            fault(name, "wanted one number a row", str(arrays[name].shape))
    if problems:
        raise InputError(problems)
    n = len(arrays["time"])
    for name, values in arrays.items():
        if len(values) != n:
            fault(name, f"wanted as many values as time has, {n}", str(len(values)))
        elif not np.isfinite(values).all():
            bad = ~np.isfinite(values)
            fault(name, f"wanted finite values; {bad.sum()} are not, first at position {np.argmax(bad)}")
    if n == 0:
        fault("time", "wanted at least one row", "none")
    if problems:
        raise InputError(problems)

    time, status = arrays["time"], arrays["status"]
    if entry is None:
        bad = time < 0
        if bad.any():
            at = int(np.argmax(bad))
            fault("time", f"wanted times from 0 up; {bad.sum()} are negative", f"{time[at]:g}")
        entry = np.full(n, -np.inf)
    else:
        entry = arrays["entry"]
        bad = entry >= time
        if bad.any():
            at = int(np.argmax(bad))
            fault(
                "entry",
                f"wanted entry before time; {bad.sum()} rows are not, first at position {at}",
                f"entry {entry[at]:g}, time {time[at]:g}",
            )
    bad = (status < 0) | (status != np.round(status))
    if bad.any():
        codes = "wanted 0 for censored, 1 for the event, 2, 3 … for competing events"
        fault("status", codes, f"{status[bad][0]:g}")
    if weights is None:
        weights = np.ones(n)
    else:
        weights = arrays["weights"]
        if (weights < 0).any():
            fault("weights", "wanted weights from 0 up", f"{weights.min():g}")
        elif not (weights > 0).any():
            fault("weights", "wanted at least one weight above 0", "none")
    if problems:
        raise InputError(problems)
    keep = weights > 0
    if not keep.all():
        time, status, entry, weights = time[keep], status[keep], entry[keep], weights[keep]
    return FollowUp(time, status, entry, weights)


def as_floats(values) -> np.ndarray:
    """A float array; what is missing in a nullable column becomes NaN."""
    if hasattr(values, "to_numpy"):
        return values.to_numpy(dtype=float, na_value=np.nan)
    return np.asarray(values, dtype=float)


def one_event(time, event, *, entry=None, weights=None) -> FollowUp:
    """`as_follow_up` for a single kind of event: 0 or False is censored, 1 or True the event.

    Any other code is refused, so that a file coded 1 and 2 is never read as all events.
    """
    follow_up = as_follow_up(time, event, entry=entry, weights=weights)
    if (follow_up.status > 1).any():
        codes = ", ".join(f"{code:g}" for code in np.unique(follow_up.status))
        wanted = "wanted 0 for censored and 1 for the event (competing events have their own functions)"
        raise InputError([Problem(file=SOURCE, column="event", found=codes, wanted=wanted)])
    return follow_up


def after(follow_up: FollowUp, start: float) -> FollowUp:
    """The part of `follow_up` later than `start`: earlier ends are dropped, earlier entries moved to it."""
    keep = follow_up.time > start
    if not keep.any():
        refuse(SOURCE, "nobody is followed beyond the start", column="start", found=f"{start:g}")
    time, status, entry, weights = (values[keep] for values in follow_up)
    return FollowUp(time, status, np.maximum(entry, start), weights)


def weight_at_risk(follow_up: FollowUp, times) -> np.ndarray:
    """Sum of the weights of rows with entry < t <= time at each of `times` (any shape)."""
    times = np.asarray(times, dtype=float)
    return _weight_from(follow_up.time, follow_up.weights, times) - _weight_from(
        follow_up.entry, follow_up.weights, times
    )


def _weight_from(values: np.ndarray, weights: np.ndarray, times: np.ndarray) -> np.ndarray:
    """Sum of the weights of values >= t."""
    order = np.argsort(values, kind="stable")
    total = np.concatenate([np.cumsum(weights[order][::-1])[::-1], [0.0]])
    return total[np.searchsorted(values[order], times, side="left")]


def risk_sets(follow_up: FollowUp, *, event: np.ndarray | None = None) -> RiskSets:
    """Totals at every distinct time; `event` (n,) bool defaults to status == 1.

    Events of a time come before the censorings of that time, so both are at risk there.
    """
    event = follow_up.status == 1 if event is None else event
    order = np.argsort(follow_up.time, kind="stable")
    ends, weights, event = follow_up.time[order], follow_up.weights[order], event[order]
    first = np.flatnonzero(np.concatenate([[True], ends[1:] != ends[:-1]]))
    time = ends[first]
    n_event = np.add.reduceat(np.where(event, weights, 0.0), first)
    n_censored = np.add.reduceat(np.where(event, 0.0, weights), first)
    at_risk = np.cumsum((n_event + n_censored)[::-1])[::-1]
    if np.isfinite(follow_up.entry).any():
        at_risk = at_risk - _weight_from(follow_up.entry, follow_up.weights, time)
    at_risk = np.maximum(at_risk, n_event + n_censored)
    # A sum of weights that differs from the deaths by rounding alone is the deaths.
    at_risk = np.where(at_risk - n_event <= 1e-12 * at_risk, n_event, at_risk)
    return RiskSets(time, at_risk, n_event, n_censored, np.add.reduceat(event.astype(float), first))


def steps(time: np.ndarray, values: np.ndarray, at, *, before: float, left: bool = False) -> np.ndarray:
    """The right-continuous step function through (time, values) at `at`; its left limits if `left`.

    `values` may be (n_times,) or (k, n_times); `before` is the value ahead of the first time.
    """
    index = np.searchsorted(time, np.asarray(at, dtype=float), side="left" if left else "right")
    start = np.full((*values.shape[:-1], 1), before)
    return np.concatenate([start, values], axis=-1)[..., index]
