"""The fitted search for groups; see `discovery.phenotypes` for what it holds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd
from sklearn.base import BaseEstimator, ClusterMixin, TransformerMixin

from discovery.association.scaling import WINSOR
from discovery.phenotypes import frozen
from discovery.phenotypes.assignment import Assigning
from discovery.phenotypes.axes import find_axes
from discovery.phenotypes.cluster import (
    FEWEST_K,
    METHODS,
    MOST_K,
    STARTS,
    centres_of,
    cut,
    cuts,
    density,
    mean_silhouettes,
    mixture,
    ward,
)
from discovery.phenotypes.embedding import Embedding, embed
from discovery.phenotypes.filling import Filling
from discovery.phenotypes.novelty import learn_novelty
from discovery.phenotypes.prepare import as_table, learn_on_measured
from discovery.phenotypes.reduce import MOST_COMPONENTS, VARIANCE, learn_components
from discovery.phenotypes.separation import separation_test
from discovery.phenotypes.site_check import SiteCheck, check_sites, without_site_means
from discovery.phenotypes.stability import bootstrap_stability
from discovery.phenotypes.structure import Recipe, structure_test
from discovery.phenotypes.turned import ROTATIONS
from discovery.phenotypes.verdict import Verdict, judge
from discovery.problems import InputError, Problem
from discovery.seeds import named_rng

FEWEST_PATIENTS = 20


class Phenotypes(Assigning, ClusterMixin, TransformerMixin, BaseEstimator):
    """Search a cohort for groups of patients, test them against noise, and assign new patients.

    Parameters
    ----------
    method : "kmeans", "ward" or "mixture"
    ks : numbers of groups to try
    starts : random starts of k-means
    draws : cohorts without groups per null
    bootstraps : resamples for stability
    transforms : feature -> "none", "log" or "rank-normal"
    families : feature -> declared family, which together count as one feature; None: each for itself
    winsor : two quantiles, or False
    variance, most_components : components kept
    rotation : "none", or "varimax" for the axes beyond chance; the groups do not depend on it
    site_centred : search after each site's means were taken out (a sensitivity run)
    compare : also cut with the other methods at the same k, and by density
    workers : threads; the results do not depend on it
    seed : int
    """

    def __init__(
        self,
        *,
        method: str = "kmeans",
        ks: Iterable[int] = tuple(range(FEWEST_K, MOST_K + 1)),
        starts: int = STARTS,
        draws: int = 199,
        bootstraps: int = 100,
        transforms: Mapping[str, str] | None = None,
        families: Mapping[str, Any] | str | None = None,
        winsor: tuple[float, float] | bool | None = WINSOR,
        variance: float = VARIANCE,
        most_components: int = MOST_COMPONENTS,
        rotation: str = "none",
        site_centred: bool = False,
        compare: bool = True,
        workers: int = 1,
        seed: int = 0,
    ):
        self.method = method
        self.ks = ks
        self.starts = starts
        self.draws = draws
        self.bootstraps = bootstraps
        self.transforms = transforms
        self.families = families
        self.winsor = winsor
        self.variance = variance
        self.most_components = most_components
        self.rotation = rotation
        self.site_centred = site_centred
        self.compare = compare
        self.workers = workers
        self.seed = seed

    def fit(self, X: Any, y: Any = None, *, site: Any = None) -> Phenotypes:
        """Learn everything from features X (n, p), a DataFrame or array, NaN missing; `y` is ignored.

        site : (n,) labels, or None. Patients with fewer than half of the features get label -1.

        Raises
        ------
        InputError : settings out of range, fewer than 20 patients, site of another length, and what
            `as_table` and `learn_preparation` say of the features.
        """
        from threadpoolctl import threadpool_limits

        # one thread of linear algebra for each worker; the last digits must not depend on the machine's load
        with threadpool_limits(1):
            return self._fit(as_table(X), site)

    def _fit(self, features: pd.DataFrame, site: Any) -> Phenotypes:
        ks = self._checked(features, site)
        self.feature_names_in_ = np.array(features.columns, dtype=object)
        self.n_features_in_ = features.shape[1]
        self.preparation_, self.measured_ = learn_on_measured(
            features, transforms=self.transforms, families=self.families, winsor=self.winsor
        )
        z = self.preparation_.scaled(features)[self.measured_]
        if len(z) < FEWEST_PATIENTS:
            raise InputError([_too_few(len(z), "patients with at least half of the features")])
        codes = None if site is None else pd.factorize(np.asarray(site, object)[self.measured_])[0]
        if codes is not None and (codes.max() < 1 or (codes < 0).any()):
            codes = _known(codes)
        weight = self.preparation_.weight
        filling = Filling(np.isnan(z), self.preparation_.covariance)
        full = filling.expected(z)
        centred = codes if self.site_centred else None
        if centred is not None:
            full = without_site_means(full, centred)
        x = full * weight
        recipe = Recipe(
            ks=ks,
            method=self.method,
            starts=self.starts,
            variance=self.variance,
            most_components=self.most_components,
        )
        self.components_ = learn_components(x, variance=self.variance, most=self.most_components)
        scores = self.components_.scores(x)
        found = cuts(
            scores, ks, named_rng(self.seed, "phenotypes", "solution"), method=self.method, starts=self.starts
        )
        self.structure_ = structure_test(
            full, weight, recipe, mean_silhouettes(scores, found), draws=self.draws, seed=self.seed,
            workers=self.workers, filling=filling,
        )  # fmt: skip
        self.k_ = self.structure_.k
        labels = by_size(found[ks.index(self.k_)])
        self.sizes_ = np.bincount(labels, minlength=self.k_)
        self.centres_ = centres_of(scores, labels, self.k_)
        self.profile_ = centres_of(full, labels, self.k_)
        self.separation_ = separation_test(
            scores, labels, self.k_, seed=self.seed, method=self.method, starts=self.starts
        )
        self.stability_ = bootstrap_stability(
            self._drawing(z, filling, centred), scores, labels, self.k_,
            draws=self.bootstraps, seed=self.seed, workers=self.workers, method=self.method,
            starts=self.starts,
        )  # fmt: skip
        self.site_ = self._site_check(full, scores, labels, codes)
        self.verdict_: Verdict = judge(
            p_structure=self.structure_.p_structure,
            p_separation=self.separation_.p_separation,
            p_strict=self.separation_.p_strict,
            jaccard=self.stability_.jaccard,
            sizes=self.sizes_,
            site=self.site_,
        )
        self.novelty_ = learn_novelty(
            x, labels, self.k_, self.components_, named_rng(self.seed, "phenotypes", "novelty")
        )
        self.axis_search_ = find_axes(
            x, self.components_, rotation=self.rotation, draws=self.draws, bootstraps=self.bootstraps,
            seed=self.seed,
        )  # fmt: skip
        self.axes_, self.directions_ = self.axis_search_.table, self.axis_search_.axes
        self.vote_centres_ = self.stability_.centres
        self.mixture_ = self._mixture(scores, labels) if self.method == "mixture" else None
        self.labels_ = np.full(len(features), -1)
        self.labels_[self.measured_] = labels
        self.scores_ = np.full((len(features), scores.shape[1]), np.nan)
        self.scores_[self.measured_] = scores
        self.probability_ = np.full((len(features), self.k_), np.nan)
        self.probability_[self.measured_] = self.stability_.probability
        self.patients_ = features.index
        self.comparison_ = self._comparison(scores, labels) if self.compare else None
        return self

    def fit_predict(self, X: Any, y: Any = None, **options: Any) -> np.ndarray:
        """`fit`, then `labels_` (n,)."""
        return self.fit(X, **options).labels_

    def embedding(self, *, n_neighbors: int = 15) -> Embedding:
        """A map of the patients that have scores, for drawing only."""
        return embed(self.scores_[self.measured_], seed=self.seed, n_neighbors=n_neighbors)

    def to_dict(self) -> dict[str, Any]:
        """What a new patient or cohort needs, ready for JSON: no patient rows."""
        return frozen.to_dict(self)

    @classmethod
    def from_dict(cls, kept: Mapping[str, Any]) -> Phenotypes:
        """The model back from `to_dict`: it assigns, transforms and replicates as the fitted one does."""
        return frozen.from_dict(cls(), kept)

    def _checked(self, features: pd.DataFrame, site: Any) -> tuple[int, ...]:
        ks = tuple(sorted({int(k) for k in self.ks}))
        problems = []
        if self.method not in METHODS:
            problems.append(
                Problem(file="method", found=str(self.method), wanted=f"one of {', '.join(METHODS)}")
            )
        most = max(2, max(len(features), FEWEST_PATIENTS) // 3)  # too few patients are told of below
        if not ks or ks[0] < 2 or ks[-1] > most:
            problems.append(
                Problem(
                    file="ks",
                    found=str(list(ks)),
                    wanted="numbers of groups from 2 to a third of the patients",
                )
            )
        for name, least in (("starts", 1), ("draws", 19), ("bootstraps", 10), ("workers", 1)):
            if getattr(self, name) < least:
                problems.append(Problem(file=name, found=str(getattr(self, name)), wanted=f"{least} or more"))
        if self.rotation not in ROTATIONS:
            wanted = f"one of {', '.join(ROTATIONS)}"
            problems.append(Problem(file="rotation", found=str(self.rotation), wanted=wanted))
        if not 0 < self.variance <= 1:
            problems.append(Problem(file="variance", found=str(self.variance), wanted="a share of 0 to 1"))
        if self.most_components < 1:
            problems.append(
                Problem(file="most_components", found=str(self.most_components), wanted="1 or more")
            )
        if len(features) < FEWEST_PATIENTS:
            problems.append(_too_few(len(features), "patients"))
        if site is not None and len(np.asarray(site, object)) != len(features):
            found = f"{len(np.asarray(site, object))} labels"
            problems.append(Problem(file="site", found=found, wanted=f"one for each of {len(features)}"))
        if problems:
            raise InputError(problems)
        return ks

    def _drawing(self, z: np.ndarray, filling: Filling, codes: np.ndarray | None):
        """rng -> scores (n, d) with the missing values drawn anew."""

        def draw(rng: np.random.Generator) -> np.ndarray:
            full = filling.drawn(z, rng) if filling else z
            if codes is not None:
                full = without_site_means(full, codes)
            return self.components_.scores(full * self.preparation_.weight)

        return draw

    def _site_check(self, full, scores, labels, codes) -> SiteCheck | None:
        if codes is None or codes.max() < 1:
            return None
        rng = named_rng(self.seed, "phenotypes", "site")
        x = without_site_means(full, codes) * self.preparation_.weight
        again = learn_components(x, variance=self.variance, most=self.most_components).scores(x)
        after = cut(again, self.k_, rng, method=self.method, starts=self.starts)
        return check_sites(scores, labels, after, codes, rng)

    def _mixture(self, scores, labels) -> dict[str, np.ndarray]:
        """Weights, means and covariances of the groups, by which the mixture assigns."""
        groups = [scores[labels == c] for c in range(self.k_)]
        d = scores.shape[1]
        pooled = np.cov(scores.T).reshape(d, d) * 1e-6
        return {
            "weight": self.sizes_ / self.sizes_.sum(),
            "mean": self.centres_,
            "covariance": np.array(
                [np.cov(g.T).reshape(d, d) + pooled if len(g) > d else pooled * 1e6 for g in groups]
            ),
        }

    def _comparison(self, scores, labels) -> pd.DataFrame:
        """method, k, smallest, in_no_group, adjusted_rand (with the solution), bic (mixture only)."""
        from sklearn.metrics import adjusted_rand_score

        rng = named_rng(self.seed, "phenotypes", "comparison")
        normal = mixture(scores, self.k_, rng)
        rows = {
            "kmeans": cut(scores, self.k_, rng, method="kmeans", starts=self.starts),
            "ward": ward(scores, [self.k_])[0],
            "mixture": normal.predict(scores),
            "density": density(scores, smallest=max(5, len(scores) // 20)),
        }
        return pd.DataFrame(
            [
                {
                    "method": name,
                    "k": len(set(found[found >= 0].tolist())),
                    "smallest": int(np.bincount(found[found >= 0]).min()) if (found >= 0).any() else 0,
                    "in_no_group": int((found < 0).sum()),
                    "adjusted_rand": float(adjusted_rand_score(labels, found)),
                    "bic": float(normal.bic(scores)) if name == "mixture" else np.nan,
                }
                for name, found in rows.items()
            ]
        )


def by_size(labels: np.ndarray) -> np.ndarray:
    """The same groups numbered from the largest down; ties by the first patient."""
    groups, first, size = np.unique(labels, return_index=True, return_counts=True)
    order = np.lexsort((first, -size))
    number = np.empty(int(groups.max()) + 1, dtype=np.int64)
    number[groups[order]] = np.arange(len(groups))
    return number[labels]


def _known(codes: np.ndarray) -> np.ndarray:
    """Patients without a site count as a site of their own."""
    return np.where(codes < 0, codes.max() + 1, codes)


def _too_few(n: int, what: str) -> Problem:
    return Problem(
        file="features", found=f"{n} {what}", wanted=f"{FEWEST_PATIENTS} or more to look for groups"
    )
