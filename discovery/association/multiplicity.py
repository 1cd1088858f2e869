"""Many tests at once: adjusted p-values, q-values, and levels shared out over cells.

Every function takes p-values in [0, 1] where NaN means "not tested". A NaN stays NaN and does not
enlarge the family. Cells are groups of hypotheses that belong together, usually one per outcome.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from discovery.problems import InputError, Problem, nearest

SMALLEST_P = float(np.finfo(float).tiny)  # a p-value is never printed as 0
STOREY_LAMBDA = 0.5


def checked(p_values: ArrayLike) -> np.ndarray:
    """`p_values` as a float array; `InputError` when one lies outside [0, 1]."""
    p = np.asarray(p_values, dtype=float)
    if ((p < 0) | (p > 1)).any():
        bad = p[(p < 0) | (p > 1)].flat[0]
        raise InputError(
            [
                Problem(
                    file="p-values",
                    found=str(bad),
                    wanted="a p-value lies in [0, 1], or is NaN when not tested",
                )
            ]
        )
    return p


def bonferroni(p_values: ArrayLike) -> np.ndarray:
    """Bonferroni-adjusted p, shape of `p_values`: p times the number of tests, at most 1."""
    p = checked(p_values)
    return np.minimum(p * np.count_nonzero(~np.isnan(p)), 1.0)


def holm(p_values: ArrayLike) -> np.ndarray:
    """Holm's step-down adjusted p (Scand J Stat 1979;6:65-70), valid under any dependence."""
    return _by_rank(p_values, lambda p, rank, m: np.maximum.accumulate(p * (m - rank + 1)))


def hochberg(p_values: ArrayLike) -> np.ndarray:
    """Hochberg's step-up adjusted p (Biometrika 1988;75:800-802).

    Valid for independent or positively dependent tests.
    """
    return _by_rank(p_values, lambda p, rank, m: _minimum_from_the_end(p * (m - rank + 1)))


def benjamini_hochberg(p_values: ArrayLike) -> np.ndarray:
    """Benjamini-Hochberg q (J R Stat Soc B 1995;57:289-300)."""
    return _by_rank(p_values, lambda p, rank, m: _minimum_from_the_end(p * m / rank))


def benjamini_yekutieli(p_values: ArrayLike) -> np.ndarray:
    """Benjamini-Yekutieli q (Ann Stat 2001;29:1165-1188), valid under any dependence."""

    def adjust_sorted(p: np.ndarray, rank: np.ndarray, m: int) -> np.ndarray:
        return _minimum_from_the_end(p * m / rank * np.sum(1.0 / rank))

    return _by_rank(p_values, adjust_sorted)


def share_of_nulls(
    p_values: ArrayLike, *, threshold: float = STOREY_LAMBDA, finite_sample: bool = True
) -> float:
    """Storey's estimate of the share of true null hypotheses, in (0, 1]; NaN when nothing was tested.

    #{p >= threshold} / (m (1 - threshold)), with 1 added to the numerator when `finite_sample`
    (Storey, Taylor & Siegmund, J R Stat Soc B 2004;66:187-205), which q-values need to keep their
    promise. Without it (Storey 2002) the estimate can be 0.
    """
    p = checked(p_values)
    p = p[~np.isnan(p)]
    if not len(p):
        return np.nan
    above = np.count_nonzero(p >= threshold) + (1 if finite_sample else 0)
    return float(min(above / (len(p) * (1 - threshold)), 1.0))


def share_of_nulls_by_least_error(p_values: ArrayLike, thresholds: ArrayLike) -> float:
    """Storey's share of true nulls at the threshold whose estimated mean squared error is least.

    The closed form of the bootstrap rule (Storey, Taylor & Siegmund 2004): for each threshold the
    squared distance of its estimate from the 10 % quantile over thresholds, plus its variance.
    """
    p = checked(p_values)
    p = p[~np.isnan(p)]
    grid = np.asarray(thresholds, dtype=float)
    if not len(p):
        return np.nan
    above = (p[:, None] >= grid).sum(axis=0)
    share = above / (len(p) * (1 - grid))
    variance = above / (len(p) ** 2 * (1 - grid) ** 2) * (1 - above / len(p))
    error = variance + (share - np.quantile(share, 0.1)) ** 2
    return float(min(share[error == error.min()].max(), 1.0))


def storey(
    p_values: ArrayLike, *, threshold: float = STOREY_LAMBDA, finite_sample: bool = True
) -> np.ndarray:
    """Storey q-values: the share of true nulls times the Benjamini-Hochberg q."""
    share = share_of_nulls(p_values, threshold=threshold, finite_sample=finite_sample)
    return share * benjamini_hochberg(p_values)


