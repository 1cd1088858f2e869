"""How well several rankings, or several selections, agree."""

from __future__ import annotations

from itertools import combinations

import numpy as np


def kendall_w(ranks) -> float:
    """Kendall's W, the concordance of m rankings (m, k) of k items, corrected for ties; NaN if all tie."""
    from scipy.stats import rankdata

    r = rankdata(np.asarray(ranks, dtype=float), axis=1)
    m, k = r.shape
    spread = ((r.sum(axis=0) - m * (k + 1) / 2) ** 2).sum()
    ties = sum((counts**3 - counts).sum() for row in r for counts in [np.unique(row, return_counts=True)[1]])
    most = m**2 * (k**3 - k) - m * ties
    return float(12 * spread / most) if most > 0 else float("nan")


def rank_correlations(a, b) -> tuple[float, float]:
    """Kendall's tau-b and Spearman's rho of two rankings with ties."""
    from scipy.stats import kendalltau, spearmanr

    return float(kendalltau(a, b).statistic), float(spearmanr(a, b).statistic)


def selection_stability(selected) -> float:
    """Stability of M selections (M, p) of 0/1 out of p: 1 when all agree, about 0 when they agree by chance.

    NaN when every selection is empty, or every selection takes all.

    References
    ----------
    Nogueira, Sechidis & Brown, J Mach Learn Res 2018;18(174):1-54.
    """
    z = np.asarray(selected, dtype=float)
    m = z.shape[0]
    share = z.mean(axis=0)
    average = share.mean()
    by_chance = average * (1 - average)
    return (
        float(1 - (m / (m - 1) * share * (1 - share)).mean() / by_chance) if by_chance > 0 else float("nan")
    )


def mean_jaccard(selected) -> float:
    """Mean over all pairs of selections (M, p) of |both| / |either|; two empty selections agree wholly."""
    z = np.asarray(selected, dtype=bool)
    shares = []
    for a, b in combinations(z, 2):
        either = (a | b).sum()
        shares.append((a & b).sum() / either if either else 1.0)
    return float(np.mean(shares))
