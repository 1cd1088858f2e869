"""Correlation families: features so alike that a ranking cannot tell them apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.markers.ranks import DECIMALS

CUT = 0.3  # average distance 1 - |rho|: members correlate by about 0.7 or more
MIN_COMMON = 10  # patients with both values, below which two features count as unrelated


@dataclass(frozen=True, kw_only=True)
class Families:
    """Families of p features; they depend on the features alone, never on an outcome.

    number (p,) counts from 1 in the order of each family's first feature; centre (p,) is the index of
    the member with the largest mean |rho| to the others, after which the family is named; rho (p, p) is
    Spearman's, 0 where it is undefined.
    """

    number: np.ndarray
    centre: np.ndarray
    rho: np.ndarray

    @property
    def count(self) -> int:
        return int(self.number.max(initial=0))


def find_families(features, *, cut: float = CUT) -> Families:
    """Average-linkage clustering of features on 1 - |Spearman rho|, cut at `cut`.

    Parameters
    ----------
    features : array (n, p)
        NaN is missing; each correlation uses the patients that have both values (at least 10).
    cut : float
        Two groups are joined while their average distance is at most this.
    """
    from scipy.cluster.hierarchy import fcluster, linkage
    from scipy.spatial.distance import squareform

    x = np.asarray(features, dtype=float)
    p = x.shape[1]
    rho = spearman_matrix(x)
    if p < 2:
        found = np.ones(p, dtype=int)
    else:
        distance = 1.0 - np.abs(rho)
        np.fill_diagonal(distance, 0.0)
        tree = linkage(squareform(np.maximum(distance, 0.0), checks=False), method="average")
        found = fcluster(tree, t=cut, criterion="distance")
    number = np.empty(p, dtype=int)
    centre = np.empty(p, dtype=int)
    for k, cluster in enumerate(dict.fromkeys(found.tolist()), start=1):
        members = np.flatnonzero(found == cluster)
        closeness = np.round(np.abs(rho[np.ix_(members, members)]).mean(axis=1), 12)
        number[members] = k
        centre[members] = members[np.argmax(closeness)]
    return Families(number=number, centre=centre, rho=rho)


def family_leads(score, number) -> np.ndarray:
    """For each feature (p,), the index of its family's lead: the largest score, of equal ones the first;
    -1 if none has a score."""
    score, number = np.asarray(score, dtype=float).round(DECIMALS), np.asarray(number)
    largest = np.argsort(-score, kind="stable")
    largest = largest[~np.isnan(score[largest])]
    lead = np.full(int(number.max(initial=0)) + 1, -1)  # by family
    family, first = np.unique(number[largest], return_index=True)
    lead[family] = largest[first]
    return lead[number]


def family_scores(score, number, *, count: int | None = None) -> np.ndarray:
    """The largest score in each family, (..., families) from (..., p); NaN where no member has one."""
    score, number = np.asarray(score, dtype=float), np.asarray(number)
    count = int(number.max(initial=0)) if count is None else count
    best = np.full((*score.shape[:-1], count), -np.inf)
    filled = np.where(np.isnan(score), -np.inf, score)
    for j, family in enumerate(number):
        best[..., family - 1] = np.maximum(best[..., family - 1], filled[..., j])
    return np.where(np.isneginf(best), np.nan, best)


def spearman_matrix(features) -> np.ndarray:
    """Spearman correlations (p, p) over pairwise complete patients; 0 where fewer than 10 or no spread."""
    from discovery.kernels.column_ranks import standard_ranks

    x = np.ascontiguousarray(features, dtype=float)
    p = x.shape[1]
    seen = ~np.isnan(x)
    order = np.argsort(x.T, axis=1, kind="stable")
    patterns, of = np.unique(seen, axis=1, return_inverse=True)
    of = np.asarray(of).ravel()
    rho = np.zeros((p, p))
    # features that share a missing pattern share the ranking, so the work is by pairs of patterns
    for a in range(patterns.shape[1]):
        for b in range(a, patterns.shape[1]):
            rows = patterns[:, a] & patterns[:, b]
            if rows.sum() < MIN_COMMON:
                continue
            left, right = np.flatnonzero(of == a), np.flatnonzero(of == b)
            ranks = standard_ranks(x, order, left, rows)
            block = ranks @ (ranks if a == b else standard_ranks(x, order, right, rows)).T
            rho[np.ix_(left, right)] = block
            rho[np.ix_(right, left)] = block.T
    np.fill_diagonal(rho, 1.0)
    return np.clip(rho, -1.0, 1.0)
