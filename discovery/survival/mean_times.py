"""Mean time without events, and lost to each, within a horizon: highest against lowest third of a feature.

A feature with too few values for thirds has two groups, which are named by their values.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

from discovery.survival.curve_tables import cause_label, common_start
from discovery.survival.ends import ends_of, is_difference, third_or_group
from discovery.survival.restricted_mean import (
    RestrictedMean,
    restricted_mean,
    restricted_mean_difference,
    restricted_mean_lost,
)
from discovery.terms import THIRDS_APART

FREE, FREE_OF_ANY = "restricted mean time without the event", "restricted mean time without any event"
LOST = "restricted mean time lost to {cause}"
COLUMNS = ["period", "quantity", "group", "estimate", "se", "ci_low", "ci_high", "p_value", "n", "events",
           "note"]  # fmt: skip
ONE_GROUP = "not given: the feature has too few different values for two groups"
NO_SPAN = (
    "not given: a {part} is not under observation from {start:.4g} to a later time before its follow-up ends"
)
UNWATCHED = "not given: at {at:.4g} nobody of a {part} is under observation, which leaves its curve unknown"
FEW = "not given: a {part} has too few patients or events"
NO_EVENT = "no interval: no such event in the {group} before {limit:g}"


def mean_times_by_third(
    time, status, values, *, entry=None, horizon=None, cause_names: Mapping[int, str] | None = None,
    conf_level=0.95,
) -> pd.DataFrame:  # fmt: skip
    """Restricted mean times of the lowest and the highest third of a feature, and their difference.

    Parameters
    ----------
    time, status, entry : array (n,); status 0 censored, 1 the event, 2, 3, … competing events
    values : array (n,), the feature; missing values are left out
    horizon : float, optional
        The earlier end of follow-up of the two groups if that comes before.
    cause_names : mapping, optional
        What the events are called, as for `curve_table`.

    Returns
    -------
    DataFrame
        Three rows a quantity (COLUMNS), the groups as `ends_of` names them, in the unit of time, not
        adjusted: the time without the event; where events compete, the time without any of them and the time
        lost to each, which add up to the whole time. With delayed entry from where the curves by third begin
        (`common_start`), of those free of any event then. events : of the quantity, before the end of the
        period: one at the end takes no time. p_value : that a difference is 0. Where nothing can be given
        there is one row, and `note` says why. 95 % intervals of differences in time lost between groups of
        20, 40 and 80 held the truth in 93, 93 and 94 % of 1500 simulated studies; with late entry, from
        `common_start`, in 91, 95 and 93 % with thirds of 30, 50 and 100.
    """
    time, status, values = (np.asarray(column, dtype=float) for column in (time, status, values))
    seen = np.isfinite(values)
    time, status = time[seen], status[seen]
    came = None if entry is None else np.asarray(entry, dtype=float)[seen]
    came = came if came is not None and (came > 0).any() else None  # nobody comes late
    ends = ends_of(values[seen]) if seen.any() else None
    causes = [int(cause) for cause in np.unique(status) if cause > 0]
    first = FREE if causes in ([], [1]) else FREE_OF_ANY
    if ends is None:
        return _why_not(first, ONE_GROUP)
    part = third_or_group(ends.difference)
    start = 0.0 if came is None else common_start(time, came, ends.codes)
    stays = np.ones(len(time), dtype=bool) if came is None else time > start
    of = {ends.lower: ends.low & stays, ends.higher: ends.high & stays}
    last = min(time[mine].max(initial=start) for mine in of.values())
    limit = last if horizon is None else min(float(horizon), last)
    if not limit > start:
        return _why_not(first, NO_SPAN.format(part=part, start=start), ends.difference)
    gap = np.nan if came is None else _first_gap(time, came, of.values(), start, limit)
    if np.isfinite(gap):
        return _why_not(first, UNWATCHED.format(part=part, at=gap), ends.difference)

    def given(quantity: str, code: np.ndarray, mean: Callable[..., RestrictedMean]) -> list[dict]:
        found = {
            group: mean(
                time[mine], code[mine], limit, entry=None if came is None else came[mine],
                start=None if came is None else start, conf_level=conf_level,
            )
            for group, mine in of.items()
        }  # fmt: skip
        found[ends.difference] = restricted_mean_difference(found[ends.higher], found[ends.lower])
        rows = []
        for group, number in found.items():
            whose = list(of) if group == ends.difference else [group]
            mine = np.any([of[one] for one in whose], axis=0)
            unsure = [NO_EVENT.format(group=one, limit=limit) for one in whose if not found[one].se > 0]
            events = int((mine & (code == 1) & (time < limit)).sum())
            row = {"quantity": quantity, "group": group, "n": int(mine.sum()), "events": events}
            row |= _numbers(number, known=not unsure)
            rows.append(row | {"note": "; ".join([*notes, *unsure])})
        return rows

    notes = _notes(start, limit, horizon, part, delayed=came is not None)
    rows = given(first, status > 0, restricted_mean)
    for cause in causes if first == FREE_OF_ANY else []:
        code = np.where(status == cause, 1, 2 * (status > 0))
        rows += given(LOST.format(cause=cause_label(cause, cause_names)), code, restricted_mean_lost)
    period = f"up to {limit:g}" if came is None else f"from {start:.4g} to {limit:g}"
    return pd.DataFrame(rows).assign(period=period)[COLUMNS]


def for_sharing(table: pd.DataFrame, limit: int) -> pd.DataFrame:
    """The differences alone of a table of `mean_times_by_third`; none where a third has 1 to `limit` - 1
    patients or events of a kind: the mean of so few tells when they had the event."""
    difference = is_difference(table["group"])
    counts = table.loc[~difference, ["n", "events"]].to_numpy(dtype=float)
    if ((counts > 0) & (counts < limit)).any():
        group = str(table.loc[difference, "group"].iloc[0])
        return _why_not(str(table["quantity"].iloc[0]), FEW.format(part=third_or_group(group)), group)
    return table[difference]


def _why_not(quantity: str, why: str, group: str = THIRDS_APART) -> pd.DataFrame:
    row = {"period": "", "quantity": quantity, "group": group, "note": why}
    return pd.DataFrame([row]).reindex(columns=COLUMNS)


def _notes(start: float, limit: float, horizon, part: str, *, delayed: bool) -> list[str]:
    notes = ["unadjusted"]
    if delayed:
        notes.append(f"of those free of any event at {start:.4g}: patients come under observation late")
    if horizon is not None and limit < horizon:
        notes.append(f"follow-up of a {part} ends before {horizon:g}")
    return notes


def _numbers(found: RestrictedMean, *, known: bool) -> dict:
    """Columns of an estimate; without an event in a group nothing is `known` of its error."""
    error = {"se": found.se, "ci_low": found.ci_low, "ci_high": found.ci_high, "p_value": found.p_value}
    return {"estimate": found.estimate, **(error if known else dict.fromkeys(error, np.nan))}


def _first_gap(time, entry, groups, start: float, limit: float) -> float:
    """The first time from `start` to `limit` at which nobody of a group is under observation; NaN without
    one. Beside the start these are entries at which nobody who came before is left."""
    gaps = []
    for mine in groups:
        came, ends = np.sort(entry[mine]), np.sort(time[mine])
        at = np.unique(came[(came > start) & (came < limit)])
        left = np.searchsorted(came, at, side="left") - np.searchsorted(ends, at, side="right")
        gaps += list(at[left <= 0])
        gaps += [] if (came <= start).any() else [start]
    return min(gaps, default=np.nan)
