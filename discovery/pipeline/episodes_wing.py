"""Recurrent episodes beyond the screen: how many a patient has had, by third of a leading feature."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from scipy import stats

from discovery.association.design import Design
from discovery.association.episodes import Episodes
from discovery.survival.curve_tables import (
    CURVE_COLUMNS,
    FEWEST_AT_START,
    at_risk_table,
    interval_notes,
    thirds,
)
from discovery.survival.ends import ends_of
from discovery.survival.mean_episodes import mean_episodes
from discovery.terms import MEAN_EPISODES

PART = "mean episodes"


def watched_from_start(design: Design) -> bool:
    """A mean number since the start is only seen where everybody is watched from the start."""
    return design.episodes is not None and bool((_first_start(design.episodes) <= 0).all())


def mean_curves(
    design: Design, values: np.ndarray | pd.Categorical | None = None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Mean number of episodes, as rows of the curve table, and numbers at risk: of everybody, or by third
    of `values` (n,) or by group when they are categories, patients without one left out. A terminal event
    ends the episodes, and the mean counts the dead as having no more. A group without an episode has the mean
    0 up to its last follow-up, without an interval."""
    curves, at_risk = [], []
    n_left_out = 0 if values is None else int(pd.isna(values).sum())
    for name, mine in _groups(design, values):
        table = _mean_of(design, mine)
        table = _none_of(design, mine) if table is None else table
        table = table.assign(note=interval_notes(table, before=0.0), n_left_out=n_left_out, n_censored=0)
        curves.append(table.assign(outcome=design.outcome, curve=MEAN_EPISODES, group=name))
        at_risk.append(_at_risk(design, mine, name))
    return pd.concat(curves, ignore_index=True)[CURVE_COLUMNS], pd.concat(at_risk, ignore_index=True)


def whose_episodes(design: Design, values: np.ndarray | None) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Group of `mean_curves` -> times of its episodes, and whose they are."""
    e = design.episodes
    assert e is not None
    came = e.event == 1
    return {
        name: (e.stop[came & mine[e.patient]], e.patient[came & mine[e.patient]])
        for name, mine in _groups(design, values)
    }


def more_episodes(design: Design, values: np.ndarray) -> dict | None:
    """Mean number of episodes in the highest third less the lowest, or in the higher of two groups, up to
    the last time at which ten patients of either are under observation; None where there are no two groups or
    no episodes."""
    found = ends_of(values)
    if found is None:
        return None
    assert design.episodes is not None
    low, high = found.low, found.high
    ends = [np.sort(design.episodes.end[group]) for group in (low, high)]
    if min(map(len, ends)) < FEWEST_AT_START:
        return None
    limit = min(end[-FEWEST_AT_START] for end in ends)
    tables = [_mean_of(design, group) for group in (low, high)]
    if tables[0] is None or tables[1] is None:
        return None
    (below, se_below), (above, se_above) = (_at(table, limit) for table in tables)
    gap, se = above - below, float(np.hypot(se_below, se_above))
    if not se > 0:
        return None
    half = stats.norm.ppf(0.975) * se
    assert design.y is not None
    return {
        "period": f"up to {limit:g}", "quantity": f"{MEAN_EPISODES}, {found.difference}",
        "estimate": gap, "se": se, "ci_low": gap - half, "ci_high": gap + half,
        "p_value": float(2 * stats.norm.sf(abs(gap / se))), "n": int((low | high).sum()),
        "events": int(design.y[low | high].sum()),
        "note": "unadjusted",
    }  # fmt: skip


def _groups(design: Design, values: np.ndarray | pd.Categorical | None) -> Iterator[tuple[str, np.ndarray]]:
    if values is None:
        yield "all", np.ones(design.n, dtype=bool)
        return
    groups = values if isinstance(values, pd.Categorical) else thirds(values)
    for code, name in enumerate(groups.categories):
        mine = groups.codes == code
        if mine.any():
            yield str(name), mine


def _mean_of(design: Design, mine: np.ndarray) -> pd.DataFrame | None:
    e = design.episodes
    assert e is not None
    rows = mine[e.patient]
    if not e.event[rows].any():
        return None
    terminal = None
    if e.terminal is not None:
        last = np.append(e.patient[1:] != e.patient[:-1], True)
        terminal = (last * e.terminal[e.patient])[rows]
    found = mean_episodes(e.start[rows], e.stop[rows], e.event[rows], e.patient[rows], terminal=terminal)
    found = found.rename(columns={"mean": "estimate"})
    if found["time"].iloc[0] > 0:
        start = {"time": 0.0, "n_at_risk": int(mine.sum()), "n_event": 0}
        none = dict.fromkeys(("estimate", "se", "ci_low", "ci_high"), 0.0)
        found = pd.concat([pd.DataFrame([start | none]), found], ignore_index=True)
    return found


def _none_of(design: Design, mine: np.ndarray) -> pd.DataFrame:
    """The curve of a group without an episode: its start and its end."""
    assert design.episodes is not None
    ends = design.episodes.end[mine]
    both = {"time": [0.0, ends.max()], "n_at_risk": [len(ends), int((ends == ends.max()).sum())]}
    return pd.DataFrame(both).assign(estimate=0.0, ci_low=[0.0, np.nan], ci_high=[0.0, np.nan], n_event=0)


def _at_risk(design: Design, mine: np.ndarray, name: str) -> pd.DataFrame:
    e = design.episodes
    assert e is not None
    status = np.zeros(design.n) if e.terminal is None else e.terminal
    return at_risk_table(e.end[mine], status[mine], outcome=design.outcome).assign(group=name)


def _at(table: pd.DataFrame, time: float) -> tuple[float, float]:
    row = table[table["time"] <= time].tail(1)
    return (float(row["estimate"].iloc[0]), float(row["se"].iloc[0])) if len(row) else (0.0, 0.0)


def _first_start(episodes: Episodes) -> np.ndarray:
    first = np.full(len(episodes.end), np.inf)
    np.minimum.at(first, episodes.patient, episodes.start)
    return first
