"""A baseline table fit to be shared: small counts masked, with what would give them away."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

import numpy as np
import pandas as pd

from discovery.cohort.masked_means import mask_statistics
from discovery.cohort.suppression import mask_beside_others, suppression_mask

OVERALL = "overall"


def suppress_baseline(
    table: pd.DataFrame,
    limit: int,
    data: pd.DataFrame,
    members: Mapping[str, np.ndarray],
    *,
    exclusive: bool = True,
) -> pd.DataFrame:
    """A copy of the baseline table of `data` with counts of 1 to `limit` - 1 masked.

    For each variable the levels (a binary one has two), the missing and the group sizes form a table
    with totals, masked by `suppression_mask` or, where groups overlap or do not hold everybody, by
    `mask_beside_others`; `exclusive` says that no patient is in two groups. The
    number of values is masked with the number of missing, and with it every percent that would tell it.
    A group size that is masked for one variable is masked for all. Means, SDs, quartiles and differences are
    blank or rounded as `mask_statistics` says; of levels no difference is left where a count is masked.
    `members` are the patients of each group, (n,) bool.
    """
    table = table.copy()
    sizes = table.drop_duplicates("group").set_index("group")["group_n"].astype(float)
    order = [name for name in sizes.index if name != OVERALL] + [OVERALL]
    sizes = sizes[order]
    if len(order) == 1:
        mask_grid = partial(suppression_mask, limit=limit, rows_add_up=False)
    elif exclusive and sizes.iloc[:-1].sum() == sizes.iloc[-1]:
        mask_grid = partial(suppression_mask, limit=limit)
    else:
        mask_grid = partial(mask_beside_others, limit=limit, overlapping=not exclusive)
    grids = {name: _grid(mine, order, sizes) for name, mine in table.groupby("variable", sort=False)}
    hidden_size = np.zeros(len(order), dtype=bool)
    masks: dict[object, np.ndarray] = {}
    settled = False
    while not settled:
        settled = True
        for name, (_, grid) in grids.items():
            already = np.zeros(grid.shape, dtype=bool)
            already[-1] = hidden_size
            masks[name] = mask_grid(grid, already=already)
            if (masks[name][-1] & ~hidden_size).any():
                hidden_size |= masks[name][-1]
                settled = False
    for name, (levels, grid) in grids.items():
        _apply(table, name, levels, grid, masks[name], order)
    everybody = {OVERALL: np.ones(len(data), dtype=bool), **members}
    for name, mine in table.groupby("variable", sort=False):
        if mine["statistic"].iloc[0] == "continuous":
            values = data[name].to_numpy(dtype=float, na_value=np.nan)
            groups = [values[everybody[group]] for group in mine["group"]]
            whole = mine["group"].tolist().index(OVERALL)
            shown = mine[["n", "group_n"]].notna().all(axis=1).tolist()
            mask_statistics(table, list(mine.index), groups, limit, whole=whole, counted=shown)
        elif mine["suppressed"].any():
            table.loc[mine.index, ["smd", "p_value", "test"]] = np.nan
    return table


def _grid(mine: pd.DataFrame, order: list, sizes: pd.Series) -> tuple[list, np.ndarray]:
    """Levels, then the missing, then the group sizes (rows) by group (columns)."""
    first = mine.drop_duplicates("group").set_index("group").loc[order]
    n = first["n"].to_numpy(dtype=float)
    kind = mine["statistic"].iloc[0]
    levels = list(dict.fromkeys(mine["level"]))
    if kind == "continuous":
        cells = [n]
    else:
        by_level = mine.set_index(["level", "group"])["count"]
        cells = [by_level[level].loc[order].to_numpy(dtype=float) for level in levels]
        if kind == "binary":
            cells.append(n - cells[0])
    return levels, np.vstack([*cells, first["missing"].to_numpy(dtype=float), sizes.to_numpy()])


def _apply(table, name, levels, grid, mask, order) -> None:
    for j, group in enumerate(order):
        here = (table["variable"] == name) & (table["group"] == group)
        kind = table.loc[here, "statistic"].iloc[0]
        size_hidden = mask[-1, j]
        n_hidden = mask[-2, j] or size_hidden or (kind == "continuous" and mask[0, j])
        if size_hidden:
            table.loc[here, "group_n"] = pd.NA
        if n_hidden:
            table.loc[here, ["n", "missing"]] = pd.NA
            table.loc[here, "percent"] = np.nan
        if kind != "continuous":
            for i, level in enumerate(levels):
                if mask[i, j] or (kind == "binary" and mask[1, j]):
                    at = here & (table["level"] == level)
                    table.loc[at, "count"] = pd.NA
                    table.loc[at, "percent"] = np.nan
        if mask[:, j].any():
            table.loc[here, "suppressed"] = True
