"""Correlation of two measurements, plain or given others."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from discovery.association.multiplicity import never_zero
from discovery.problems import InputError, Problem, nearest

KINDS = ("pearson", "spearman", "kendall")


@dataclass(frozen=True, kw_only=True)
class Correlation:
    """`estimate` in [-1, 1]; NaN when one side does not vary. The interval is Fisher's (for Spearman with
    the variance 1.06 / (n - 3) of Fieller, Hartley & Pearson, Biometrika 1957;44:470-481), NaN for
    Kendall's tau-b. `n_given` is the number of variables held."""

    kind: str
    estimate: float
    ci_low: float
    ci_high: float
    p_value: float
    n: int
    n_given: int = 0


def correlation(
    x: ArrayLike, y: ArrayLike, *, kind: str = "pearson", conf_level: float = 0.95
) -> Correlation:
    """Pearson, Spearman or Kendall tau-b correlation of the pairs without a missing value."""
    if kind not in KINDS:
        raise InputError([Problem(file="correlation", found=str(kind), wanted=nearest(kind, KINDS))])
    a, b = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    seen = ~(np.isnan(a) | np.isnan(b))
    a, b = a[seen], b[seen]
    if len(a) < 4 or a.min() == a.max() or b.min() == b.max():
        return Correlation(
            kind=kind, estimate=np.nan, ci_low=np.nan, ci_high=np.nan, p_value=np.nan, n=len(a)
        )
    if kind == "kendall":
        found = stats.kendalltau(a, b, variant="b")
        return Correlation(
            kind=kind,
            estimate=float(found.statistic),
            ci_low=np.nan,
            ci_high=np.nan,
            p_value=float(never_zero(found.pvalue)),
            n=len(a),
        )
    if kind == "spearman":
        a, b = stats.rankdata(a), stats.rankdata(b)
    return _with_interval(kind, float(np.corrcoef(a, b)[0, 1]), len(a), 0, conf_level)


def partial_spearman(
    x: ArrayLike, y: ArrayLike, given: ArrayLike, *, conf_level: float = 0.95
) -> Correlation:
    """Spearman correlation of x and y given the columns of `given` (n, k).

    Everything is ranked, the ranks of x and y are freed from those of `given` by least squares, and the
    residuals are correlated. Patients with any missing value are left out.
    """
    held = np.asarray(given, dtype=float)
    held = held[:, None] if held.ndim == 1 else held
    table = np.column_stack([np.asarray(x, dtype=float), np.asarray(y, dtype=float), held])
    table = table[~np.isnan(table).any(axis=1)]
    n, k = len(table), held.shape[1]
    if n < k + 4:
        return Correlation(
            kind="spearman", estimate=np.nan, ci_low=np.nan, ci_high=np.nan, p_value=np.nan, n=n, n_given=k
        )
    ranks = stats.rankdata(table, axis=0)
    z = np.column_stack([np.ones(n), ranks[:, 2:] - ranks[:, 2:].mean(axis=0)])
    rest = ranks[:, :2] - z @ np.linalg.lstsq(z, ranks[:, :2], rcond=None)[0]
    lengths = np.sqrt((rest**2).sum(axis=0))
    if (lengths < 1e-9 * np.sqrt((ranks[:, :2] ** 2).sum(axis=0))).any():
        estimate = np.nan
    else:
        estimate = float(rest[:, 0] @ rest[:, 1] / lengths.prod())
    return _with_interval("spearman", estimate, n, k, conf_level)


def _with_interval(kind: str, estimate: float, n: int, n_given: int, conf_level: float) -> Correlation:
    freedom = n - 2 - n_given
    bounded = float(np.clip(estimate, -1.0, 1.0))
    with np.errstate(divide="ignore"):
        t = bounded * np.sqrt(freedom / (1 - bounded**2)) if abs(bounded) < 1 else np.inf
        factor = 1.06 if kind == "spearman" else 1.0
        half = (
            stats.norm.ppf((1 + conf_level) / 2) * np.sqrt(factor / (freedom - 1)) if freedom > 1 else np.nan
        )
        centre = np.arctanh(bounded)
    return Correlation(
        kind=kind,
        estimate=bounded,
        ci_low=float(np.tanh(centre - half)),
        ci_high=float(np.tanh(centre + half)),
        p_value=float(never_zero(2 * stats.t.sf(abs(t), freedom))),
        n=n,
        n_given=n_given,
    )
