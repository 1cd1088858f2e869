"""Little's test that values are missing completely at random."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import chi2

from discovery.association.multiplicity import never_zero
from discovery.problems import InputError, Problem

MOST_STEPS = 20_000
SETTLED = 1e-11  # change of a mean or covariance, in units of the variable's spread


@dataclass(frozen=True, kw_only=True)
class LittleTest:
    """`statistic` is chi-square with `df` if the hypothesis holds; NaN with a single pattern."""

    statistic: float
    df: int
    p_value: float
    patterns: int
    converged: bool


def little_test(data: pd.DataFrame) -> LittleTest:
    """Compare the means of the patterns of missingness, under one normal distribution fitted by EM.

    Rows without any value say nothing and are left out. The covariance is the maximum-likelihood one.

    References
    ----------
    Little, J Am Stat Assoc 1988;83:1198-1202.

    Raises
    ------
    InputError : a column that is not numeric, without two different values, or collinear with others.
    """
    problems = [
        Problem(file="Little's test", column=str(name), wanted="a number that varies")
        for name in data.columns
        if not pd.api.types.is_numeric_dtype(data[name]) or data[name].nunique() < 2
    ]
    if problems:
        raise InputError(problems)
    x = data.to_numpy(dtype=float, na_value=np.nan)
    x = x[~np.isnan(x).all(axis=1)]
    centre, spread = np.nanmean(x, axis=0), np.nanstd(x, axis=0)
    x = (x - centre) / spread
    patterns, which = np.unique(~np.isnan(x), axis=0, return_inverse=True)
    groups = [(seen, x[which.ravel() == k][:, seen]) for k, seen in enumerate(patterns)]
    try:
        mean, covariance, converged = _normal_by_em(groups, x.shape[1])
        statistic = sum(
            len(rows) * gap @ np.linalg.solve(covariance[np.ix_(seen, seen)], gap)
            for seen, rows in groups
            for gap in [rows.mean(axis=0) - mean[seen]]
        )
    except np.linalg.LinAlgError:
        wanted = "columns that are not linear mixes of each other"
        raise InputError(
            [Problem(file="Little's test", found="a singular covariance", wanted=wanted)]
        ) from None
    df = int(patterns.sum()) - x.shape[1]
    p = float(never_zero(chi2.sf(statistic, df))) if df > 0 else np.nan
    return LittleTest(
        statistic=float(statistic) if df > 0 else np.nan,
        df=df, p_value=p, patterns=len(patterns), converged=converged,
    )  # fmt: skip


def _normal_by_em(groups, p: int) -> tuple[np.ndarray, np.ndarray, bool]:
    """Mean (p,) and covariance (p, p) of a normal distribution seen with gaps."""
    mean, covariance = np.zeros(p), np.eye(p)
    n = sum(len(rows) for _, rows in groups)
    for _ in range(MOST_STEPS):
        first, second = np.zeros(p), np.zeros((p, p))
        for seen, rows in groups:
            full = np.empty((len(rows), p))
            full[:, seen] = rows
            gone = ~seen
            if gone.any():
                slope = np.linalg.solve(covariance[np.ix_(seen, seen)], covariance[np.ix_(seen, gone)])
                full[:, gone] = mean[gone] + (rows - mean[seen]) @ slope
                rest = covariance[np.ix_(gone, gone)] - covariance[np.ix_(gone, seen)] @ slope
                second[np.ix_(gone, gone)] += len(rows) * rest
            first += full.sum(axis=0)
            second += full.T @ full
        new_mean = first / n
        new_covariance = second / n - np.outer(new_mean, new_mean)
        change = max(np.abs(new_mean - mean).max(), np.abs(new_covariance - covariance).max())
        mean, covariance = new_mean, new_covariance
        if change < SETTLED:
            return mean, covariance, True
    return mean, covariance, False
