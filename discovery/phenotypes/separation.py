"""Is there a gap between the groups: cross-fitted discriminant scores, tested for more than one mode.

Clustering always separates the patients it was made on. Here every patient is scored by a rule that
never saw that patient; a continuum cut in pieces then shows one hump, true groups two.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from discovery.phenotypes.cluster import centres_of, cut, matched, pooled_within
from discovery.seeds import named_rng

FOLDS, REPEATS, NULL_DRAWS = 5, 5, 2000
TOWARD_ROUND = 0.1  # share of the mean variance in the within-group covariance


@dataclass(frozen=True, kw_only=True)
class SeparationTest:
    """`dip` (k,), median over repeats of each group's dip; `p_group`, `p_group_strict` (k,), against normal
    and against uniform samples; `p_separation`, `p_strict`, the smallest times k (k = 2: once, as both
    scores are one); `scores` (n, k), the scores of the repeat whose dips are nearest the median."""

    dip: np.ndarray
    p_group: np.ndarray
    p_group_strict: np.ndarray
    p_separation: float
    p_strict: float
    scores: np.ndarray


def separation_test(
    scores: np.ndarray, labels: np.ndarray, k: int, *, seed: int, method: str = "kmeans", starts: int = 20
) -> SeparationTest:
    """Test the groups `labels` (n,) of scores (n, d), redoing the clustering in each fold by `method`.

    References
    ----------
    Dip: Hartigan & Hartigan, Ann Stat 1985;13:70-84. The cross-fitting is our own; measured in
    tests/validity/test_phenotype_validity.py.
    """
    from discovery.kernels.dip import dips

    centres = centres_of(scores, labels, k)
    pooled = np.array(
        [
            held_out_scores(
                scores, centres, named_rng(seed, "phenotypes", "separation", r), method=method, starts=starts
            )
            for r in range(REPEATS)
        ]
    )
    each = np.array([dips(np.ascontiguousarray(np.sort(one, axis=0).T)) for one in pooled])
    dip = np.median(each, axis=0)
    p_normal = _p_values(dip, null_dips(len(scores), "normal"))
    p_uniform = _p_values(dip, null_dips(len(scores), "uniform"))
    times = 1 if k == 2 else k
    return SeparationTest(
        dip=dip,
        p_group=p_normal,
        p_group_strict=p_uniform,
        p_separation=float(min(1.0, times * p_normal.min())),
        p_strict=float(min(1.0, times * p_uniform.min())),
        scores=pooled[np.argmin(np.abs(each - dip).sum(axis=1))],
    )


def held_out_scores(
    scores: np.ndarray, centres: np.ndarray, rng: np.random.Generator, *, method: str, starts: int
) -> np.ndarray:
    """One-against-the-rest scores (n, k): each patient's come from a rule made on the other folds.

    They are centred and scaled by the training patients, so that the folds can be pooled.
    """
    n, k = len(scores), len(centres)
    out = np.empty((n, k))
    fold = rng.permutation(n) % FOLDS
    for number in range(FOLDS):
        held = fold == number
        train = scores[~held]
        found = cut(train, k, rng, method=method, starts=starts)
        means = centres_of(train, found, k)
        labels = matched(means, centres)[found]
        means = centres_of(train, labels, k)
        within = pooled_within(train, labels, means)
        d = len(within)
        within = (1 - TOWARD_ROUND) * within + TOWARD_ROUND * np.trace(within) / d * np.eye(d)
        size = np.bincount(labels, minlength=k).astype(float)
        rest = (size @ means - size[:, None] * means) / (len(train) - size)[:, None]
        direction = np.linalg.solve(within, (means - rest).T)
        learned = train @ direction
        middle, spread = np.median(learned, axis=0), learned.std(axis=0, ddof=1)
        out[held] = (scores[held] @ direction - middle) / np.where(spread > 0, spread, 1.0)
    return out


@lru_cache(maxsize=64)
def null_dips(n: int, kind: str) -> np.ndarray:
    """Sorted dips (2000,) of samples of n normal or uniform values; the same for every study."""
    from discovery.kernels.dip import dips

    rng = named_rng(0, "dip of one mode", kind, n)
    draw = rng.standard_normal if kind == "normal" else rng.random
    found = np.empty(NULL_DRAWS)
    step = max(1, 2_000_000 // n)
    for first in range(0, NULL_DRAWS, step):
        size = min(step, NULL_DRAWS - first)
        found[first : first + size] = dips(np.sort(draw((size, n)), axis=1))
    found.sort()
    return found


def _p_values(dip: np.ndarray, null: np.ndarray) -> np.ndarray:
    at_least = len(null) - np.searchsorted(null, dip, side="left")
    return (1 + at_least) / (len(null) + 1)
