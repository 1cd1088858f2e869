"""Means fit to be shared: none of a few patients, none so exact that it tells how many patients it is of."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from discovery.cohort.masked_counts import small
from discovery.cohort.masked_digits import power_of_ten, step_of_digits, to_step

STATISTICS = ("mean", "sd", "median", "q1", "q3")
OF_GROUPS = ("smd", "sd_ratio")  # a row's difference from others, in SDs
OF_ALL = ("largest_smd", "variance_share", "p_value", "test")  # of all groups of a variable together
DECIMALS_OF_VALUES = 6  # values on no coarser grid are taken for measured without one
DIGITS_OF_SD = 3
FINEST_SMD = 0.01


def mask_statistics(
    table: pd.DataFrame,
    rows: Sequence,
    values: Sequence[np.ndarray],
    limit: int,
    *,
    whole: int | None = None,
    counted: Sequence[bool] | None = None,
) -> None:
    """Blank or round, in place, what the `rows` (labels) of one variable say of the `values` of each.

    A row of fewer than `limit` values, or in which all but 1 to `limit` - 1 values are the same, loses its
    statistics: a mean of 0 and 1 times their number is a count, and so is one of values that nearly all
    are 0. What compares all rows then goes as well. All others are rounded, to a power of ten that leaves
    three digits of the SD at most, and coarser so that nothing hidden can be worked out. Where the number
    of values is not shown, a mean of n values on a grid of step g is rounded to 2 g / n at least: otherwise
    only few n would give a sum on that grid. Beside hidden rows of h values, the row of all n is rounded to
    2 h / n SDs at least, so that theirs stays unknown to an SD or more; where that is an SD or more it is
    blank.

    Parameters
    ----------
    values : (rows,) arrays, NaN where missing
    whole : which of `rows` holds the patients of all others
    counted : (rows,) whether the number of values of each is shown; by default of all
    """
    known = [np.asarray(v, dtype=float)[np.isfinite(v)] for v in values]
    everybody = known[whole] if whole is not None else np.concatenate([*known, np.empty(0)])
    grid, spread = grid_of(everybody), float(everybody.std()) if everybody.size else 0.0
    few = np.array([tells_a_few(v, limit) for v in known], dtype=bool)
    hidden = sum(v.size for k, v in enumerate(known) if few[k] and k != whole)
    for k, row in enumerate(rows):
        n = max(known[k].size, 1)
        shown = counted is None or counted[k]
        beside = 2 * hidden / max(everybody.size, 1)
        least = 0 if shown else 2 * grid / n
        of_hidden = beside * spread if k == whole else 0
        step = power_of_ten(max(step_of_digits(spread, DIGITS_OF_SD), least, of_hidden))
        if few[k] or step > spread:
            _blank(table, row, (*STATISTICS, *OF_GROUPS))
            continue
        _round(table, row, STATISTICS, step)
        apart = power_of_ten(max(FINEST_SMD, beside, step / spread if spread else 0))
        if apart >= 1 or (few.any() and k == whole):
            _blank(table, row, OF_GROUPS)
        _round(table, row, OF_GROUPS, apart)
    for row in rows:
        if few.any():
            _blank(table, row, OF_ALL)
        _round(table, row, ("largest_smd", "variance_share"), FINEST_SMD)
        if "p_value" in table:
            table.at[row, "p_value"] = float(f"{table.at[row, 'p_value']:.2g}")


def tells_a_few(known: np.ndarray, limit: int) -> bool:
    """Whether statistics of the `known` values (n,) are of a few patients, in all or but for one value."""
    if known.size < limit:
        return True
    commonest = np.unique(known, return_counts=True)[1].max()
    return bool(commonest >= known.size / 2 and small(known.size - commonest, limit))


def grid_of(known: np.ndarray) -> float:
    """The step of which all `known` values are multiples apart, 0 where none of 6 decimals is found."""
    if known.size < 2:
        return 0.0
    for decimals in range(DECIMALS_OF_VALUES + 1):
        scaled = (known - known.min()) * 10.0**decimals
        if scaled.max() >= 2**53:
            break
        if np.abs(scaled - np.round(scaled)).max() < 1e-6:
            return float(np.gcd.reduce(np.round(scaled).astype(np.int64))) / 10.0**decimals
    return 0.0


def _blank(table: pd.DataFrame, row, columns: Sequence[str]) -> None:
    for column in columns:
        if column in table:
            table.at[row, column] = np.nan


def _round(table: pd.DataFrame, row, columns: Sequence[str], step: float) -> None:
    for column in columns if step else ():
        if column in table:
            table.at[row, column] = to_step(table.at[row, column], step)
