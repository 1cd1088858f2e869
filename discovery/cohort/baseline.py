"""Baseline table: who is in the study, overall and by group, as tidy data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from discovery.cohort.group_tests import chi_square_test, welch_test
from discovery.cohort.standardised_difference import smd_binary, smd_categorical, smd_continuous
from discovery.problems import InputError, Problem, nearest

OVERALL = "overall"
CONTINUOUS, BINARY, CATEGORICAL = "continuous", "binary", "categorical"
STATISTICS = ["mean", "sd", "median", "q1", "q3"]
COLUMNS = [
    "variable", "label", "unit", "statistic", "level", "group", "group_n", "n", "missing",
    *STATISTICS, "count", "percent", "smd", "p_value", "test", "suppressed",
]  # fmt: skip


def baseline_table(
    data: pd.DataFrame,
    *,
    group: pd.Series | None = None,
    variables: Sequence[str] | None = None,
    kinds: Mapping[str, str] | None = None,
    labels: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    separator: str | None = None,
    p_values: bool = False,
    suppress_below: int | None = None,
) -> pd.DataFrame:
    """One row a variable, level and group, the overall column among the groups.

    Parameters
    ----------
    data : DataFrame, one row a patient
    group : Series on the index of `data`, optional
        Columns of the table: an etiology, an outcome, a site. Patients without a group count in the
        overall column alone.
    kinds : mapping, optional
        "continuous", "binary" or "categorical" by variable. Otherwise: a number that takes only the
        values 0 and 1 is binary, another number continuous, anything else categorical.
    separator : str, optional
        Splits `group` into several labels a patient ("a;b"); a patient then counts in each.
    p_values : bool
        Off by default: a baseline table describes, and the size of a difference is the `smd`. For two
        groups Welch's test, for more an analysis of variance, chi-square for levels; none when
        groups overlap.
    suppress_below : int, optional
        Mask counts from 1 to one less than this, and what would reveal them; see `suppress_baseline`,
        which rounds as well.

    Returns
    -------
    DataFrame
        variable, label, unit, statistic (the kind), level, group, group_n, n (with a value), missing,
        mean, sd, median, q1, q3 (type 7), count, percent (of n), smd, p_value, test, suppressed.
        `smd` of a group's row compares the group with everybody else who has a group; on an overall
        row it is second minus first of two groups, the largest pairwise size of more than two. For
        the levels of a categorical variable it is the Mahalanobis form, one for all levels.
        A binary variable has one row, for the value 1. Nothing is rounded.

    Raises
    ------
    InputError
        An unknown variable or kind; `group` on another index.
    """
    variables = list(data.columns) if variables is None else list(variables)
    problems = [
        Problem(
            file="baseline", column=str(name), found=str(name), wanted=nearest(name, map(str, data.columns))
        )
        for name in variables
        if name not in data.columns
    ]
    for name, kind in (kinds or {}).items():
        if kind not in (CONTINUOUS, BINARY, CATEGORICAL):
            wanted = nearest(kind, [CONTINUOUS, BINARY, CATEGORICAL])
            problems.append(Problem(file="baseline", column=name, found=kind, wanted=wanted))
    if group is not None and not group.index.equals(data.index):
        problems.append(
            Problem(file="baseline", column="group", wanted="wanted the same patients in the same order")
        )
    if problems:
        raise InputError(problems)

    members = group_members(group, separator=separator) if group is not None else {}
    overlap = bool(members) and bool((np.sum(list(members.values()), axis=0) > 1).any())
    tables = []
    for name in variables:
        kind = (kinds or {}).get(name) or kind_of(data[name])
        describe = _continuous if kind == CONTINUOUS else _levels
        table = describe(data[name], kind, members, p_values and not overlap and len(members) > 1, overlap)
        tables.append(
            table.assign(
                variable=name, label=(labels or {}).get(name, name), unit=(units or {}).get(name, "")
            )
        )
    whole = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=COLUMNS)
    whole = whole.assign(suppressed=False).reindex(columns=COLUMNS)
    whole = whole.astype(dict.fromkeys(["group_n", "n", "missing", "count"], "Int64"))
    if suppress_below is None:
        return whole
    from discovery.cohort.baseline_suppression import suppress_baseline

    return suppress_baseline(whole, suppress_below, data, members, exclusive=not overlap)


def kind_of(values: pd.Series) -> str:
    """The kind of a column by its type and values, see `baseline_table`."""
    if pd.api.types.is_bool_dtype(values):
        return BINARY
    if not pd.api.types.is_numeric_dtype(values):
        return CATEGORICAL
    return BINARY if set(values.dropna().unique()) <= {0, 1} and values.notna().any() else CONTINUOUS


def group_members(group: pd.Series, *, separator: str | None = None) -> dict[str, np.ndarray]:
    """Label -> bool array (n,) of its patients; with a `separator` a patient may have several labels."""
    if separator is None:
        return {
            _text(value): (group == value).to_numpy(dtype=bool, na_value=False)
            for value in _values_in_order(group)
        }
    parts = [
        {part.strip() for part in str(text).split(separator) if part.strip()} if pd.notna(text) else set()
        for text in group
    ]
    found = sorted(set().union(*parts))
    return {label: np.array([label in mine for mine in parts], dtype=bool) for label in found}


def _values_in_order(column: pd.Series) -> list:
    """The values that occur: categories in their own order, else numbers before text, rising."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return [value for value in column.cat.categories if (column == value).any()]
    return sorted(column.dropna().unique(), key=lambda value: (isinstance(value, str), value))


