"""Do the groups, or the axes, come back in a second cohort."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from discovery.phenotypes.cluster import centres_of

STRENGTH, ORDER, CONGRUENT = 0.8, 0.7, 0.85
PROFILE_DRAWS = 499
GRID, EM_ROUNDS = 101, 200


@dataclass(frozen=True, kw_only=True)
class PhenotypeReplication:
    """`prediction_strength`, the smallest over the second cohort's own groups; `by_group`: phenotype, n
    (assigned), share, discovery_share, prediction_strength, and of `ProfileAgreement` profile_order,
    profile_order_if_same, profile_congruence, profile_agrees; `axes`: axis, congruence (of loadings),
    score_agreement (correlation of frozen and own scores), word (of the congruence); `unlike`, share of
    patients unlike anyone seen; `verdict`, `reasons`."""

    prediction_strength: float
    by_group: pd.DataFrame
    axes: pd.DataFrame
    unlike: float
    n: int
    replicated: bool
    verdict: str
    reasons: tuple[str, ...]


def prediction_strengths(own: np.ndarray, assigned: np.ndarray, k: int) -> np.ndarray:
    """For each group (k,) that the cohort's own clustering `own` (n,) finds: the share of its pairs of
    patients whom the frozen centroids put together too (`assigned`); NaN for fewer than two patients.

    References
    ----------
    Tibshirani & Walther, J Comput Graph Stat 2005;14:511-528.
    """
    out = np.full(k, np.nan)
    for group in range(k):
        counts = np.bincount(assigned[own == group]).astype(float)
        size = counts.sum()
        if size >= 2:
            out[group] = (counts * (counts - 1)).sum() / (size * (size - 1))
    return out


def profile_orders(frozen: np.ndarray, new: np.ndarray) -> np.ndarray:
    """Spearman correlation of each group's feature means (k, p) in the two cohorts; NaN if undefined."""
    out = np.full(len(frozen), np.nan)
    for group, (a, b) in enumerate(zip(frozen, new)):
        if np.isnan(b).any() or len(a) < 3 or np.ptp(a) == 0 or np.ptp(b) == 0:
            continue
        out[group] = _spearman(a, b)
    return out


@dataclass(frozen=True, kw_only=True)
class ProfileAgreement:
    """By group (k,): `order`, Spearman of the profiles; `order_if_same`, the 5 % quantile of that in draws of
    two cohorts with the same profile; `congruence`, Tucker's coefficient of the profiles; `agrees`."""

    order: np.ndarray
    order_if_same: np.ndarray
    congruence: np.ndarray
    agrees: np.ndarray


def profile_agreement(
    frozen: np.ndarray,
    sizes: np.ndarray,
    z: np.ndarray,
    own: np.ndarray,
    rng: np.random.Generator,
    *,
    draws: int = PROFILE_DRAWS,
) -> ProfileAgreement:
    """Whether the groups `own` (n,) of z-scores z (n, p) have the profiles `frozen` (k, p) of the first
    cohort, whose groups had `sizes` (k,) patients.

    A profile agrees when its features come in the same order (Spearman .7 or more). Features that tell a
    group about equally have no order but noise: their ranks say nothing, though nothing could agree better.
    So the order is also held against its sampling noise. Where two cohorts of these sizes with one and the
    same profile would fall below .7 in more than 5 % of draws, an order no lower than their 5 % quantile is
    as good as can be seen; the profiles must then be congruent as well (Tucker's coefficient .85 or more:
    the same features, the same way, in the same proportion).

    The draws take a profile that may stand behind the mean of both (`_likely_profiles`), and add the mean of
    as many resampled deviations of the second cohort's patients from their group's mean as each cohort has
    patients in the group.
    """
    k = len(frozen)
    new = centres_of(z, own, k)
    order = profile_orders(frozen, new)
    same, alike = np.full(k, np.nan), np.full(k, np.nan)
    for group in range(k):
        if np.isnan(order[group]):
            continue
        away = z[own == group] - new[group]
        n, m = int(sizes[group]), len(away)
        a, b = frozen[group], new[group]
        alike[group] = a @ b / np.sqrt((a @ a) * (b @ b))
        between = away - away.mean(axis=1, keepdims=True)  # what all features share moves no ranks
        middle = _likely_profiles((n * a + m * b) / (n + m), between.std(axis=0) / np.sqrt(n + m), draws, rng)
        drawn = [_drawn_means(away, size, draws, rng) for size in (n, m)]
        found = _spearman(middle + drawn[0], middle + drawn[1])
        same[group] = float(np.quantile(found, 0.05))
    by_noise = (same < ORDER) & (order >= same) & (alike >= CONGRUENT)
    return ProfileAgreement(
        order=order, order_if_same=same, congruence=alike, agrees=(order >= ORDER) | by_noise
    )


def _drawn_means(away: np.ndarray, size: int, draws: int, rng: np.random.Generator) -> np.ndarray:
    """Means (draws, p) of `size` rows of `away` (m, p), drawn with replacement."""
    m = len(away)
    counts = rng.multinomial(size, np.full(m, 1 / m), size=draws)
    return counts @ away / size


def _likely_profiles(profile: np.ndarray, se: np.ndarray, draws: int, rng: np.random.Generator) -> np.ndarray:
    """Profiles (draws, p) that may stand behind `profile` (p,), of standard errors `se` (p,).

    Drawn from the posterior whose prior is the distribution of the features' means that makes the profile
    likeliest, on a grid. Features as good as equal come out equal, however many levels there are.

    References
    ----------
    Kiefer & Wolfowitz, Ann Math Stat 1956;27:887-906 (nonparametric maximum likelihood of the mixing
    distribution); Laird, J Am Stat Assoc 1978;73:805-811 (by EM).
    """
    grid = np.linspace(profile.min(), profile.max(), GRID)
    se = np.maximum(se, 1e-6 * max(np.ptp(profile), np.finfo(float).tiny))
    likely = np.exp(-0.5 * ((profile[:, None] - grid) / se[:, None]) ** 2) + 1e-300
    prior = np.full(GRID, 1 / GRID)
    for _ in range(EM_ROUNDS):
        posterior = likely * prior
        posterior /= posterior.sum(axis=1, keepdims=True)
        prior = posterior.mean(axis=0)
    edges = np.cumsum(posterior, axis=1)
    at = (rng.random((draws, len(profile)))[:, :, None] > edges[None]).sum(axis=2)
    return grid[np.minimum(at, GRID - 1)]


def _spearman(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Spearman correlation (...) of values (..., p) along the last axis."""
    from scipy.stats import rankdata

    ranks = [rankdata(values, axis=-1) for values in (a, b)]
    a, b = (rank - rank.mean(axis=-1, keepdims=True) for rank in ranks)
    size = np.sqrt((a**2).sum(axis=-1) * (b**2).sum(axis=-1))
    return (a * b).sum(axis=-1) / np.where(size > 0, size, np.inf)
