"""Is there a gap between the groups: cross-fitted margins, tested for more than one mode.

Clustering always separates the patients it was made on. Here every patient is scored by a rule that
never saw that patient; a continuum cut in pieces then shows one hump, true groups two.

The score for a group is its margin: the signed distance from the nearest of the discriminant boundaries
with the other groups. With two groups it is the linear discriminant. With more, one direction against all
the others taken together would stand between them: of three groups, each 4 SD from the next, the third lies
only 3.5 SD from the middle of the other two, and a sample of 150 seldom shows that gap.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np

from discovery.phenotypes.cluster import centres_of, cut, matched, pooled_within
from discovery.seeds import named_rng

FOLDS, REPEATS, NULL_DRAWS = 5, 5, 2000
JOINT_DRAWS, JOINT_ENOUGH = 999, 100
TOWARD_ROUND = 0.1  # share of the mean variance in the within-group covariance


@dataclass(frozen=True, kw_only=True)
class SeparationTest:
    """`dip` (k,), median over repeats of each group's dip; `p_group`, `p_group_strict` (k,), against normal
    and against uniform samples; `p_finer`, of the cohort cut in three (NaN but for k = 2); `p_separation`, of
    all together; `p_strict`, the smallest strict one times k (k = 2: once, as both scores are one); `scores`
    (n, k), the margins of the repeat whose dips are nearest the median."""

    dip: np.ndarray
    p_group: np.ndarray
    p_group_strict: np.ndarray
    p_finer: float
    p_separation: float
    p_strict: float
    scores: np.ndarray


def separation_test(
    scores: np.ndarray, labels: np.ndarray, k: int, *, seed: int, method: str = "kmeans", starts: int = 20
) -> SeparationTest:
    """Test the groups `labels` (n,) of scores (n, d), redoing the clustering in each fold by `method`.

    For three groups and more p_separation is the larger of two: of the sum of log p (Fisher) and of the sum
    of p (Edgington), each held against normal clouds with the covariance of the scores, seen through the
    margins of the whole cohort. The first sees one clear gap, the second asks the other groups too: a curve
    whose end is dense shows a gap there alone.

    For two groups it is the larger of the dip's p and of half the p of the sum of logs with the cohort cut in
    three: a gap is still there when one of two groups is split, while the two ends of a curved cloud, humps
    along its chord, draw level once the middle is a piece of its own. Half, since that is a guard: held to
    .05 itself it would cost two groups at 4 SD a quarter of their power.

    References
    ----------
    Dip: Hartigan & Hartigan, Ann Stat 1985;13:70-84. Sum of p: Edgington, J Psychol 1972;80:351-363. The
    cross-fitting, the margins and the finer cut are our own; measured in
    tests/validity/test_phenotype_validity.py.
    """
    test = partial(_left_out, scores, seed=seed, method=method, starts=starts)
    dip, kept = test(labels, k)
    p_normal = _p_values(dip, null_dips(len(scores), "normal"))
    p_uniform = _p_values(dip, null_dips(len(scores), "uniform"))
    rng, finer = named_rng(seed, "phenotypes", "separation", "joint"), np.nan
    if k > 2:
        together = max(joint_p(p_normal, scores, labels, rng))
    else:
        in_three = cut(scores, 3, rng, method=method, starts=starts)
        p_three = _p_values(test(in_three, 3)[0], null_dips(len(scores), "normal"))
        finer = joint_p(p_three, scores, in_three, rng)[0]
        together = max(float(p_normal.min()), finer / 2)
    return SeparationTest(
        dip=dip,
        p_group=p_normal,
        p_group_strict=p_uniform,
        p_finer=finer,
        p_separation=together,
        p_strict=float(min(1.0, (1 if k == 2 else k) * p_uniform.min())),
        scores=kept,
    )


def _left_out(scores, labels, k, *, seed, method, starts) -> tuple[np.ndarray, np.ndarray]:
    """Median dips (k,) over the repeats, and the margins (n, k) of the repeat nearest to them."""
    from discovery.kernels.dip import dips

    centres = centres_of(scores, labels, k)
    found = []
    for repeat in range(REPEATS):
        rng = named_rng(seed, "phenotypes", "separation", repeat)
        found.append(held_out_scores(scores, centres, rng, method=method, starts=starts))
    each = np.array([dips(np.ascontiguousarray(np.sort(one, axis=0).T)) for one in found])
    dip = np.median(each, axis=0)
    return dip, found[int(np.argmin(np.abs(each - dip).sum(axis=1)))]


def held_out_scores(
    scores: np.ndarray, centres: np.ndarray, rng: np.random.Generator, *, method: str, starts: int
) -> np.ndarray:
    """Margins (n, k): each patient's come from a rule made on the other folds.

    They are centred and scaled by the training patients, so that the folds can be pooled.
    """
    n, k = len(scores), len(centres)
    out = np.empty((n, k))
    fold = rng.permutation(n) % FOLDS
    for number in range(FOLDS):
        held = fold == number
        train = scores[~held]
        found = cut(train, k, rng, method=method, starts=starts)
        rule = margins_of(train, matched(centres_of(train, found, k), centres)[found], k)
        learned = rule(train)
        middle, spread = np.median(learned, axis=0), learned.std(axis=0, ddof=1)
        out[held] = (rule(scores[held]) - middle) / np.where(spread > 0, spread, 1.0)
    return out


def margins_of(scores: np.ndarray, labels: np.ndarray, k: int) -> Callable[[np.ndarray], np.ndarray]:
    """The rule x (m, d) -> margins (m, k) of the groups `labels` (n,) of scores (n, d).

    The margin of a group is the smallest over the other groups of the signed distance, in SDs inside the
    groups, from the plane half way between the two. Within-group covariance pooled, a tenth of it round.
    """
    means = centres_of(scores, labels, k)
    within = pooled_within(scores, labels, means)
    d = len(within)
    within = (1 - TOWARD_ROUND) * within + TOWARD_ROUND * np.trace(within) / d * np.eye(d)
    precision = np.linalg.inv(within)
    slope = precision @ means.T
    level = -0.5 * (means * slope.T).sum(axis=1)
    apart = means[:, None] - means[None]
    distance = np.sqrt((apart @ precision * apart).sum(axis=2))

    def rule(x: np.ndarray) -> np.ndarray:
        linear = x @ slope + level
        out = np.full((len(x), k), np.inf)
        for c in range(k):
            for other in range(k):
                if other != c:
                    away = (linear[:, c] - linear[:, other]) / distance[c, other]
                    np.fmin(out[:, c], away, out=out[:, c])
        out[np.isinf(out)] = 0.0  # a group that vanished says nothing
        return out

    return rule


def joint_p(
    p_group: np.ndarray, scores: np.ndarray, labels: np.ndarray, rng: np.random.Generator
) -> tuple[float, float]:
    """Chance, in normal clouds with the covariance of `scores` (n, d) seen through the margins of the groups
    `labels` (n,), of a sum of log p as low as that of `p_group` (k,), and of a sum of p as low.

    The draws end early once 100 clouds were as low: the p-value is large then, and known well enough.

    References
    ----------
    Besag & Clifford, Biometrika 1991;78:301-304 (sequential Monte Carlo p-values).
    """
    from discovery.kernels.dip import dips

    n, d = scores.shape
    value, vector = np.linalg.eigh(np.cov(scores.T).reshape(d, d))
    root = (vector * np.sqrt(np.maximum(value, 0.0))).T
    centre, null = scores.mean(axis=0), null_dips(n, "normal")
    rule = margins_of(scores, labels, len(p_group))
    observed = np.array([np.log(p_group).sum(), p_group.sum()]) + 1e-9
    as_low = np.zeros(2)
    for draw in range(1, JOINT_DRAWS + 1):
        cloud = rule(centre + rng.standard_normal((n, d)) @ root)
        p = _p_values(dips(np.ascontiguousarray(np.sort(cloud, axis=0).T)), null)
        as_low += np.array([np.log(p).sum(), p.sum()]) <= observed
        if as_low.min() >= JOINT_ENOUGH:
            return float(as_low[0] / draw), float(as_low[1] / draw)
    p_log, p_sum = (1 + as_low) / (JOINT_DRAWS + 1)
    return float(p_log), float(p_sum)


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