def _continuous(column: pd.Series, kind: str, members, test: bool, overlap: bool) -> pd.DataFrame:
    values = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    some = np.any(list(members.values()), axis=0) if members else np.zeros(len(values), dtype=bool)
    rows = []
    for name, mine in {OVERALL: np.ones(len(values), dtype=bool), **members}.items():
        here = values[mine]
        here = here[np.isfinite(here)]
        quartiles = np.quantile(here, [0.5, 0.25, 0.75]) if here.size else np.full(3, np.nan)
        row = {"group": name, "level": "", "group_n": int(mine.sum()), "n": here.size}
        row |= {"missing": int(mine.sum()) - here.size}
        row |= {
            "mean": here.mean() if here.size else np.nan,
            "sd": here.std(ddof=1) if here.size > 1 else np.nan,
        }
        row |= dict(zip(["median", "q1", "q3"], quartiles))
        row |= {"smd": np.nan if name == OVERALL else smd_continuous(values[mine], values[some & ~mine])}
        rows.append(row)
    groups = [values[mine] for mine in members.values()]
    rows[0]["smd"] = _between(groups, smd_continuous, overlap)
    if test:
        rows[0] |= dict(zip(["p_value", "test"], _mean_test(groups)))
    return pd.DataFrame(rows).assign(statistic=kind)


def _levels(column: pd.Series, kind: str, members, test: bool, overlap: bool) -> pd.DataFrame:
    if kind == BINARY:
        column = column.astype(float)
        order: list = [0.0, 1.0]
    else:
        order = _values_in_order(column)
    present = column.notna().to_numpy()
    is_level = (
        np.stack([(column == value).to_numpy(dtype=bool, na_value=False) for value in order])
        if order
        else None
    )
    some = np.any(list(members.values()), axis=0) if members else np.zeros(len(column), dtype=bool)

    def counts(mine):
        return is_level[:, mine].sum(axis=1) if is_level is not None else np.zeros(0)

    def apart(a, b):
        if kind == BINARY:
            return smd_binary(column[a].to_numpy(), column[b].to_numpy())
        return smd_categorical(counts(a), counts(b)) if order else np.nan

    rows = []
    for name, mine in {OVERALL: np.ones(len(column), dtype=bool), **members}.items():
        smd = np.nan if name == OVERALL else apart(mine, some & ~mine)
        n = int((present & mine).sum())
        shown = list(zip(order, counts(mine))) or [("", 0)]
        for value, count in shown[-1:] if kind == BINARY else shown:
            row = {"group": name, "level": _text(value), "group_n": int(mine.sum()), "n": n}
            row |= {"missing": int(mine.sum()) - n, "count": int(count), "smd": smd}
            rows.append(row | {"percent": 100 * count / n if n else np.nan})
    table = pd.DataFrame(rows).assign(statistic=kind)
    overall = table["group"] == OVERALL
    table.loc[overall, "smd"] = _between(list(members.values()), apart, overlap)
    if test and order:
        result = chi_square_test(np.stack([counts(mine) for mine in members.values()], axis=1))
        table.loc[overall, "p_value"] = result.p_value
        table.loc[overall, "test"] = result.method if result.df else ""
    return table


def _between(groups, difference, overlap: bool) -> float:
    """Second minus first of two groups; the largest pairwise size of more."""
    if len(groups) < 2 or overlap:
        return float("nan")
    if len(groups) == 2:
        return float(difference(groups[1], groups[0]))
    pairs = [difference(b, a) for i, a in enumerate(groups) for b in groups[i + 1 :]]
    return float(np.nanmax(np.abs(pairs))) if not np.isnan(pairs).all() else float("nan")


def _mean_test(groups) -> tuple[float, str]:
    known = [values[np.isfinite(values)] for values in groups]
    known = [values for values in known if len(values) > 1]
    if len(known) < 2 or not any(values.std() > 0 for values in known):
        return float("nan"), ""
    if len(known) == 2:
        return welch_test(known[0], known[1]).p_value, "Welch t"
    from scipy.stats import f_oneway

    return max(float(f_oneway(*known).pvalue), float(np.finfo(float).tiny)), "analysis of variance"


def _text(value: object) -> str:
    if isinstance(value, (float, np.floating)) and float(value).is_integer():
        return str(int(value))
    return str(value)
