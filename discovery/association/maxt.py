"""Familywise p-values from the largest statistic under permutation (maxT).

With covariates, what is permuted is the outcome's residual under the base model, never the outcome
itself, and each feature is first made free of the covariates.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from discovery.association.design import Design
from discovery.association.kinds import kind_of
from discovery.association.multinomial_null import quadratic_score
from discovery.association.null_model import centred_in_strata, fit_null, missing_patterns
from discovery.problems import InputError, Problem

BLOCK_BYTES = 32_000_000
LEAST_EXCHANGED, MOST_GROUPS = 12, 10
HIT = 1 - 1e-9  # a permuted statistic this near to the observed one is a tie, and a tie is a hit


@dataclass(frozen=True, kw_only=True)
class MaxT:
    """`statistic` (p,) standardised, signed; `p_familywise` (p,); `limit`: the 95 % quantile of the largest
    absolute statistic under permutation. NaN for a feature without spread."""

    statistic: np.ndarray
    p_familywise: np.ndarray
    limit: float
    permutations: int


def max_t(
    design: Design, *, permutations: int = 10_000, rng: np.random.Generator, step_down: bool = False
) -> MaxT:
    """Familywise p of every feature of `design`, (1 + hits) / (permutations + 1).

    All but continuous outcomes: residuals of the base model (martingale; y - mu) are permuted against
    features made free of the covariates by the model's own weights; each statistic is divided by its
    exact permutation SD, which does not change from draw to draw. Residuals only change places
    between patients of the same stratum and of like predicted risk (`exchange_groups`): the spread of a
    residual follows the risk, that of a feature often follows the same covariates, and permuting
    across all patients would break that link (familywise error .14-.17 at .05 for right-skewed
    features, n = 200; .05-.06 in groups). Continuous outcomes: Freedman & Lane (J Bus Econ Stat
    1983;1:292-298) with |t|.

    Classes without an order have a residual for each class but one; a feature's statistic is then the root
    of the quadratic form of its scores against all of them, by their exact permutation covariance.

    Recurrent episodes: no permutation, since patients differ in how long they were watched; each patient's
    contribution to the robust scores gets a random sign, the same for all features (Hemerik, Goeman & Finos,
    J R Stat Soc B 2020;82:841-864).

    One permutation serves all features. A feature with missing values is made free of the covariates
    and centred over its own rows and is 0 elsewhere, so that it sees the permuted residuals that fall
    on its rows; for a continuous outcome its t is the one of its own rows.

    Draws come from `rng` in blocks whose size depends on n and p alone: the same bytes on any machine load.
    """
    if permutations < 1:
        raise InputError(
            [Problem(file="permutations", found=str(permutations), wanted="a whole number from 1")]
        )
    drawn = _random_signs if kind_of(design.kind).by_patient else _permuted_residuals
    test = drawn(design, permutations, rng)
    usable = np.flatnonzero(np.isfinite(test.observed))
    size = np.abs(test.observed[usable])
    order = np.argsort(-size, kind="stable")
    hits, largest = _hits(test, usable, size, order if step_down else None)
    p_value = np.full(len(test.observed), np.nan)
    p_value[usable] = (1 + hits) / (permutations + 1)
    if step_down:
        p_value[usable[order]] = np.maximum.accumulate(p_value[usable[order]])
    return MaxT(
        statistic=np.where(np.isfinite(test.observed), test.observed, np.nan),
        p_familywise=p_value,
        limit=float(np.quantile(largest, 0.95)) if len(usable) else np.nan,
        permutations=permutations,
    )


@dataclass(frozen=True, kw_only=True)
class _Draws:
    """`observed` (p,) statistics, `blocks` (n, b, ..) of draws, `score` of a block: statistics (p, b)."""

    observed: np.ndarray
    score: Callable[[np.ndarray], np.ndarray]
    blocks: Iterator[np.ndarray]


def _random_signs(design: Design, permutations: int, rng: np.random.Generator) -> _Draws:
    contribution, freed = kind_of(design.kind).patient_scores(design)
    length = np.sqrt((freed**2).sum(axis=0))
    length[~(length > 0)] = np.nan
    unit = (freed / length).T
    return _Draws(
        observed=contribution.sum(axis=0) / length,
        score=lambda block: unit @ block,
        blocks=sign_blocks(design.n, permutations, design.observed.shape[1], rng),
    )


def _permuted_residuals(design: Design, permutations: int, rng: np.random.Generator) -> _Draws:
    null = fit_null(design)
    if kind_of(design.kind).freedman_lane:
        residual, groups = null.residual, None
        score = _freedman_lane(design, null.clean)
    else:
        groups = exchange_groups(null.predictor, design.stratum)
        residual = centred_in_strata(null.residual, groups)
        fixed = _fixed_sd if residual.ndim == 1 else quadratic_score
        score = fixed(null.clean, design.observed, residual, groups)
    return _Draws(
        observed=score(residual[:, None])[:, 0],
        score=score,
        blocks=permuted_blocks(residual, groups, permutations, design.observed.shape[1], rng),
    )


def _hits(
    test: _Draws, usable: np.ndarray, size: np.ndarray, order: np.ndarray | None
) -> tuple[np.ndarray, np.ndarray]:
    """How many draws reach each of the `usable` features' `size`, and the largest statistic of each draw.

    With an `order`, largest first, a feature is compared with the largest of itself and those after it.
    """
    hits, largest = np.zeros(len(usable), dtype=np.int64), []
    for block in test.blocks:
        drawn = np.abs(test.score(block)[usable])
        drawn[~np.isfinite(drawn)] = 0.0
        top = drawn.max(axis=0) if len(usable) else np.zeros(block.shape[1])
        largest.append(top)
        if order is not None:
            rest = np.maximum.accumulate(drawn[order][::-1], axis=0)[::-1]
            hits[order] += (rest >= HIT * size[order][:, None]).sum(axis=1)
        else:
            hits += len(top) - np.searchsorted(np.sort(top), HIT * size, side="left")
    return hits, np.concatenate(largest)


def exchange_groups(predictor: np.ndarray, stratum: np.ndarray | None = None) -> np.ndarray:
    """Codes (n,) of patients whose residuals may change places: one stratum, neighbours in `predictor`.

    Groups of about 12 patients or more, at most 10 in a stratum; patients with the same predictor stay
    together. Without covariates the predictor is constant and a stratum is one group.
    """
    n = len(predictor)
    strata = np.zeros(n, dtype=np.int64) if stratum is None else stratum
    codes = np.empty(n, dtype=np.int64)
    used = 0
    for s in np.unique(strata):
        rows = np.flatnonzero(strata == s)
        target = max(LEAST_EXCHANGED, -(-len(rows) // MOST_GROUPS))
        _, same, counts = np.unique(np.round(predictor[rows], 9), return_inverse=True, return_counts=True)
        group, inside = np.empty(len(counts), dtype=np.int64), 0
        for k, count in enumerate(counts):
            left = counts[k:].sum()
            if inside >= target and left >= target:
                used, inside = used + 1, 0
            group[k] = used
            inside += count
        codes[rows] = group[same]
        used += 1
    return codes


def permuted_blocks(
    residual: np.ndarray, groups: np.ndarray | None, permutations: int, p: int, rng: np.random.Generator
) -> Iterator[np.ndarray]:
    """`residual` (n,) permuted within groups, as (n, b) blocks that add up to `permutations` columns.

    Of residuals (n, c) whole rows are permuted: (n, b, c) blocks.
    """
    n = len(residual)
    if residual.ndim > 1:  # rows change places as a whole
        for block in permuted_blocks(np.arange(n), groups, permutations, p * residual.shape[1], rng):
            yield residual[block]
        return
    size = max(16, BLOCK_BYTES // (8 * (n + p)))
    parts = [np.arange(n)] if groups is None else [np.flatnonzero(groups == g) for g in np.unique(groups)]
    done = 0
    while done < permutations:
        b = min(size, permutations - done)
        block = np.empty((b, n), dtype=residual.dtype)
        for rows in parts:
            block[:, rows] = rng.permuted(np.broadcast_to(residual[rows], (b, len(rows))), axis=1)
        yield block.T
        done += b


def sign_blocks(n: int, draws: int, p: int, rng: np.random.Generator) -> Iterator[np.ndarray]:
    """Random signs of n patients, as (n, b) blocks that add up to `draws` columns."""
    size = max(16, BLOCK_BYTES // (8 * (n + p)))
    for done in range(0, draws, size):
        yield rng.choice((-1.0, 1.0), (min(size, draws - done), n)).T


def _fixed_sd(clean: np.ndarray, observed: np.ndarray, residual: np.ndarray, groups: np.ndarray):
    """Score of each feature over its exact SD when the residuals are permuted within groups.

    Features are centred over their own rows in each group, so that a missing value stays a 0.
    """
    centred, variance = np.zeros_like(clean), np.zeros(clean.shape[1])
    for g in np.unique(groups):
        rows = groups == g
        seen, m = observed[rows], residual[rows] - residual[rows].mean()
        x = clean[rows] - clean[rows].sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
        centred[rows] = np.where(seen, x, 0.0)
        if len(m) > 1:
            variance += (centred[rows] ** 2).sum(axis=0) * (m @ m) / (len(m) - 1)
    flat = _without_spread(centred) | (variance <= 0)
    turned = np.ascontiguousarray(np.where(flat, np.nan, centred / np.sqrt(np.where(flat, 1.0, variance))).T)
    return lambda block: turned @ block


def _freedman_lane(design: Design, clean: np.ndarray):
    """t of each feature in its full model, for a block of residual vectors of the reduced model."""
    base = np.column_stack([np.ones(design.n), design.base])
    length = np.sqrt((clean**2).sum(axis=0))
    flat = _without_spread(clean)
    unit = np.where(flat, np.nan, clean / np.where(flat, 1.0, length)).T
    patterns = []
    for columns, rows in missing_patterns(design.observed):
        triangle = np.linalg.qr(base[rows], mode="r") if len(rows) else np.zeros((0, base.shape[1]))
        steep = np.abs(np.diag(triangle)) > 1e-8 * np.sqrt(max(len(rows), 1))
        kept = np.flatnonzero(steep)
        root = np.linalg.cholesky(base[rows][:, kept].T @ base[rows][:, kept]) if len(kept) else None
        absent = np.setdiff1d(np.arange(design.n), rows)
        patterns.append((columns, absent, kept, root, len(rows) - len(kept) - 1))

    def score(block: np.ndarray) -> np.ndarray:
        top = unit @ block
        moment, square = base.T @ block, (block**2).sum(axis=0)
        for columns, absent, kept, root, freedom in patterns:
            if freedom < 1:
                top[columns] = np.nan
                continue
            # sums over the feature's own rows are those over all rows less the rows where it is missing
            gone = block[absent]
            own = moment[kept] - base[np.ix_(absent, kept)].T @ gone
            explained = (np.linalg.solve(root, own) ** 2).sum(axis=0) if root is not None else 0.0
            left = square - (gone**2).sum(axis=0) - explained  # residual sum of squares without the feature
            rest = np.maximum(left - top[columns] ** 2, 1e-12 * left)
            top[columns] *= np.sqrt(freedom / rest)
        return top

    return score


def _without_spread(clean: np.ndarray) -> np.ndarray:
    """Features that are (nearly) a mix of the covariates: scaled features have SD near 1."""
    return (clean**2).sum(axis=0) <= 1e-10 * len(clean)
