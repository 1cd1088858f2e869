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
from functools import lru_cache

import numpy as np

from discovery.phenotypes.bend import BENT, TURNED, TURNED_TWO, along_the_bend, bend_p, turned_pieces_p
from discovery.phenotypes.cluster import centres_of, cut, matched, pooled_within
from discovery.seeds import named_rng

FOLDS, REPEATS, NULL_DRAWS = 5, 5, 2000
JOINT_DRAWS, JOINT_ENOUGH = 999, 100
TOWARD_ROUND = 0.1  # share of the mean variance in the within-group covariance
IN_BENT = 2.5  # what the p-value of the second test counts, so that .02 stands for the level .05
EVEN_PIECES = np.sqrt(12)  # SDs inside a piece from one piece of an even stretch to the next

Rule = Callable[[np.ndarray], np.ndarray]
LearnRule = Callable[[np.ndarray, np.ndarray, int], Rule]


@dataclass(frozen=True, kw_only=True)
class SeparationTest:
    """`dip` (k,), median over repeats of each group's dip; `p_group`, `p_group_strict` (k,), against normal
    and against uniform samples; `p_bend`, the smallest over the groups, of a straight cloud; `p_turned`, of
    groups that lie alike; `p_bent`, of the groups in a bent cloud (NaN where it is straight);
    `p_separation`, the larger of `IN_BENT` times that and of all groups together; `p_strict`, the smallest
    strict one times k (k = 2: once, as both scores are one); `scores` (n, k), the margins of the repeat whose
    dips are nearest the median."""

    dip: np.ndarray
    p_group: np.ndarray
    p_group_strict: np.ndarray
    p_bend: float
    p_turned: float
    p_bent: float
    p_separation: float
    p_strict: float
    scores: np.ndarray


def separation_test(
    scores: np.ndarray, labels: np.ndarray, k: int, *, seed: int, method: str = "kmeans", starts: int = 20
) -> SeparationTest:
    """Test the groups `labels` (n,) of scores (n, d), redoing the clustering in each fold by `method`.

    Two groups have one dip, against normal samples. For three and more the p-values are combined by Fisher's
    sum of logs, held against normal clouds with the covariance of the scores, seen through the margins of the
    whole cohort.

    A normal cloud says nothing of a bent one, which shows humps wherever it is looked at along a chord. When
    the cohort bends (`bend.bend_p` along the line between any group and the others) or its pieces lie turned
    against each other (`bend.turned_pieces_p`), the groups must show the gap in a second test: two groups
    along the bend, against uniform samples; three and more against the cohort itself with its gaps filled
    (`blurred_cohorts`). Structure and stability say nothing in a bent cloud, so this test alone must keep
    false groups to 2 %: its p counts 2.5 times, and .02 stands for .05.

    References
    ----------
    Dip: Hartigan & Hartigan, Ann Stat 1985;13:70-84. The cross-fitting, the margins and the rule for bent
    clouds are our own; measured in tests/validity/test_phenotype_validity.py.
    """
    n = len(scores)
    again = _Again(seed=seed, method=method, starts=starts)
    dip, kept = again.left_out(scores, labels, k, margins_of)
    normal = null_dips(n, "normal")
    p_normal, p_uniform = _p_values(dip, normal), _p_values(dip, null_dips(n, "uniform"))
    rng = named_rng(seed, "phenotypes", "separation", "joint")
    each = [bend_p(scores, margins_of(scores, 1 * (labels == c), 2)(scores)[:, 0]) for c in range(k)]
    p_turned = turned_pieces_p(scores, labels, k, named_rng(seed, "phenotypes", "separation", "turned"))
    bent = min(each) <= BENT or p_turned <= (TURNED_TWO if k == 2 else TURNED)
    together, p_bent = float(p_normal.min()), np.nan
    if k == 2 and bent:
        along, _ = again.left_out(scores, labels, 2, _both_ways)
        p_bent = float(_p_values(along[:1], null_dips(n, "uniform"))[0])
    elif k > 2:
        rule = margins_of(scores, labels, k)
        together = joint_p(dip, rule, normal_clouds(scores, rng))
        if bent:
            p_bent = joint_p(dip, rule, blurred_cohorts(scores, labels, k, rng))
    return SeparationTest(
        dip=dip,
        p_group=p_normal,
        p_group_strict=p_uniform,
        p_bend=min(each),
        p_turned=p_turned,
        p_bent=p_bent,
        p_separation=float(np.fmax(together, np.minimum(1.0, IN_BENT * p_bent))),
        p_strict=float(min(1.0, (1 if k == 2 else k) * p_uniform.min())),
        scores=kept,
    )


