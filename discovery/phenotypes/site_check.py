"""Are the groups only the sites: association of group and site, and the same search after centring sites."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

PERMUTATIONS = 999


@dataclass(frozen=True, kw_only=True)
class SiteCheck:
    """`cramer_v` and its permutation p; `r2`, the share of the scores' variance between sites
    (PERMANOVA), and its permutation p; `adjusted_rand` of the groups with those found after each
    site's means were taken out of the features; `sites`, how many."""

    cramer_v: float
    p_value: float
    r2: float
    p_r2: float
    adjusted_rand: float
    sites: int


def check_sites(
    scores: np.ndarray,
    labels: np.ndarray,
    after: np.ndarray,
    site: np.ndarray,
    rng: np.random.Generator,
    *,
    permutations: int = PERMUTATIONS,
) -> SiteCheck:
    """scores (n, d), labels (n,), `after` (n,): labels found after centring; site (n,) codes from 0.

    References
    ----------
    Cramer, Mathematical Methods of Statistics 1946; Anderson, Austral Ecol 2001;26:32-46 (PERMANOVA).
    """
    from sklearn.metrics import adjusted_rand_score

    k, sites = int(labels.max()) + 1, int(site.max()) + 1
    member = np.eye(sites)[site]
    size = member.sum(axis=0)
    away = scores - scores.mean(axis=0)
    total = float((away**2).sum())
    group = np.eye(k)[labels]
    expected = np.outer(group.sum(axis=0), size) / len(labels)

    def measures(order):
        chi2 = float((((group[order].T @ member) - expected) ** 2 / expected).sum())
        between = float((((member.T @ away[order]) ** 2).sum(axis=1) / size).sum())
        return chi2, between / total if total > 0 else 0.0

    chi2, r2 = measures(np.arange(len(labels)))
    null = np.array([measures(rng.permutation(len(labels))) for _ in range(permutations)])
    # the slack lets tables that are the same but for rounding count as ties
    p_chi2, p_r2 = (1 + (null >= np.array([chi2, r2]) * (1 - 1e-9)).sum(axis=0)) / (permutations + 1)
    return SiteCheck(
        cramer_v=float(np.sqrt(chi2 / (len(labels) * min(k - 1, sites - 1)))),
        p_value=float(p_chi2),
        r2=r2,
        p_r2=float(p_r2),
        adjusted_rand=float(adjusted_rand_score(labels, after)),
        sites=sites,
    )


def without_site_means(x: np.ndarray, site: np.ndarray) -> np.ndarray:
    """x (n, p) less the mean of each site; site (n,) codes from 0."""
    member = np.eye(int(site.max()) + 1)[site]
    return x - member @ ((member.T @ x) / member.sum(axis=0)[:, None])
