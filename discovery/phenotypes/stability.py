"""Would the same groups come back in another sample: bootstrap, Jaccard index, consensus, votes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.phenotypes.cluster import centres_of, cut, matched, nearest_centre
from discovery.seeds import named_rng

STABLE, HIGHLY_STABLE, DOUBTFUL = 0.75, 0.85, 0.60


@dataclass(frozen=True, kw_only=True)
class Stability:
    """`jaccard` (k,), mean over draws of the best overlap of each group; `each` (draws, k); `centres`
    (draws, k, d), in the order of the groups; `probability` (n, k), share of draws whose centres put the
    patient there; `sampled` (draws, n), the group in the draw, -1 where not sampled."""

    jaccard: np.ndarray
    each: np.ndarray
    centres: np.ndarray
    probability: np.ndarray
    sampled: np.ndarray

    def consensus(self, among: np.ndarray | None = None) -> np.ndarray:
        """(n, n): of the draws with both patients, the share that puts them together; NaN without one.

        among : (m,) places of some patients, for an (m, m) matrix of these
        """
        sampled = self.sampled if among is None else self.sampled[:, among]
        n = sampled.shape[1]
        together, both = np.zeros((n, n), np.float32), np.zeros((n, n), np.float32)
        for row in sampled:
            seen = (row >= 0).astype(np.float32)
            both += np.outer(seen, seen)
            member = (row[:, None] == np.arange(self.each.shape[1])).astype(np.float32)
            together += member @ member.T
        with np.errstate(invalid="ignore"):
            return together / np.where(both > 0, both, np.nan)

    def words(self) -> list[str]:
        """A word for each group's Jaccard index (Hennig 2007)."""
        return [
            "highly stable"
            if value >= HIGHLY_STABLE
            else "stable"
            if value >= STABLE
            else "some pattern, membership doubtful"
            if value >= DOUBTFUL
            else "not to be trusted"
            for value in self.jaccard
        ]


def bootstrap_stability(
    draw_scores,
    scores: np.ndarray,
    labels: np.ndarray,
    k: int,
    *,
    draws: int,
    seed: int,
    workers: int,
    method: str,
    starts: int,
) -> Stability:
    """Cluster `draws` resamples of patients and compare with `labels` (n,).

    draw_scores : rng -> (n, d), the scores with missing values drawn anew (or simply `scores`)

    References
    ----------
    Hennig, Comput Stat Data Anal 2007;52:258-271: a patient drawn twice counts once in the overlap.
    """
    from joblib import Parallel, delayed

    n = len(scores)
    centres = centres_of(scores, labels, k)

    def one(draw: int):
        rng = named_rng(seed, "phenotypes", "bootstrap", draw)
        rows = rng.integers(0, n, n)
        sample = draw_scores(rng)[rows]
        found = cut(sample, k, rng, method=method, starts=starts)
        means = centres_of(sample, found, k)
        order = matched(means, centres)
        found, ordered = order[found], np.empty_like(means)
        ordered[order] = means
        sampled = np.full(n, -1, dtype=np.int8)
        sampled[rows] = found
        # a group that vanished in the draw cannot win a vote
        vote = nearest_centre(scores, np.where(np.isnan(ordered), 1e150, ordered))
        return best_jaccard(labels, sampled, k), ordered, sampled, vote

    found = Parallel(n_jobs=workers, prefer="threads")(delayed(one)(draw) for draw in range(draws))
    each = np.array([f[0] for f in found])
    votes = np.array([f[3] for f in found])
    return Stability(
        jaccard=each.mean(axis=0),
        each=each,
        centres=np.array([f[1] for f in found]),
        probability=np.stack([(votes == c).mean(axis=0) for c in range(k)], axis=1),
        sampled=np.array([f[2] for f in found]),
    )


def best_jaccard(labels: np.ndarray, sampled: np.ndarray, k: int) -> np.ndarray:
    """For each group (k,), its best Jaccard overlap with a group of the draw, among sampled patients."""
    seen = sampled >= 0
    table = np.zeros((k, k))
    np.add.at(table, (labels[seen], sampled[seen]), 1.0)
    union = table.sum(axis=1)[:, None] + table.sum(axis=0)[None, :] - table
    with np.errstate(invalid="ignore"):
        return np.where(union > 0, table / np.where(union > 0, union, 1.0), 0.0).max(axis=1)
