"""Do the groups, or the axes, come back in a second cohort."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

STRENGTH, ORDER = 0.8, 0.7


@dataclass(frozen=True, kw_only=True)
class PhenotypeReplication:
    """`prediction_strength`, the smallest over the second cohort's own groups; `by_group`: phenotype, n
    (assigned), share, discovery_share, prediction_strength, profile_order (Spearman); `axes`: axis,
    congruence (of loadings), score_agreement (correlation of frozen and own scores), word (of the
    congruence); `unlike`, share of patients unlike anyone seen; `verdict`, `reasons`."""

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
    from scipy.stats import rankdata

    out = np.full(len(frozen), np.nan)
    for group, (a, b) in enumerate(zip(frozen, new)):
        if np.isnan(b).any() or len(a) < 3 or np.ptp(a) == 0 or np.ptp(b) == 0:
            continue
        out[group] = float(np.corrcoef(rankdata(a), rankdata(b))[0, 1])
    return out
