"""Is there any structure: silhouettes against two kinds of cohorts without groups.

The Gaussian null has the covariance of the cohort; the copula null has its margins too, so that skewed or
heavy-tailed features alone do not pass for groups. Each drawn cohort gets the gaps of the real one, filled
in the same way, and goes through components and clustering from the start.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.phenotypes.cluster import cuts, mean_silhouettes
from discovery.phenotypes.filling import Filling
from discovery.phenotypes.reduce import learn_components
from discovery.seeds import named_rng

NULLS = ("gaussian", "copula")
CHANCE = 0.95  # of the cohorts without groups: a larger k has to lead by more than these


@dataclass(frozen=True, kw_only=True)
class StructureTest:
    """`ks` (m,); `silhouette` (m,) of the cohort; `null` : kind -> (draws, m) silhouettes of its cohorts;
    `statistic`, `p_value` : kind -> number, the statistic being the largest standardised silhouette over
    k; `null_statistic` : kind -> (draws,); `k` : `fewest_groups` by the first null (the Gaussian one)."""

    ks: np.ndarray
    silhouette: np.ndarray
    null: dict[str, np.ndarray]
    statistic: dict[str, float]
    null_statistic: dict[str, np.ndarray]
    p_value: dict[str, float]
    k: int

    @property
    def p_structure(self) -> float:
        """The larger of the two p-values."""
        return max(self.p_value.values())


@dataclass(frozen=True, kw_only=True)
class Recipe:
    """What is done to every cohort, the real one and the drawn ones."""

    ks: tuple[int, ...]
    method: str
    starts: int
    variance: float
    most_components: int

    def silhouettes(self, x: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Mean silhouette by k of weighted z-scores x (n, p), from the components on."""
        scores = learn_components(x, variance=self.variance, most=self.most_components).scores(x)
        labels = cuts(scores, self.ks, rng, method=self.method, starts=self.starts)
        return mean_silhouettes(scores, labels)


class NullCohorts:
    """Draws cohorts without groups that resemble z (n, p), complete z-scores."""

    def __init__(self, z: np.ndarray, kind: str, filling: Filling | None = None):
        self.kind, self.filling = kind, filling
        self.n, self.p = z.shape
        self.centre = z.mean(axis=0)
        basis = z - self.centre
        if kind == "copula":
            from scipy.special import ndtri
            from scipy.stats import rankdata

            basis = ndtri(rankdata(z, axis=0) / (self.n + 1))
            basis = basis - basis.mean(axis=0)
            basis /= np.sqrt((basis**2).mean(axis=0))
            self.sorted = np.sort(z, axis=0)
        # an (r, p) root of the covariance: rows of normals times it have exactly that covariance
        _, value, right = np.linalg.svd(basis, full_matrices=False)
        keep = value > value[0] * 1e-9
        scale = np.sqrt(self.n if kind == "copula" else self.n - 1)
        self.root = value[keep, None] / scale * right[keep]

    def draw(self, rng: np.random.Generator) -> np.ndarray:
        """z-scores (n, p) of one cohort."""
        normal = rng.standard_normal((self.n, len(self.root))) @ self.root
        if self.kind == "gaussian":
            z = normal + self.centre
        else:
            from scipy.special import ndtr

            place = ndtr(normal) * self.n - 0.5
            low = np.clip(np.floor(place).astype(np.int64), 0, self.n - 2)
            part = np.clip(place - low, 0.0, 1.0)
            below = np.take_along_axis(self.sorted, low, axis=0)
            above = np.take_along_axis(self.sorted, low + 1, axis=0)
            z = below + part * (above - below)
        return self.filling.expected(z) if self.filling else z


def null_silhouettes(cohorts: NullCohorts, weight, recipe: Recipe, *, draws: int, seed: int, workers: int):
    """Silhouettes (draws, m) of `draws` cohorts; each draw has its own generator."""
    from joblib import Parallel, delayed

    def one(draw: int) -> np.ndarray:
        rng = named_rng(seed, "phenotypes", "structure", cohorts.kind, draw)
        return recipe.silhouettes(cohorts.draw(rng) * weight, rng)

    found = Parallel(n_jobs=workers, prefer="threads")(delayed(one)(draw) for draw in range(draws))
    return np.array(found)


def largest_standardised(observed: np.ndarray, null: np.ndarray) -> tuple[float, np.ndarray]:
    """The largest (silhouette - mean) / sd over k of the cohort, and of each null draw by the others.

    observed (m,), null (draws, m). A draw is judged by the draws other than itself, as the cohort is.
    """
    draws = len(null)
    mean, sd = null.mean(axis=0), _spread(null.std(axis=0, ddof=1))
    others = draws - 1
    mean_without = (null.sum(axis=0) - null) / others
    square_without = ((null - mean) ** 2).sum(axis=0) - (null - mean) ** 2 * draws / others
    sd_without = _spread(np.sqrt(np.maximum(square_without, 0.0) / (others - 1)))
    return float(((observed - mean) / sd).max()), ((null - mean_without) / sd_without).max(axis=1)


def fewest_groups(observed: np.ndarray, null: np.ndarray) -> int:
    """Place of the smallest k that no larger k betters by more than chance, in standardised silhouette.

    observed (m,), null (draws, m), k rising. The best k is kept unless its lead over a smaller one is within
    what 95 % of the cohorts without groups show between the two. The largest value alone cuts in three what
    is two: a cloud as long as two groups far apart is itself cut well in two, so k = 2 is held against a
    high null, and three pieces come out as good within chance.
    """
    mean, sd = null.mean(axis=0), _spread(null.std(axis=0, ddof=1))
    standard, chance = (observed - mean) / sd, (null - mean) / sd
    best = int(np.argmax(standard))
    by_chance = np.quantile(chance[:, best, None] - chance[:, :best], CHANCE, axis=0)
    within = np.flatnonzero(standard[best] - standard[:best] <= by_chance)
    return int(within[0]) if len(within) else best


def structure_test(
    z: np.ndarray,
    weight: np.ndarray,
    recipe: Recipe,
    silhouette: np.ndarray,
    *,
    draws: int,
    seed: int,
    workers: int = 1,
    filling: Filling | None = None,
    kinds: tuple[str, ...] = NULLS,
) -> StructureTest:
    """Compare the `silhouette` (m,) of complete z-scores z (n, p) with `draws` cohorts of each null."""
    null, statistic, null_statistic, p_value = {}, {}, {}, {}
    for kind in kinds:
        cohorts = NullCohorts(z, kind, filling)
        null[kind] = null_silhouettes(cohorts, weight, recipe, draws=draws, seed=seed, workers=workers)
        statistic[kind], null_statistic[kind] = largest_standardised(silhouette, null[kind])
        p_value[kind] = float((1 + (null_statistic[kind] >= statistic[kind]).sum()) / (draws + 1))
    return StructureTest(
        ks=np.array(recipe.ks),
        silhouette=silhouette,
        null=null,
        statistic=statistic,
        null_statistic=null_statistic,
        p_value=p_value,
        k=int(recipe.ks[fewest_groups(silhouette, null[kinds[0]])]),
    )


def _spread(sd: np.ndarray) -> np.ndarray:
    return np.where(sd > 0, sd, np.finfo(float).tiny)