def two_stage_rejected(p_values: ArrayLike, level: float) -> np.ndarray:
    """Rejections (bool) of the two-stage adaptive step-up at `level`.

    Benjamini, Krieger & Yekutieli (Biometrika 2006;93:491-507): a first step-up at
    level/(1+level) counts rejections r, the second runs with m - r taken as the number of nulls.
    """
    p = checked(p_values)
    m = np.count_nonzero(~np.isnan(p))
    q = benjamini_hochberg(p)
    inner = level / (1 + level)
    first = np.count_nonzero(q <= inner)
    if first in (0, m):
        return q <= inner
    return q * (m - first) / m <= inner


def simes(p_values: ArrayLike) -> float:
    """Simes' p for "none of these is true" (Biometrika 1986;73:751-754); NaN when nothing was tested."""
    q = benjamini_hochberg(p_values)
    return float(np.nanmin(q)) if (~np.isnan(q)).any() else np.nan


@dataclass(frozen=True, kw_only=True)
class EffectiveTests:
    """Number of independent tests that a correlation matrix is worth, by three definitions."""

    li_ji: float
    nyholt: float
    galwey: float


def effective_number_of_tests(correlation: ArrayLike) -> EffectiveTests:
    """Effective number of tests from the eigenvalues of `correlation` (m, m).

    Li & Ji, Heredity 2005;95:221-227; Nyholt, Am J Hum Genet 2004;74:765-769; Galwey, Genet
    Epidemiol 2009;33:559-568. An eigenvalue within 1e-9 of a whole number counts as that number
    for Li and Ji, whose sum would otherwise jump by 1 with the last digit.
    """
    matrix = np.asarray(correlation, dtype=float)
    m = len(matrix)
    if matrix.shape != (m, m) or not np.isfinite(matrix).all():
        raise InputError(
            [
                Problem(
                    file="correlation",
                    found=f"shape {matrix.shape}",
                    wanted="a square matrix of finite numbers",
                )
            ]
        )
    values = np.maximum(np.linalg.eigvalsh(matrix), 0.0)
    whole = np.where(np.abs(values - np.round(values)) < 1e-9, np.round(values), values)
    spread = values.var(ddof=1) if m > 1 else 0.0
    return EffectiveTests(
        li_ji=float(np.sum((whole >= 1) + whole - np.floor(whole))),
        nyholt=float(1 + (m - 1) * (1 - spread / m)),
        galwey=float(np.sqrt(values).sum() ** 2 / values.sum()),
    )


def selected_cells(
    p_by_cell: Mapping[str, ArrayLike], *, cell_p: Mapping[str, float] | None = None
) -> dict[str, np.ndarray]:
    """Benjamini-Bogomolov q-values: pick cells first, then features inside the picked ones.

    At level L, cells are picked by Benjamini-Hochberg on their Simes p; with R of m picked, each
    runs Benjamini-Hochberg at L R/m (J R Stat Soc B 2014;76:297-318). The q-value is the smallest L at
    which the cell is picked and the feature rejected. It is found exactly, without a grid: R only
    changes where a cell's own adjusted p is passed, and between two such points the limit is linear
    in L. One cell gives plain Benjamini-Hochberg. `cell_p` replaces the Simes p, for example by an
    omnibus test of each cell.
    """
    inner = {cell: benjamini_hochberg(p) for cell, p in p_by_cell.items()}
    outer = benjamini_hochberg(
        [simes(p) if cell_p is None else cell_p[cell] for cell, p in p_by_cell.items()]
    )
    tested = outer[~np.isnan(outer)]
    breaks = np.unique(tested)
    picked = np.searchsorted(np.sort(tested), breaks, side="right")  # R at each break
    q = {}
    for (cell, within), own in zip(inner.items(), outer):
        if np.isnan(own):
            q[cell] = within
            continue
        start = breaks >= own  # from here on the cell is picked
        levels = np.maximum(breaks[start], within[..., None] * len(tested) / picked[start])
        q[cell] = np.minimum(levels.min(axis=-1), 1.0)
    return q


def features_first(p_by_cell: Mapping[str, ArrayLike]) -> dict[str, np.ndarray]:
    """`selected_cells` the other way round: pick features over cells, then cells of a picked feature.

    Answers "is this feature linked to anything". The cells list the same features in the same order.
    """
    cells = list(p_by_cell)
    table = _aligned(p_by_cell)
    q = selected_cells({str(j): table[:, j] for j in range(table.shape[1])})
    return {cell: np.array([q[str(j)][i] for j in range(table.shape[1])]) for i, cell in enumerate(cells)}


@dataclass(frozen=True, kw_only=True)
class Adjustment:
    """What `adjust` found, by cell. `selected` says whether the cell itself passed at `level`."""

    method: str
    level: float
    q_value: dict[str, np.ndarray]
    simes_p: dict[str, float]
    selected: dict[str, bool]


