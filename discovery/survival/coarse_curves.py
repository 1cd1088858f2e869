"""Curves for sharing: steps so coarse that no single event or patient can be read off them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

CURVE = ["outcome", "feature", "curve", "group"]
SURVIVAL = "survival"  # what the curve is named that begins at 1; all others begin at 0
DIGITS = 3


def coarse_curves(
    curves: pd.DataFrame, limit: int, repeated: Mapping[tuple, tuple[np.ndarray, np.ndarray]] | None = None
) -> pd.DataFrame:
    """Rows of a curve table at times between which `limit` events or more lie, without their counts.

    A step is kept when at least `limit` events of its curve have come since the one kept before and `limit`
    patients are still at risk beyond it; a group of fewer than `limit` patients has no curve. Fewer
    events than that at the very start count to the next step, and the curve begins as if there were none.
    Where a patient may have several events, `repeated` has their times and whose they are by `CURVE`, and
    patients count. Estimates have three digits: the first step in full is a number of events over that
    of patients.
    """
    kept, from_nothing = [], []
    for key, block in curves.groupby(CURVE, sort=False, dropna=False):
        block = block.sort_values("time", kind="stable")
        at_risk, events = (block[c].to_numpy(float) for c in ("n_at_risk", "n_event"))
        if not len(block) or np.nanmax(at_risk) < limit:
            continue
        episodes = (repeated or {}).get(key)
        since, last = 0.0, -np.inf
        for place in range(len(block)):
            since += events[place]
            if episodes is not None:
                times, whose = episodes
                since = len(np.unique(whose[(times > last) & (times <= block["time"].iloc[place])]))
            left = at_risk[place + 1] if place + 1 < len(block) else 0.0
            enough = since >= limit and left >= limit
            if place == 0 or enough:
                kept.append(block.index[place])
            if enough or not since:
                since, last = 0.0, block["time"].iloc[place]
            elif place == 0:
                from_nothing.append(block.index[0])
    coarse = curves.loc[kept].copy()
    for column in ("n_at_risk", "n_event", "n_censored", "n_left_out"):
        if column in coarse:
            coarse[column] = np.nan
    shown = [column for column in ("estimate", "ci_low", "ci_high") if column in coarse]
    coarse[shown] = coarse[shown].astype(float).round(DIGITS)
    begin = (coarse.loc[from_nothing, "curve"] == SURVIVAL).astype(float)
    for column in shown:
        coarse.loc[from_nothing, column] = begin
    return coarse.reset_index(drop=True)


def coarse_at_risk(table: pd.DataFrame, limit: int) -> pd.DataFrame:
    """Numbers at risk that differ by `limit` or more, or not at all, from the one shown before."""
    table = table.copy()
    keys = [column for column in ("outcome", "feature", "group") if column in table]
    shown = np.full(len(table), np.nan)
    position = {index: k for k, index in enumerate(table.index)}
    for _, block in table.groupby(keys, sort=False, dropna=False):
        last = np.nan
        for index, value in block.sort_values("time", kind="stable")["n_at_risk"].items():
            small = 0 < value < limit
            if not small and (np.isnan(last) or value == last or last - value >= limit):
                shown[position[index]] = last = float(value)
    table["n_at_risk"] = shown
    for column in ("n_event", "n_competing", "n_censored"):
        if column in table:
            table[column] = np.nan
    return table


def coarse_roc(points: pd.DataFrame, limit: int, cases: int, controls: int) -> pd.DataFrame:
    """Points of a receiver operating characteristic with `limit` cases or controls between neighbours.

    `cases`, `controls`: of the outcome. Where a marker is missing in some, its smallest steps tell how many.
    """
    kept = []
    for _, block in points.groupby("marker", sort=False):
        rates = [block[column].to_numpy(float) for column in ("tpr", "fpr")]
        true, false = (np.rint(rate * _known(rate, n)) for rate, n in zip(rates, (cases, controls)))
        rows, last = [block.index[0]], (true[0], false[0])
        for place in range(1, len(block) - 1):
            steps = abs(true[place] - last[0]), abs(false[place] - last[1])
            left = abs(true[-1] - true[place]), abs(false[-1] - false[place])
            if all(s == 0 or s >= limit for s in (*steps, *left)) and any(s >= limit for s in steps):
                rows.append(block.index[place])
                last = (true[place], false[place])
        kept += [*rows, block.index[-1]]
    return points.loc[kept].reset_index(drop=True)


def _known(rate: np.ndarray, most: int) -> int:
    """Of how many patients, `most` at most, a rate is that rises by one of them at some point."""
    steps = np.diff(np.sort(rate))
    steps = steps[steps > 1e-9]
    return min(most, int(np.rint(1 / steps.min()))) if steps.size else most
