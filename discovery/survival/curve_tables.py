"""Tidy tables of curves and numbers at risk, by group, as a figure draws them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from discovery.survival.cumulative_incidence import aalen_johansen
from discovery.survival.curves import kaplan_meier, nelson_aalen
from discovery.survival.follow_up import as_follow_up, weight_at_risk
from discovery.survival.logrank import group_codes
from discovery.survival.refusals import refuse

CURVE_COLUMNS = [
    "outcome",
    "curve",
    "group",
    "time",
    "estimate",
    "ci_low",
    "ci_high",
    "n_at_risk",
    "n_event",
    "n_censored",
    "n_left_out",
    "note",
]
NO_EVENT, NOBODY_LEFT = "no interval: no event yet", "no interval: nobody is left without the event"
AT_RISK_COLUMNS = ["outcome", "group", "time", "n_at_risk", "n_event", "n_competing", "n_censored"]
FEWEST_AT_START = 10
THIRDS = ("lowest third", "middle third", "highest third")


def curve_table(
    time, status, *, entry=None, group=None, outcome="", cause_names: Mapping[int, str] | None = None,
    interval="log-log", conf_level=0.95,
) -> pd.DataFrame:  # fmt: skip
    """Survival by group, or the incidence of every cause where competing events occur.

    Parameters
    ----------
    time, status, entry : array (n,)
        status 0 censored, 1 the event, 2, 3, … competing events; a row with a missing value in any
        of them, or without a group, is left out and counted in `n_left_out`.
    group : array (n,), optional
        Labels; a categorical keeps its order. Everybody is "all" without it.
    cause_names : mapping, optional
        Text for the column `curve`; "event", "competing event", "competing event 2", … otherwise.

    Returns
    -------
    DataFrame
        One row a curve's step, after a first row at the start of follow-up: outcome, curve, group,
        time, estimate, ci_low, ci_high, n_at_risk, n_event, n_censored, n_left_out, note (why there is
        no interval). Whether the curves are survival or incidence is decided over all groups, so all
        are of one kind.

    Notes
    -----
    With delayed entry the curves begin at `common_start`, and hold for patients who are event-free
    then; who is followed only up to there counts in `n_left_out`.
    """
    left_out, labels, codes, columns = usable_rows(time, status, entry, group)
    columns, codes, early = since_common_start(columns, codes)
    left_out += early
    time, status, entry = columns
    competing = bool((status > 1).any())
    causes = np.union1d([1], np.unique(status[status > 0])).astype(int)
    tables = []
    for code, label in enumerate(labels):
        mine = codes == code
        came = None if entry is None else entry[mine]
        start, n_start = _start(time[mine], came)
        if not competing:
            curve = kaplan_meier(
                time[mine], status[mine], entry=came, interval=interval, conf_level=conf_level
            )
            names = ["survival"]
            parts = [(curve.estimate, curve.ci_low, curve.ci_high, curve.n_event)]
            steps, at_risk, censored, first = curve.time, curve.n_at_risk, curve.n_censored, 1.0
        else:
            found = aalen_johansen(
                time[mine], status[mine], entry=came, causes=causes, interval=interval, conf_level=conf_level
            )
            names = [cause_label(int(cause), cause_names) for cause in causes]
            parts = list(zip(found.incidence, found.ci_low, found.ci_high, found.n_event))
            steps, at_risk, censored, first = found.time, found.n_at_risk, found.n_censored, 0.0
        for name, (estimate, low, high, events) in zip(names, parts):
            lead = [] if steps[0] <= start else [0]
            table = pd.DataFrame(
                {
                    "time": np.concatenate([[start] * len(lead), steps]),
                    "estimate": np.concatenate([[first] * len(lead), estimate]),
                    "ci_low": np.concatenate([[first] * len(lead), low]),
                    "ci_high": np.concatenate([[first] * len(lead), high]),
                    "n_at_risk": np.concatenate([[n_start] * len(lead), at_risk]),
                    "n_event": np.concatenate([lead, events]),
                    "n_censored": np.concatenate([lead, censored]),
                }
            )
            tables.append(table.assign(outcome=outcome, curve=name, group=str(label)))
    whole = pd.concat(tables, ignore_index=True).assign(n_left_out=left_out)
    whole["note"] = interval_notes(whole, before=0.0 if competing else 1.0)
    counts = ["n_at_risk", "n_event", "n_censored"]
    return whole[CURVE_COLUMNS].astype(dict.fromkeys(counts, "int64"))


def cumulative_hazard_table(
    time, status, *, entry=None, outcome="", cause_names: Mapping[int, str] | None = None, conf_level=0.95
) -> pd.DataFrame:
    """Nelson-Aalen cumulative hazard of every cause over all patients, in the columns of `curve_table`.

    The other causes end a patient's time at risk of this one. Limits are those of the logarithm. Rows are
    left out, and delayed entry is handled, as in `curve_table`.
    """
    left_out, _, codes, columns = usable_rows(time, status, entry, None)
    (time, status, entry), _, early = since_common_start(columns, codes)
    tables = []
    for cause in np.union1d([1], np.unique(status[status > 0])).astype(int):
        found = nelson_aalen(time, status == cause, entry=entry, conf_level=conf_level)
        columns = ("time", "estimate", "ci_low", "ci_high", "n_at_risk", "n_event", "n_censored")
        table = pd.DataFrame({name: getattr(found, name) for name in columns})
        table["n_censored"] = _at_each(time[status == 0], found.time)
        tables.append(table.assign(outcome=outcome, curve=cause_label(int(cause), cause_names), group="all"))
    whole = pd.concat(tables, ignore_index=True).assign(n_left_out=left_out + early)
    whole["note"] = interval_notes(whole, before=0.0)
    counts = ["n_at_risk", "n_event", "n_censored"]
    return whole[CURVE_COLUMNS].astype(dict.fromkeys(counts, "int64"))


def interval_notes(curves: pd.DataFrame, *, before: float) -> np.ndarray:
    """Why rows have no interval, "" where they have one; `before` : the value ahead of any event."""
    known = curves[["ci_low", "ci_high"]].notna().all(axis=1)
    return np.select([known, curves["estimate"] == before], ["", NO_EVENT], default=NOBODY_LEFT)


def _at_each(values, times) -> np.ndarray:
    values = np.sort(values)
    return np.searchsorted(values, times, side="right") - np.searchsorted(values, times, side="left")


def at_risk_table(time, status, times=None, *, entry=None, group=None, outcome="") -> pd.DataFrame:
    """Numbers under a figure: at risk at each of `times`, and events and censorings up to then.

    `n_at_risk` counts entry < t <= time; at the start of follow-up it counts who begins there.
    `times` defaults to about six round ones. Rows are left out as in `curve_table`, and nothing is
    counted ahead of where its curves begin.
    """
    _, labels, codes, columns = usable_rows(time, status, entry, group)
    columns, codes, _ = since_common_start(columns, codes)
    time, status, entry = columns
    times = time_marks(time) if times is None else np.asarray(times, dtype=float)
    if entry is not None and (times < entry.min()).any():
        times = np.unique(np.append(times[times > entry.min()], entry.min()))
    tables = []
    for code, label in enumerate(labels):
        mine = codes == code
        came = None if entry is None else entry[mine]
        follow_up = as_follow_up(time[mine], status[mine], entry=came)
        start, n_start = _start(time[mine], came)
        at_risk = weight_at_risk(follow_up, times)
        if came is not None:
            at_risk = np.where(times == start, n_start, at_risk)
        so_far = {
            "n_event": follow_up.status == 1,
            "n_competing": follow_up.status > 1,
            "n_censored": follow_up.status == 0,
        }
        table = pd.DataFrame({"time": times, "n_at_risk": at_risk.astype(np.int64)})
        for name, kind in so_far.items():
            table[name] = np.searchsorted(np.sort(follow_up.time[kind]), times, side="right")
        tables.append(table.assign(outcome=outcome, group=str(label)))
    return pd.concat(tables, ignore_index=True)[AT_RISK_COLUMNS]


def common_start(time, entry, codes) -> float:
    """Where curves of patients under delayed entry may begin, the same for all groups.

    The first time from which on every group has 10 patients under observation (half of its largest risk
    set where that is below 20) until its risk set is largest. Ahead of it one event among one
    or two patients would bring a whole curve to its end. With a group that nobody stays in for so long,
    it is the first entry of all.

    References
    ----------
    Conditional survival under left truncation: Klein & Moeschberger, Survival Analysis, 2nd ed. 2003, 4.6
    (from memory). Oracle: SV27 starts at a stated age for the same reason.
    """
    time, entry = np.asarray(time, dtype=float), np.asarray(entry, dtype=float)
    first, start = float(entry.min()), -np.inf
    for code in np.unique(codes):
        ends, came = np.sort(time[codes == code]), np.sort(entry[codes == code])
        at = np.unique(came)
        watched = np.searchsorted(came, at, side="right") - np.searchsorted(ends, at, side="right")
        peak = int(np.argmax(watched))
        least = min(FEWEST_AT_START, max(1, int(watched[peak]) // 2))
        short = np.flatnonzero(watched[: peak + 1] < least)
        start = max(start, float(at[short[-1] + 1 if len(short) else 0]))
    stays = time > start
    everywhere = len(np.unique(np.asarray(codes)[stays])) == len(np.unique(codes))
    return start if everywhere else first


def since_common_start(columns, codes):
    """Time, status and entry (`columns`) after `common_start`, the codes, and the rows that ended earlier."""
    time, status, entry = columns
    if entry is None:
        return columns, codes, 0
    start = common_start(time, entry, codes)
    stays = time > start
    kept = [time[stays], status[stays], np.maximum(entry[stays], start)]
    return kept, codes[stays], int((~stays).sum())


def time_marks(time, *, wanted: int = 6) -> np.ndarray:
    """About `wanted` round times from 0 to the last follow-up: steps of 1, 2 or 5 times a power of ten."""
    last = float(np.nanmax(np.asarray(time, dtype=float)))
    if not last > 0:
        return np.array([0.0])
    rough = last / max(wanted - 1, 1)
    power = 10.0 ** np.floor(np.log10(rough))
    step = next(power * multiple for multiple in (1, 2, 5, 10) if power * multiple >= rough * (1 - 1e-9))
    return np.arange(0.0, last + step * 1e-9, step)


def thirds(values, *, digits: int = 3) -> pd.Categorical:
    """Values (n,) cut at their tertiles into an ordered categorical whose labels carry the limits.

    The cuts are quantiles (linear) of the values present, so that they come from no outcome. Tied
    values stay together; with heavy ties there are two groups or one. Missing stays missing.
    """
    values = np.asarray(values, dtype=float)
    present = values[np.isfinite(values)]
    if not present.size:
        refuse("thirds", "wanted at least one value that is not missing", column="values")
    cuts = np.unique(np.quantile(present, [1 / 3, 2 / 3]))
    cuts = cuts[cuts < present.max()]
    shown = [f"{cut:.{digits}g}" for cut in cuts]
    if len(cuts) == 2:
        low, middle, high = THIRDS
        labels = [f"{low} (≤ {shown[0]})", f"{middle} ({shown[0]} to {shown[1]})", f"{high} (> {shown[1]})"]
    elif len(cuts) == 1:
        labels = [f"≤ {shown[0]}", f"> {shown[0]}"]
    else:
        labels = [f"{present[0]:.{digits}g}"]
    codes = np.where(np.isfinite(values), np.searchsorted(cuts, values, side="left"), -1)
    return pd.Categorical.from_codes(codes.tolist(), categories=labels, ordered=True)


def usable_rows(time, status, entry, group):
    """Rows without a missing value: number left out, group labels, group codes, (time, status, entry)."""
    columns = [np.asarray(values, dtype=float) for values in (time, status, entry) if values is not None]
    rows = np.all([np.isfinite(values) for values in columns], axis=0)
    if group is None:
        labels: tuple[object, ...] = ("all",)
        codes = np.zeros(int(rows.sum()), dtype=np.int64)
    else:
        series = group if isinstance(group, pd.Series) else pd.Series(group)
        if len(series) != len(rows):
            refuse("groups", f"wanted one label a row, {len(rows)}", column="group", found=str(len(series)))
        rows &= series.notna().to_numpy()
        if rows.any():
            labels, codes = group_codes(series[rows], int(rows.sum()), name="group")
    if not rows.any():
        refuse("curves", "wanted at least one patient with time, status and group", found="none")
    kept = [values[rows] for values in columns]
    return int((~rows).sum()), labels, codes, (kept[0], kept[1], kept[2] if entry is not None else None)


def _start(time: np.ndarray, entry: np.ndarray | None) -> tuple[float, int]:
    if entry is None:
        return 0.0, len(time)
    first = float(entry.min())
    return first, int((entry == first).sum())


def cause_label(cause: int, names: Mapping[int, str] | None) -> str:
    """Text for a cause: the given name, or "event", "competing event", "competing event 2", …"""
    if names and cause in names:
        return names[cause]
    return {1: "event", 2: "competing event"}.get(cause, f"competing event {cause - 1}")