METHODS = {
    "bh": "Benjamini-Hochberg over all cells together",
    "by": "Benjamini-Yekutieli over all cells together",
    "storey": "Storey q-values over all cells together (threshold 0.5, 1 added)",
    "selected-cells": "Benjamini-Bogomolov: outcomes picked by Simes p, then features inside",
    "features-first": "Benjamini-Bogomolov: features picked by Simes p over outcomes, then outcomes inside",
    "holm": "Holm, familywise over all cells together",
    "bonferroni": "Bonferroni, familywise over all cells together",
}


def adjust(
    p_by_cell: Mapping[str, ArrayLike], method: str = "selected-cells", level: float = 0.05
) -> Adjustment:
    """q-values (or familywise adjusted p) of several cells together, by a method named in `METHODS`.

    A result counts as found when its value is at most `level`; the values themselves do not depend
    on it. Raises `InputError` for an unknown method, a level outside (0, 1), or unequal cells in
    `features-first`.
    """
    problems = []
    if method not in METHODS:
        problems.append(Problem(file="multiplicity", found=str(method), wanted=nearest(method, METHODS)))
    if not 0 < level < 1:
        problems.append(Problem(file="fdr", found=str(level), wanted="a level between 0 and 1"))
    if problems:
        raise InputError(problems)
    arrays = {cell: checked(p) for cell, p in p_by_cell.items()}
    pooled = {
        "bh": benjamini_hochberg,
        "by": benjamini_yekutieli,
        "storey": storey,
        "holm": holm,
        "bonferroni": bonferroni,
    }
    cell_p = {cell: simes(p) for cell, p in arrays.items()}
    if method == "selected-cells":
        q = selected_cells(arrays, cell_p=cell_p)
    elif method == "features-first":
        q = features_first(arrays)
    else:
        flat = np.concatenate([p.ravel() for p in arrays.values()]) if arrays else np.empty(0)
        parts = np.split(pooled[method](flat), np.cumsum([p.size for p in arrays.values()])[:-1])
        q = {cell: part.reshape(p.shape) for (cell, p), part in zip(arrays.items(), parts)}
    if method == "selected-cells":
        passed = benjamini_hochberg(list(cell_p.values())) <= level
    else:
        passed = np.array([bool((values <= level).any()) for values in q.values()])
    return Adjustment(
        method=method,
        level=level,
        q_value={cell: never_zero(values) for cell, values in q.items()},
        simes_p=cell_p,
        selected={cell: bool(found) for cell, found in zip(arrays, passed)},
    )


def combine_by_cauchy(p_values: ArrayLike) -> np.ndarray:
    """One p from several, over the last axis: the mean of their Cauchy scores (Liu & Xie, J Am Stat
    Assoc 2020;115:393-402). Any dependence between them is allowed. A NaN among them is left out."""
    p = np.clip(checked(p_values), SMALLEST_P, 1 - 1e-15)
    # tan((.5 - p) pi) = cot(p pi): this form keeps its digits for tiny p
    score = 1.0 / np.tan(p * np.pi)
    used = ~np.isnan(score)
    count = used.sum(axis=-1)
    mean = np.where(used, score, 0.0).sum(axis=-1) / np.where(count, count, 1)
    combined = np.arctan2(1.0, mean) / np.pi
    return never_zero(np.where(count > 0, combined, np.nan))


def never_zero(p_values: ArrayLike) -> np.ndarray:
    """A copy in which a 0 that underflow made is the smallest normal number; NaN stays."""
    return np.maximum(np.asarray(p_values, dtype=float), SMALLEST_P)


def _by_rank(p_values: ArrayLike, adjust_sorted) -> np.ndarray:
    p = checked(p_values)
    adjusted = np.full(p.shape, np.nan)
    tested = ~np.isnan(p)
    values = p[tested]
    if values.size:
        order = np.argsort(values, kind="stable")
        rank = np.arange(1, values.size + 1)
        result = np.empty(values.size)
        result[order] = np.minimum(adjust_sorted(values[order], rank, values.size), 1.0)
        adjusted[tested] = result
    return adjusted


def _minimum_from_the_end(values: np.ndarray) -> np.ndarray:
    return np.minimum.accumulate(values[::-1])[::-1]


def _aligned(p_by_cell: Mapping[str, ArrayLike]) -> np.ndarray:
    sizes = {cell: np.asarray(p).shape for cell, p in p_by_cell.items()}
    if len(set(sizes.values())) > 1:
        raise InputError(
            [
                Problem(
                    file="multiplicity",
                    found=str(sizes),
                    wanted="features-first needs the same features in every cell (NaN where not tested)",
                )
            ]
        )
    return np.array([checked(p) for p in p_by_cell.values()])
