"""Is a new patient like anybody in the discovery cohort.

Two distances are compared with those of discovery patients who were left out when the rule was made: to
the nearest group inside the kept components, and away from the kept components altogether.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from discovery.phenotypes.cluster import centres_of, pooled_within
from discovery.phenotypes.reduce import Components, learn_components

FOLDS = 5
GRID = 201
UNLIKE = 0.01  # a patient is unlike anyone seen when fewer than this share would be as far out


@dataclass(frozen=True, kw_only=True)
class Novelty:
    """`precision` (d, d), inverse within-group covariance of the scores; `inside`, `outside` (201,),
    quantiles of the distances of left-out discovery patients; `n` of them."""

    precision: np.ndarray
    inside: np.ndarray
    outside: np.ndarray
    n: int

    def p_values(self, components: Components, centres: np.ndarray, x: np.ndarray) -> np.ndarray:
        """(n,) chance that a patient of the discovery population lies as far out as each row of x (n, p).

        The last tenth of the distances is taken as an exponential tail, so that small
        cohorts too can call a patient unlike anyone seen.
        """
        near = nearest_mahalanobis(components.scores(x), centres, self.precision)
        each = [_tail(near, self.inside, self.n), _tail(components.off_plane(x), self.outside, self.n)]
        return np.minimum(1.0, 2 * np.minimum(*each))

    def to_dict(self) -> dict[str, Any]:
        arrays = {name: getattr(self, name).tolist() for name in ("precision", "inside", "outside")}
        return {**arrays, "n": self.n}

    @classmethod
    def from_dict(cls, kept: Mapping[str, Any]) -> Novelty:
        arrays = {name: np.asarray(kept[name], float) for name in ("precision", "inside", "outside")}
        return cls(n=int(kept["n"]), **arrays)


def learn_novelty(
    x: np.ndarray, labels: np.ndarray, k: int, components: Components, rng: np.random.Generator
) -> Novelty:
    """Distances of each fold of the prepared rows x (n, p) from components and groups of the others."""
    n, d = len(x), components.kept
    fold = rng.permutation(n) % FOLDS
    inside, outside = np.empty(n), np.empty(n)
    for number in range(FOLDS):
        held = fold == number
        part = learn_components(x[~held], exactly=d)
        scores = part.scores(x[~held])
        centres = centres_of(scores, labels[~held], k)
        centres = centres[~np.isnan(centres).any(axis=1)]
        precision = within_precision(scores, nearest(scores, centres), centres)
        inside[held] = nearest_mahalanobis(part.scores(x[held]), centres, precision)
        outside[held] = part.off_plane(x[held])
    scores = components.scores(x)
    grid = np.linspace(0, 1, GRID)
    return Novelty(
        precision=within_precision(scores, labels, centres_of(scores, labels, k)),
        inside=np.quantile(inside, grid),
        outside=np.quantile(outside, grid),
        n=n,
    )


def nearest(scores: np.ndarray, centres: np.ndarray) -> np.ndarray:
    return ((scores[:, None, :] - centres[None]) ** 2).sum(axis=2).argmin(axis=1)


def within_precision(scores: np.ndarray, labels: np.ndarray, centres: np.ndarray) -> np.ndarray:
    within = pooled_within(scores, labels, centres)
    d = len(within)
    return np.linalg.inv(0.9 * within + 0.1 * np.trace(within) / d * np.eye(d))


def nearest_mahalanobis(scores: np.ndarray, centres: np.ndarray, precision: np.ndarray) -> np.ndarray:
    """(n,) distance to the nearest centre (k, d) by the pooled within-group covariance."""
    away = scores[:, None, :] - centres[None]
    return np.sqrt(np.maximum(np.einsum("nkd,de,nke->nk", away, precision, away), 0.0).min(axis=1))


def _tail(distance: np.ndarray, quantiles: np.ndarray, n: int) -> np.ndarray:
    """Upper tail probability of each distance under the stored quantiles.

    Above the 90 % quantile the tail is exponential with the mean excess seen there, a plain form of
    peaks over a threshold.
    """
    share = np.linspace(0, 1, len(quantiles))
    inner = 1 - np.interp(distance, quantiles, share)
    start = round(0.9 * (len(quantiles) - 1))
    threshold = quantiles[start]
    excess = float((quantiles[start:] - threshold).mean())
    if excess <= 0:  # no distances to speak of: the kept components hold everything
        return np.where(distance > quantiles[-1] + 1e-9, 1 / (n + 1), 1.0)
    return np.where(
        distance > threshold, 0.1 * np.exp(-(distance - threshold) / excess), np.maximum(inner, 0.1)
    )
