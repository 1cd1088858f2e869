"""Rank tests between groups: Mann-Whitney for two, Kruskal-Wallis and Dunn's pairs for more."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from discovery.association.multiplicity import holm, never_zero
from discovery.problems import InputError, Problem


@dataclass(frozen=True, kw_only=True)
class MannWhitney:
    """`u` counts pairs in which the first group is higher, ties half; `share` = u / (n1 n2)."""

    u: float
    share: float
    p_value: float
    n_first: int
    n_second: int
    method: str


@dataclass(frozen=True, kw_only=True)
class KruskalWallis:
    h: float
    df: int
    p_value: float
    n: int


def mann_whitney(first: ArrayLike, second: ArrayLike, *, continuity: bool = True) -> MannWhitney:
    """Two-sided Mann-Whitney test, normal approximation with tie correction; NaN left out."""
    a, b = _seen(first), _seen(second)
    _require_values({"first": a, "second": b})
    found = stats.mannwhitneyu(a, b, method="asymptotic", use_continuity=continuity)
    return MannWhitney(
        u=float(found.statistic),
        share=float(found.statistic) / (len(a) * len(b)),
        p_value=float(never_zero(found.pvalue)),
        n_first=len(a),
        n_second=len(b),
        method="normal approximation, ties corrected"
        + (", continuity correction" if continuity else ", no continuity correction"),
    )


def kruskal_wallis(groups: Mapping[Hashable, ArrayLike]) -> KruskalWallis:
    """Kruskal-Wallis H over the groups, tie-corrected; NaN left out, empty groups are a fault."""
    arrays = {name: _seen(values) for name, values in groups.items()}
    _require_values(arrays)
    pooled = np.concatenate(list(arrays.values()))
    if pooled.min() == pooled.max():
        return KruskalWallis(h=np.nan, df=len(arrays) - 1, p_value=np.nan, n=len(pooled))
    found = stats.kruskal(*arrays.values())
    return KruskalWallis(
        h=float(found.statistic), df=len(arrays) - 1, p_value=float(never_zero(found.pvalue)), n=len(pooled)
    )


def dunn(groups: Mapping[Hashable, ArrayLike]) -> pd.DataFrame:
    """Dunn's pairwise comparisons after Kruskal-Wallis: first, second, z, p_value, p_holm.

    Mean ranks over all groups together, ties corrected; z > 0 when the first group is higher
    (Technometrics 1964;6:241-252).
    """
    arrays = {name: _seen(values) for name, values in groups.items()}
    _require_values(arrays)
    names = list(arrays)
    pooled = np.concatenate(list(arrays.values()))
    ranks = stats.rankdata(pooled)
    parts = np.split(ranks, np.cumsum([len(v) for v in arrays.values()])[:-1])
    n = len(pooled)
    ties = np.unique(pooled, return_counts=True)[1].astype(float)
    spread = n * (n + 1) / 12 - (ties**3 - ties).sum() / (12 * (n - 1))
    rows = []
    for i, j in combinations(range(len(names)), 2):
        se = np.sqrt(spread * (1 / len(parts[i]) + 1 / len(parts[j])))
        z = (parts[i].mean() - parts[j].mean()) / se if se > 0 else np.nan
        rows.append((names[i], names[j], z, float(never_zero(2 * stats.norm.sf(abs(z))))))
    table = pd.DataFrame(rows, columns=["first", "second", "z", "p_value"])
    return table.assign(p_holm=holm(table["p_value"]))


def _seen(values: ArrayLike) -> np.ndarray:
    array = np.asarray(values, dtype=float).ravel()
    return array[~np.isnan(array)]


def _require_values(groups: Mapping[Hashable, np.ndarray]) -> None:
    empty = [str(name) for name, values in groups.items() if not len(values)]
    if empty or len(groups) < 2:
        found = f"no value in {', '.join(empty)}" if empty else f"{len(groups)} group"
        raise InputError([Problem(file="groups", found=found, wanted="two or more groups with values")])