@dataclass(frozen=True, kw_only=True)
class _Again:
    """How the cohort is clustered anew without a fold of its patients."""

    seed: int
    method: str
    starts: int

    def left_out(
        self, scores: np.ndarray, labels: np.ndarray, k: int, learn: LearnRule
    ) -> tuple[np.ndarray, np.ndarray]:
        """Median dips (k,) over the repeats, and the scores (n, k) of the repeat nearest to them."""
        from discovery.kernels.dip import dips

        centres = centres_of(scores, labels, k)
        found = []
        for repeat in range(REPEATS):
            rng = named_rng(self.seed, "phenotypes", "separation", repeat)
            found.append(self.held_out(scores, centres, learn, rng))
        each = np.array([dips(np.ascontiguousarray(np.sort(one, axis=0).T)) for one in found])
        dip = np.median(each, axis=0)
        return dip, found[int(np.argmin(np.abs(each - dip).sum(axis=1)))]

    def held_out(
        self, scores: np.ndarray, centres: np.ndarray, learn: LearnRule, rng: np.random.Generator
    ) -> np.ndarray:
        """Scores (n, k): each patient's come from a rule made on the other folds.

        They are centred and scaled by the training patients, so that the folds can be pooled.
        """
        n, k = len(scores), len(centres)
        out = np.empty((n, k))
        fold = rng.permutation(n) % FOLDS
        for number in range(FOLDS):
            held = fold == number
            train = scores[~held]
            found = cut(train, k, rng, method=self.method, starts=self.starts)
            rule = learn(train, matched(centres_of(train, found, k), centres)[found], k)
            learned = rule(train)
            middle, spread = np.median(learned, axis=0), learned.std(axis=0, ddof=1)
            out[held] = (rule(scores[held]) - middle) / np.where(spread > 0, spread, 1.0)
        return out


def margins_of(scores: np.ndarray, labels: np.ndarray, k: int) -> Rule:
    """The rule x (m, d) -> margins (m, k) of the groups `labels` (n,) of scores (n, d).

    The margin of a group is the smallest over the other groups of the signed distance, in SDs inside the
    groups, from the plane half way between the two. Within-group covariance pooled, a tenth of it round.
    """
    means = centres_of(scores, labels, k)
    precision = np.linalg.inv(_within(scores, labels, means))
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


def _both_ways(scores: np.ndarray, labels: np.ndarray, k: int) -> Rule:
    place = along_the_bend(scores, labels)

    def rule(x: np.ndarray) -> np.ndarray:
        found = place(x)
        return np.column_stack([found, -found])

    return rule


def _within(scores: np.ndarray, labels: np.ndarray, means: np.ndarray) -> np.ndarray:
    within = pooled_within(scores, labels, means)
    d = len(within)
    return (1 - TOWARD_ROUND) * within + TOWARD_ROUND * np.trace(within) / d * np.eye(d)


def normal_clouds(scores: np.ndarray, rng: np.random.Generator) -> Callable[[], np.ndarray]:
    """Draws (n, d) of one normal cloud with the mean and covariance of `scores` (n, d)."""
    n, d = scores.shape
    value, vector = np.linalg.eigh(np.cov(scores.T).reshape(d, d))
    root, centre = (vector * np.sqrt(np.maximum(value, 0.0))).T, scores.mean(axis=0)
    return lambda: centre + rng.standard_normal((n, d)) @ root


def blurred_cohorts(
    scores: np.ndarray, labels: np.ndarray, k: int, rng: np.random.Generator
) -> Callable[[], np.ndarray]:
    """Draws (n, d): resampled rows of `scores` (n, d), moved at random until the gaps are filled.

    The moves are normal, with as many times the covariance inside the groups as leaves the two groups nearest
    to each other as far apart as pieces of an even stretch: the cohort keeps its bends and loses its gaps.
    """
    n, means = len(scores), centres_of(scores, labels, k)
    within = _within(scores, labels, means)
    apart = (means[:, None] - means[None])[np.triu_indices(k, 1)]
    nearest = float((apart * np.linalg.solve(within, apart.T).T).sum(axis=1).min())
    root = np.sqrt(max(nearest / EVEN_PIECES**2 - 1, 0.0)) * np.linalg.cholesky(within).T
    return lambda: scores[rng.integers(0, n, n)] + rng.standard_normal(scores.shape) @ root


def joint_p(dip: np.ndarray, rule: Rule, draw: Callable[[], np.ndarray]) -> float:
    """Chance that a drawn cohort, seen by `rule`, has a sum of log p as low as that of the dips `dip` (k,).

    Each p is that of a dip in a normal sample; of sums that are the same (dips beyond all normal samples) the
    larger dips count as lower. The draws end early once 100 cohorts were as low: the p-value is large then,
    and known well enough.

    References
    ----------
    Besag & Clifford, Biometrika 1991;78:301-304 (sequential Monte Carlo p-values).
    """
    from discovery.kernels.dip import dips

    def evidence(found: np.ndarray) -> float:
        return float(1e-6 * found.sum() - np.log(_p_values(found, normal)).sum())

    seen = rule(draw())
    normal = null_dips(len(seen), "normal")
    observed, as_low = evidence(dip), 0
    for number in range(1, JOINT_DRAWS + 1):
        as_low += evidence(dips(np.ascontiguousarray(np.sort(seen, axis=0).T))) >= observed
        if as_low == JOINT_ENOUGH:
            return JOINT_ENOUGH / number
        seen = rule(draw())
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
