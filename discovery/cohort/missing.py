"""What is missing, for whom, and in which combinations."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from scipy.special import expit
from scipy.stats import chi2

from discovery.cohort.baseline import group_members
from discovery.cohort.group_tests import SMALLEST_P, likelihood_ratio_table_test
from discovery.problems import InputError, Problem

COLUMNS = [
    "variable", "label", "by", "level", "n", "n_missing", "percent_missing",
    "statistic", "df", "p_value", "test",
]  # fmt: skip
MANY_VALUES = 10


def missing_table(
    data: pd.DataFrame,
    *,
    by: Mapping[str, pd.Series] | None = None,
    labels: Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """How much of every variable is missing, overall and by site, outcome or any other grouping.

    Parameters
    ----------
    data : DataFrame, one row a patient
    by : mapping name -> Series on the index of `data`, optional
        A text, categorical or few-valued Series gives a row a level; a number with more than ten values
        gives a row for each third and is tested as a straight line on the logit scale.

    Returns
    -------
    DataFrame
        variable, label, by ("all" for the first row of a variable), level, n (patients), n_missing,
        percent_missing, and on the first row of each grouping the likelihood-ratio test that
        missingness does not go with it: statistic, df, p_value, test. No test (NaN) where the variable
        is always or never missing.
    """
    by = dict(by or {})
    problems = [
        Problem(file="missing values", column=name, wanted="wanted the same patients in the same order")
        for name, series in by.items()
        if not series.index.equals(data.index)
    ]
    if problems:
        raise InputError(problems)
    groupings = {name: _grouping(series) for name, series in by.items()}
    rows = []
    for variable in data.columns:
        gone = data[variable].isna().to_numpy()
        label = (labels or {}).get(variable, variable)
        rows.append(_row(variable, label, "all", "", gone))
        for name, (members, number) in groupings.items():
            statistic, df, method = _test(gone, members, number)
            p = max(float(chi2.sf(statistic, df)), SMALLEST_P) if df else np.nan
            for i, (level, mine) in enumerate(members.items()):
                row = _row(variable, label, name, level, gone[mine])
                if i == 0:
                    row |= {"statistic": statistic, "df": df if df else pd.NA, "p_value": p, "test": method}
                rows.append(row)
    table = pd.DataFrame(rows, columns=COLUMNS)
    return table.astype({"df": "Int64", "test": "object", "statistic": float, "p_value": float}).fillna(
        {"test": ""}
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


def _grouping(series: pd.Series):
    """Members by level, and the numbers themselves when missingness is to be tested along them."""
    if pd.api.types.is_numeric_dtype(series) and series.nunique() > MANY_VALUES:
        number = series.to_numpy(dtype=float, na_value=np.nan)
        cuts = np.unique(np.nanquantile(number, [1 / 3, 2 / 3]))
        third = pd.Series(np.searchsorted(cuts, number), index=series.index).where(series.notna())
        names = {i: f"third {i + 1} of {len(cuts) + 1}" for i in range(len(cuts) + 1)}
        return group_members(third.map(names)), number
    return group_members(series), None


def _test(gone: np.ndarray, members: Mapping[str, np.ndarray], number: np.ndarray | None):
    if number is not None:
        known = np.isfinite(number)
        statistic = _logistic_line(gone[known].astype(float), number[known])
        return (statistic, 1, "likelihood ratio, logistic") if np.isfinite(statistic) else (np.nan, 0, "")
    if len(members) < 2:
        return np.nan, 0, ""
    counts = np.array([[(gone & mine).sum(), (~gone & mine).sum()] for mine in members.values()])
    test = likelihood_ratio_table_test(counts)
    return test.statistic, test.df, test.method if test.df else ""


def _logistic_line(y: np.ndarray, x: np.ndarray) -> float:
    """Likelihood-ratio statistic of one covariate in a logistic model of y; NaN when y does not vary."""
    spread = x.std() if x.size else 0.0
    if not (0 < y.mean() < 1 if y.size else False) or spread == 0:
        return float("nan")
    x = (x - x.mean()) / spread
    design = np.column_stack([np.ones_like(x), x])

    def log_likelihood(coefficient):
        eta = design @ coefficient
        return float(y @ eta - np.logaddexp(0, eta).sum())

    share = y.mean()
    beta = np.array([np.log(share / (1 - share)), 0.0])
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
    return max(2 * (now - null), 0.0)


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
