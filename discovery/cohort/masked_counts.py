"""Counts fit to be shared, table by table: small ones masked, and what would tell them by subtraction."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from itertools import pairwise

import numpy as np
import pandas as pd

from discovery.cohort.suppression import mask_beside_others, suppression_mask

ALL = "all"
COUNTS = (
    "n", "events", "n_event", "n_left_out", "n_analysed", "n_with_outcome", "n_missing", "missing", "n_known",
    "n_imputed", "n_not_imputed", "n_beyond_limit", "n_shifted", "n_against",
)  # fmt: skip
SHARES = (
    "missing_share", "percent_missing", "percent_events", "percent_of_patients", "percent", "rate",
    "rate_low", "rate_high", "person_time", "sensitivity", "precision", "accuracy", "largest_class", "share",
)  # fmt: skip


def small(value: object, limit: int) -> bool:
    """Whether a count must not be shown: 1 to `limit` - 1. Zero tells nothing of anybody."""
    return value is not None and not pd.isna(value) and 0 < float(value) < limit  # type: ignore[arg-type]


def mask_rows(
    table: pd.DataFrame,
    limit: int,
    *,
    n: Mapping[str, tuple[float, ...]],
    events: Mapping[str, tuple[float, ...]],
) -> pd.DataFrame:
    """A copy with the counts of rows masked that are small, or differ from a total by a small number.

    `n` and `events`: outcome -> totals that are known elsewhere (of the study, of the analysis). Rows of
    other outcomes, or of none, are held against all totals. The number left out is masked with the
    number that is in, and a share with its count.
    """
    table = table.copy()
    every_n = tuple(total for totals in n.values() for total in totals)
    every_e = tuple(total for totals in events.values() for total in totals)
    owner = table["outcome"] if "outcome" in table else pd.Series("", index=table.index)

    def near(value, totals) -> bool:
        return small(value, limit) or any(small(total - value, limit) for total in totals if value == value)

    hidden = np.zeros(len(table), dtype=bool)
    for place, (name, row) in enumerate(zip(owner, table.to_dict("records"))):
        for column in COUNTS:
            if column not in row or pd.isna(row[column]):
                continue
            totals = events.get(name, every_e) if column in ("events", "n_event") else n.get(name, every_n)
            hidden[place] |= near(float(row[column]), totals)
        total = row.get("n", np.nan)
        happened = row.get("events", row.get("n_event", np.nan))
        if not pd.isna(total) and not pd.isna(happened):
            hidden[place] |= small(float(total) - float(happened), limit)
    return blank(table, hidden)


def blank(table: pd.DataFrame, hidden: np.ndarray) -> pd.DataFrame:
    """`table` without counts and shares in the rows `hidden` (n,) bool."""
    for column in (*COUNTS, *SHARES):
        if column in table and hidden.any():
            if not pd.api.types.is_float_dtype(table[column].dtype):
                table[column] = table[column].astype("Int64")
            table.loc[hidden, column] = pd.NA if str(table[column].dtype) == "Int64" else np.nan
    return table


def mask_flow(table: pd.DataFrame, limit: int, analysed: Mapping[str, bool]) -> pd.DataFrame:
    """The flow of patients: a step from which few left loses its counts.

    `analysed`: outcome -> whether its final number is shown elsewhere; it is then kept, and a step too near
    to it is masked instead. The number at the start of the analyses is kept.
    """
    table = table.copy().astype({"n": "Int64", "n_left_out": "Int64"})
    n = table["n"].astype(float).to_numpy()
    shared = np.flatnonzero((table["outcome"].fillna("") == "").to_numpy())
    keep = np.zeros(len(table), dtype=bool)
    last = shared[-1]
    keep[last] = True
    after = n[last]
    for at in shared[-2::-1]:
        keep[at] = n[at] == after or n[at] - after >= limit
        after = n[at] if keep[at] else after
    chains = [np.append(shared[:0], shared)]
    for outcome in dict.fromkeys(table["outcome"].fillna("")):
        if outcome == "":
            continue
        mine = np.flatnonzero((table["outcome"] == outcome).to_numpy())
        end = mine[-1]
        keep[end] = analysed.get(str(outcome), False) and not small(n[last] - n[end], limit)
        before = n[last]
        for at in mine[:-1]:
            far = not keep[end] or n[at] == n[end] or n[at] - n[end] >= limit
            keep[at] = far and (n[at] == before or before - n[at] >= limit)
            before = n[at] if keep[at] else before
        chains.append(np.append(last, mine))
    gone = table["n_left_out"].to_numpy(dtype=float)
    hidden = np.array([small(number, limit) for number in gone])  # rows without a patient leave no smaller n
    for chain in chains:
        for previous, at in pairwise(chain):
            hidden[at] |= gone[at] > 0 and not (keep[previous] and keep[at])
    table.loc[hidden, "n_left_out"] = pd.NA
    table.loc[~keep, "n"] = pd.NA
    return table


def mask_missing(
    table: pd.DataFrame,
    limit: int,
    hidden: Mapping[str, set],
    cells: Mapping[tuple, bool],
    *,
    overlapping: Collection[str] = (),
) -> pd.DataFrame:
    """Missing values by group. `hidden`: grouping -> levels whose size is masked in other tables;
    `cells`: (variable, grouping, level) -> masked there; `overlapping`: groupings in which a patient may be
    in several levels.

    A grouping with a masked count loses its test: few tables have its statistic, and known margins. So does
    one whose levels overlap: its test is of the overlaps too, which may be small and are printed nowhere.
    """
    table = table.copy().astype({"n": "Int64", "n_missing": "Int64"})
    gone = np.zeros(len(table), dtype=bool)
    sizes = np.zeros(len(table), dtype=bool)
    place = {key: k for k, key in enumerate(zip(table["variable"], table["by"], table["level"].astype(str)))}
    settled = False
    while not settled:
        settled = True
        for (variable, by), block in table[table["by"] != ALL].groupby(["variable", "by"], sort=False):
            whole = place[variable, ALL, str(table.loc[table["by"] == ALL, "level"].iloc[0])]
            at = np.append([place[variable, by, str(level)] for level in block["level"]], whole)
            n = table["n"].astype(float).to_numpy()[at]
            missing = table["n_missing"].astype(float).to_numpy()[at]
            counts = np.vstack([missing, n - missing, n])
            already = np.zeros(counts.shape, dtype=bool)
            already[:2] = gone[at]
            levels = [str(level) for level in block["level"]] + [ALL]
            already[2] = [level in hidden.get(str(by), set()) for level in levels]
            already[:2] |= np.array([cells.get((variable, str(by), level), False) for level in levels])
            if str(by) in overlapping:
                mask = mask_beside_others(counts, limit, overlapping=True, already=already)
            else:
                mask_grid = suppression_mask if n[:-1].sum() == n[-1] else mask_beside_others
                mask = mask_grid(counts, limit, already=already)
            new = mask[0] | mask[1]
            if (new & ~gone[at]).any():
                gone[at] |= new
                settled = False
            sizes[at] |= mask[2]
    small_alone = [small(m, limit) or small(n - m, limit) for m, n in zip(table["n_missing"], table["n"])]
    gone |= np.array(small_alone, dtype=bool)
    table.loc[gone | sizes, "n_missing"] = pd.NA
    table.loc[gone | sizes, "percent_missing"] = np.nan
    table.loc[sizes, "n"] = pd.NA
    counts = table[["n", "n_missing"]].isna().any(axis=1)
    untold = counts.groupby([table["variable"], table["by"]], sort=False).transform("any")
    untold |= table["by"].isin(list(overlapping))
    table.loc[untold, ["statistic", "df", "p_value"]] = pd.NA
    table.loc[untold, "test"] = ""
    return table


def mask_sites(
    table: pd.DataFrame, limit: int, hidden: set, totals: Mapping[str, tuple[int, int]], n_study: int
) -> pd.DataFrame:
    """Patients and events by site. `hidden`: sites whose size is masked elsewhere; `totals`: outcome ->
    (patients with the outcome, events) in the study."""
    table = table.copy().astype(dict.fromkeys(["n", "n_with_outcome", "events"], "Int64"))
    for outcome, block in table.groupby("outcome", sort=False):
        known, happened = totals[str(outcome)]
        n, seen, events = (block[c].astype(float).to_numpy() for c in ("n", "n_with_outcome", "events"))
        counts = np.vstack([events, seen - events, n - seen, n])
        margin = np.array([happened, known - happened, n_study - known, n_study], dtype=float)
        already = np.zeros((4, len(block) + 1), dtype=bool)
        already[3, :-1] = block["site"].astype(str).isin(hidden)
        grid = np.column_stack([counts, margin])
        mask_grid = suppression_mask if n.sum() == n_study else mask_beside_others
        mask = mask_grid(grid, limit, already=already)
        for k, row in enumerate(block.index):
            if mask[0, k] or mask[1, k] or mask[2, k]:
                table.loc[row, ["events", "n_with_outcome"]] = pd.NA
                table.loc[row, "percent_events"] = np.nan
            if mask[3, k]:
                table.loc[row, ["n", "n_with_outcome", "events"]] = pd.NA
                table.loc[row, ["percent_of_patients", "percent_events"]] = np.nan
    return table


def hidden_in_baseline(baseline: pd.DataFrame, variable: str) -> set:
    """Levels of a categorical variable whose count overall is masked in the baseline table."""
    rows = baseline[(baseline["variable"] == variable) & (baseline["group"] == "overall")]
    return set(rows.loc[rows["count"].isna(), "level"].astype(str))
