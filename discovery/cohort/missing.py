"""What is missing, for whom, and in which combinations."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np
import pandas as pd
from scipy.special import expit
from scipy.stats import chi2

from discovery.cohort.baseline import group_members
from discovery.cohort.count_groups import count_groups
from discovery.cohort.group_tests import SMALLEST_P, likelihood_ratio_table_test
from discovery.problems import InputError, Problem

COLUMNS = [
    "variable", "label", "by", "level", "n", "n_missing", "percent_missing",
    "statistic", "df", "p_value", "test", "note",
]  # fmt: skip
MANY_VALUES = 10
SEPARATOR = ";"
IN_EACH = "a patient with several labels counts in each of them"


def missing_table(
    data: pd.DataFrame,
    *,
    by: Mapping[str, pd.Series] | None = None,
    labels: Mapping[str, str] | None = None,
    along: Mapping[str, pd.Series] | None = None,
    several: Collection[str] = (),
) -> pd.DataFrame:
    """How much of every variable is missing, overall and by site, outcome or any other grouping.

    Parameters
    ----------
    data : DataFrame, one row a patient
    by : mapping name -> Series on the index of `data`, optional
        A text or categorical Series gives a row a level. A number gives a row for each third, with ten
        values or fewer for each of the groups of `count_groups`, and is tested for trend: as a straight
        line on the logit scale.
    along : mapping name -> Series of numbers on the index of `data`, optional
        What a grouping of `by` is tested along for trend, instead of level against level.
    several : names in `by` whose texts may hold several labels ("a;b"), optional
        Such a grouping has a row for each label, with a patient in each of his; the test has an indicator
        of every label in one logistic model.

    Returns
    -------
    DataFrame
        variable, label, by ("all" for the first row of a variable), level, n (patients), n_missing,
        percent_missing, and on the first row of each grouping the likelihood-ratio test that
        missingness does not go with it: statistic, df, p_value, test. No test (NaN) where the variable
        is always or never missing. note: where patients count in several levels, that they do.
    """
    by = dict(by or {})
    problems = [
        Problem(file="missing values", column=name, wanted="wanted the same patients in the same order")
        for name, series in [*by.items(), *(along or {}).items()]
        if not series.index.equals(data.index)
    ]
    if problems:
        raise InputError(problems)
    groupings = {
        name: _grouping(series, (along or {}).get(name), name in several) for name, series in by.items()
    }
    rows = []
    for variable in data.columns:
        gone = data[variable].isna().to_numpy()
        label = (labels or {}).get(variable, variable)
        rows.append(_row(variable, label, "all", "", gone))
        for name, (members, number) in groupings.items():
            statistic, df, method = _test(gone, members, number)
            note = IN_EACH if overlap(members) else ""
            p = max(float(chi2.sf(statistic, df)), SMALLEST_P) if df else np.nan
            for i, (level, mine) in enumerate(members.items()):
                row = _row(variable, label, name, level, gone[mine]) | {"note": note}
                if i == 0:
                    row |= {"statistic": statistic, "df": df if df else pd.NA, "p_value": p, "test": method}
                rows.append(row)
    table = pd.DataFrame(rows, columns=COLUMNS)
    return table.astype({"df": "Int64", "test": "object", "statistic": float, "p_value": float}).fillna(
        {"test": "", "note": ""}
    )


def _row(variable, label, by, level, gone) -> dict:
    n, missing = len(gone), int(gone.sum())
    percent = 100 * missing / n if n else np.nan
    return {
        "variable": variable,
        "label": label,
        "by": by,
        "level": level,
        "n": n,
        "n_missing": missing,
        "percent_missing": percent,
    }


def _grouping(series: pd.Series, along: pd.Series | None, several: bool):
    """Members by level, and the numbers themselves when missingness is to be tested along them."""
    if several:
        return group_members(series, separator=SEPARATOR), None
    if along is not None:
        return group_members(series), along.to_numpy(dtype=float, na_value=np.nan)
    if not pd.api.types.is_numeric_dtype(series) or pd.api.types.is_bool_dtype(series):
        return group_members(series), None
    number = series.to_numpy(dtype=float, na_value=np.nan)
    if series.nunique() <= MANY_VALUES:
        return group_members(count_groups(series)), number
    cuts = np.unique(np.nanquantile(number, [1 / 3, 2 / 3]))
    third = pd.Series(np.searchsorted(cuts, number), index=series.index).where(series.notna())
    names = {i: f"third {i + 1} of {len(cuts) + 1}" for i in range(len(cuts) + 1)}
    return group_members(third.map(names)), number


def overlap(members: Mapping[str, np.ndarray]) -> bool:
    """Whether a patient is in two of the groups, each (n,) bool."""
    return bool(members) and bool((np.sum(list(members.values()), axis=0) > 1).any())


def _test(gone: np.ndarray, members: Mapping[str, np.ndarray], number: np.ndarray | None):
    if number is not None:
        known = np.isfinite(number)
        statistic, df = _logistic_test(gone[known].astype(float), number[known, None])
        return statistic, df, "likelihood ratio, logistic, trend" if df else ""
    if len(members) < 2:
        return np.nan, 0, ""
    if overlap(members):
        own = np.column_stack(list(members.values()))
        known = own.any(axis=1)
        statistic, df = _logistic_test(gone[known].astype(float), own[known].astype(float))
        return statistic, df, "likelihood ratio, logistic, an indicator of each label" if df else ""
    counts = np.array([[(gone & mine).sum(), (~gone & mine).sum()] for mine in members.values()])
    test = likelihood_ratio_table_test(counts)
    return test.statistic, test.df, test.method if test.df else ""


def _logistic_test(y: np.ndarray, columns: np.ndarray) -> tuple[float, int]:
    """Likelihood-ratio statistic and df of `columns` (n, k) in a logistic model of y (n,) with an intercept.

    NaN and 0 when y or the columns do not vary. Columns that others make up take no df.
    """
    if not (0 < y.mean() < 1 if y.size else False):
        return float("nan"), 0
    centred = columns - columns.mean(axis=0)
    left, size, _ = np.linalg.svd(centred, full_matrices=False)
    rank = int((size > 1e-9 * np.abs(columns).max() * np.sqrt(len(y))).sum())
    if not rank:
        return float("nan"), 0
    design = np.column_stack([np.ones_like(y), left[:, :rank] * np.sqrt(len(y))])

    def log_likelihood(coefficient):
        eta = design @ coefficient
        return float(y @ eta - np.logaddexp(0, eta).sum())

    share = y.mean()
    beta = np.append(np.log(share / (1 - share)), np.zeros(rank))
    null = now = log_likelihood(beta)
    for _ in range(60):
        mu = expit(design @ beta)
        information = design.T @ (design * (mu * (1 - mu))[:, None])
        try:
            step = np.linalg.solve(information, design.T @ (y - mu))
        except np.linalg.LinAlgError:  # separated: the likelihood has all but reached its limit
            break
        new = log_likelihood(beta + step)
        while new < now - 1e-12 and np.abs(step).max() > 1e-10:
            step = step / 2
            new = log_likelihood(beta + step)
        beta, gain, now = beta + step, new - now, new
        if abs(gain) < 1e-12 * (1 + abs(now)):
            break
    return max(2 * (now - null), 0.0), rank


def missing_patterns(data: pd.DataFrame) -> pd.DataFrame:
    """Which variables are missing together.

    Returns
    -------
    DataFrame
        One row a pattern, complete rows first, then the commonest: pattern (1, 2, …), one column of
        True (observed) or False a variable, n_variables_missing, n, percent.
    """
    if data.empty:
        raise InputError(
            [Problem(file="missing patterns", found="no rows", wanted="wanted patients and variables")]
        )
    seen, counts = np.unique(data.notna().to_numpy(), axis=0, return_counts=True)
    missing = (~seen).sum(axis=1)
    order = np.lexsort((missing, -counts, missing > 0))
    table = pd.DataFrame(seen[order], columns=data.columns)
    table.insert(0, "pattern", np.arange(1, len(order) + 1))
    return table.assign(
        n_variables_missing=missing[order], n=counts[order], percent=100 * counts[order] / len(data)
    )
