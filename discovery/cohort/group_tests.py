"""Tests of two groups or of a contingency table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from discovery.problems import InputError, Problem

SMALLEST_P = float(np.finfo(float).tiny)


@dataclass(frozen=True, kw_only=True)
class TableTest:
    """A test of independence in a contingency table; NaN where fewer than two rows or columns count."""

    method: str
    statistic: float
    df: int
    p_value: float
    cramers_v: float
    smallest_expected: float


@dataclass(frozen=True, kw_only=True)
class MeanDifference:
    """Mean of the first group minus mean of the second."""

    estimate: float
    ci_low: float
    ci_high: float
    conf_level: float
    t: float
    df: float
    p_value: float
    n: int
    n_left_out: int
    method: str


def chi_square_test(table, *, yates: bool = False) -> TableTest:
    """Pearson's chi-square of counts (rows, columns); empty rows and columns are taken out first.

    `yates` brings every difference of a 2x2 table half a count nearer to 0 (never across it).
    Cramer's V is that of the uncorrected statistic.

    References
    ----------
    Oracle: TB03.
    """
    return _table_test(table, "Pearson chi-square", lambda o, e: ((o - e) ** 2 / e).sum(), yates=yates)


def likelihood_ratio_table_test(table) -> TableTest:
    """The likelihood-ratio statistic 2 sum O log(O/E) of counts (rows, columns)."""

    def statistic(o, e):
        return 2 * np.where(o > 0, o * np.log(np.where(o > 0, o, 1.0) / e), 0.0).sum()

    return _table_test(table, "likelihood ratio", statistic)


def fisher_exact_p(table) -> float:
    """Two-sided p of a 2x2 table: all tables with these margins that are no more probable than it.

    References
    ----------
    Oracle: TB03.
    """
    counts = _checked(table)
    if counts.shape != (2, 2):
        raise InputError([Problem(file="exact test", found=str(counts.shape), wanted="wanted a 2x2 table")])
    return _clipped(stats.fisher_exact(counts.astype(int)).pvalue)


def welch_test(a, b, *, conf_level: float = 0.95) -> MeanDifference:
    """Difference of two means without assuming equal variances; missing values are left out and counted.

    References
    ----------
    Welch, Biometrika 1947;34:28-35. Oracle: TB05.
    """
    a, b = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    left_out = int((~np.isfinite(a)).sum() + (~np.isfinite(b)).sum())
    a, b = a[np.isfinite(a)], b[np.isfinite(b)]
    if min(len(a), len(b)) < 2:
        found = f"{len(a)} and {len(b)}"
        raise InputError(
            [Problem(file="Welch test", found=found, wanted="wanted two values a group or more")]
        )
    va, vb = a.var(ddof=1) / len(a), b.var(ddof=1) / len(b)
    difference, se = float(a.mean() - b.mean()), float(np.sqrt(va + vb))
    if se == 0:
        t = df = p = low = high = float("nan")
    else:
        df = float((va + vb) ** 2 / (va**2 / (len(a) - 1) + vb**2 / (len(b) - 1)))
        t = difference / se
        p = _clipped(2 * stats.t.sf(abs(t), df))
        half = float(stats.t.ppf(0.5 + conf_level / 2, df)) * se
        low, high = difference - half, difference + half
    return MeanDifference(
        estimate=difference, ci_low=low, ci_high=high, conf_level=conf_level, t=t, df=df, p_value=p,
        n=len(a) + len(b), n_left_out=left_out, method="Welch t",
    )  # fmt: skip


def _table_test(table, method, statistic, *, yates=False) -> TableTest:
    counts = _checked(table)
    counts = counts[counts.sum(axis=1) > 0][:, counts.sum(axis=0) > 0]
    if min(counts.shape) < 2:
        nan = float("nan")
        return TableTest(
            method=method, statistic=nan, df=0, p_value=nan, cramers_v=nan, smallest_expected=nan
        )
    total = counts.sum()
    expected = counts.sum(axis=1, keepdims=True) * counts.sum(axis=0, keepdims=True) / total
    value = plain = float(statistic(counts, expected))
    if yates and counts.shape == (2, 2):
        gap = counts - expected
        value = float(statistic(counts - np.sign(gap) * np.minimum(0.5, np.abs(gap)), expected))
        method += ", Yates correction"
    df = (counts.shape[0] - 1) * (counts.shape[1] - 1)
    return TableTest(
        method=method, statistic=value, df=df, p_value=_clipped(stats.chi2.sf(value, df)),
        cramers_v=float(np.sqrt(plain / (total * (min(counts.shape) - 1)))),
        smallest_expected=float(expected.min()),
    )  # fmt: skip


def _checked(table) -> np.ndarray:
    counts = np.asarray(table, dtype=float)
    if counts.ndim != 2 or not np.isfinite(counts).all() or (counts < 0).any():
        wanted = "wanted counts from 0 up in rows and columns"
        raise InputError([Problem(file="contingency table", found=str(counts.shape), wanted=wanted)])
    return counts


def _clipped(p) -> float:
    return min(max(float(p), SMALLEST_P), 1.0)
