"""Continuous axes: what to report when there are no groups, and always beside them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.phenotypes.reduce import Components, learn_components, parallel_analysis
from discovery.seeds import named_rng

FAIR, EQUAL = 0.85, 0.95


def axis_table(
    x: np.ndarray, components: Components, *, draws: int, bootstraps: int, seed: int
) -> pd.DataFrame:
    """One row a kept component of the prepared rows x (n, p).

    axis (PC1, ...), variance, share, cumulative, parallel_mean, parallel_95 (eigenvalues of shuffled
    columns), beyond_chance (all axes up to it exceed parallel_95), congruence (median over bootstrap
    resamples of Tucker's coefficient with the axis most like it), congruence_low (2.5 % quantile).
    """
    d, n = components.kept, len(x)
    mean, high = parallel_analysis(x, named_rng(seed, "phenotypes", "parallel analysis"), draws=draws)
    found = []
    for draw in range(bootstraps):
        rows = named_rng(seed, "phenotypes", "axes", draw).integers(0, n, n)
        again = learn_components(x[rows], exactly=d)
        found.append(congruence(components.loadings, again.loadings))
    each = np.array(found).reshape(-1, d)
    variance = components.variance[:d]
    return pd.DataFrame(
        {
            "axis": [f"PC{j + 1}" for j in range(d)],
            "variance": variance,
            "share": variance / components.total,
            "cumulative": np.cumsum(variance) / components.total,
            "parallel_mean": mean[:d],
            "parallel_95": high[:d],
            "beyond_chance": np.cumprod(variance > high[:d]).astype(bool),
            "congruence": np.median(each, axis=0) if len(each) else np.nan,
            "congruence_low": np.quantile(each, 0.025, axis=0) if len(each) else np.nan,
        }
    )


def congruence(loadings: np.ndarray, other: np.ndarray) -> np.ndarray:
    """For each column of `loadings` (p, d), Tucker's |congruence| with its partner in `other` (p, e).

    Partners are matched one to one, at the largest total; 0 for an axis without one.

    References
    ----------
    Lorenzo-Seva & ten Berge, Methodology 2006;2:57-64: .85 to .94 fair, .95 and above equal.
    """
    return _partners(loadings, other)[0]


def score_agreement(first: Components, own: Components, x: np.ndarray) -> np.ndarray:
    """For each axis (d,) of `first`, |correlation| over the rows x (n, p) of its scores with those of its
    partner (as in `congruence`) in `own`, a cohort's own components; NaN for an axis without one."""
    partner = _partners(first.loadings, own.loadings)[1]
    frozen, mine = first.scores(x), own.scores(x)
    out = np.full(len(partner), np.nan)
    for j, other in enumerate(partner):
        if other >= 0 and np.ptp(frozen[:, j]) > 0 and np.ptp(mine[:, other]) > 0:
            out[j] = abs(np.corrcoef(frozen[:, j], mine[:, other])[0, 1])
    return out


def _partners(loadings: np.ndarray, other: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """|congruence| (d,) with the partner, and the column of `other` that is it, -1 without one."""
    from scipy.optimize import linear_sum_assignment

    length = np.sqrt((loadings**2).sum(axis=0))[:, None] * np.sqrt((other**2).sum(axis=0))[None, :]
    alike = np.abs(loadings.T @ other) / np.where(length > 0, length, 1.0)
    row, column = linear_sum_assignment(-alike)
    value, partner = np.zeros(loadings.shape[1]), np.full(loadings.shape[1], -1)
    value[row], partner[row] = alike[row, column], column
    return value, partner


def likeness_word(value: float) -> str:
    return "equal" if value >= EQUAL else "fairly similar" if value >= FAIR else "not the same"
