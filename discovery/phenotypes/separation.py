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
JOINT_DRAWS, JOINT_ENOUGH = 999, 100
TOWARD_ROUND = 0.1  # share of the mean variance in the within-group covariance


@dataclass(frozen=True, kw_only=True)
class SeparationTest:
    """`dip` (k,), median over repeats of each group's dip; `p_group`, `p_group_strict` (k,), against normal
    and against uniform samples; `p_separation`, of all groups together; `p_strict`, the smallest strict one
    times k (k = 2: once, as both scores are one); `scores` (n, k), the scores of the repeat whose dips are
    nearest the median."""

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

    For three groups and more the p-values are combined by Fisher's sum of logs, held against normal samples
    whose scores correlate as those of the groups do. With three groups at equal distance this has about
    twice the power of the smallest p times k, and the same share of false alarms.

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
    kept = pooled[np.argmin(np.abs(each - dip).sum(axis=1))]
    together = float(p_normal.min())
    if k > 2:
        together = joint_p(p_normal, kept, named_rng(seed, "phenotypes", "separation", "joint"))
    return SeparationTest(
        dip=dip,
        p_group=p_normal,
        p_group_strict=p_uniform,
        p_separation=together,
        p_strict=float(min(1.0, (1 if k == 2 else k) * p_uniform.min())),
        scores=kept,
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


def joint_p(p_group: np.ndarray, scores: np.ndarray, rng: np.random.Generator) -> float:
    """Chance of a sum of log p as low as that of `p_group` (k,) in one normal cloud whose k scores have
    the correlations of `scores` (n, k).

    The draws end early once 100 clouds were as low: the p-value is large then, and known well enough.

    References
    ----------
    Besag & Clifford, Biometrika 1991;78:301-304 (sequential Monte Carlo p-values).
    """
    from discovery.kernels.dip import dips

    n, k = scores.shape
    value, vector = np.linalg.eigh(np.corrcoef(scores.T))
    root = (vector * np.sqrt(np.maximum(value, 0.0))).T
    null = null_dips(n, "normal")
    observed = np.log(p_group).sum()
    as_low = 0
    for draw in range(1, JOINT_DRAWS + 1):
        cloud = np.sort((rng.standard_normal((n, k)) @ root).T, axis=1)
        as_low += np.log(_p_values(dips(cloud), null)).sum() <= observed + 1e-9
        if as_low == JOINT_ENOUGH:
            return JOINT_ENOUGH / draw
    return float((1 + as_low) / (JOINT_DRAWS + 1))


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
