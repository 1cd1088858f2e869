"""Continuous axes: what to report when there are no groups, and always beside them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from discovery.phenotypes.reduce import Components, learn_components, parallel_analysis
from discovery.phenotypes.turned import Axes, turned
from discovery.seeds import named_rng

FAIR, EQUAL = 0.85, 0.95
LEVEL = 0.95  # of the intervals


@dataclass(frozen=True, kw_only=True)
class AxisSearch:
    """`axes`; `table`, a row an axis (`find_axes`); `correlation`, `low`, `high` (p, d), of each feature with
    each axis, with the bootstrap interval (NaN without resamples)."""

    axes: Axes
    table: pd.DataFrame
    correlation: np.ndarray
    low: np.ndarray
    high: np.ndarray


def find_axes(
    x: np.ndarray,
    components: Components,
    *,
    rotation: str = "none",
    draws: int,
    bootstraps: int,
    seed: int,
) -> AxisSearch:
    """The axes of the prepared rows x (n, p), turned if `rotation` is "varimax".

    The table has axis (PC1, or RC1 when turned, ...), variance, share, cumulative, component_variance (the
    eigenvalue; other than `variance` when turned), parallel_mean, parallel_95 (eigenvalues of shuffled
    columns), beyond_chance (all eigenvalues up to it exceed parallel_95), congruence (median over bootstrap
    resamples of Tucker's coefficient with the axis most like it), congruence_low (2.5 % quantile).

    Each resample learns its own components, turned like those of the cohort, and its axes are matched with
    those of the cohort before they are compared; the intervals of the correlations are percentiles over
    them.
    """
    d, n = components.kept, len(x)
    mean, high = parallel_analysis(x, named_rng(seed, "phenotypes", "parallel analysis"), draws=draws)
    eigenvalue = components.variance[:d]
    beyond = np.cumprod(eigenvalue > high[:d]).astype(bool)
    turning = int(beyond.sum()) if rotation == "varimax" else 0
    axes = turned(components, turning)
    loadings, spread = axes.loadings, _spread(x)
    alike = np.empty((bootstraps, d))
    correlations = np.empty((bootstraps, x.shape[1], d))
    for draw in range(bootstraps):
        rows = named_rng(seed, "phenotypes", "axes", draw).integers(0, n, n)
        again = turned(learn_components(x[rows], exactly=d), turning)
        value, partner, sign = partners(loadings, again.loadings)
        alike[draw] = value
        matched = again.pattern[:, partner] * sign / _spread(x[rows])[:, None]
        correlations[draw] = np.where(partner >= 0, matched, np.nan)
    low, upper = np.full(loadings.shape, np.nan), np.full(loadings.shape, np.nan)
    if bootstraps:
        low, upper = np.nanquantile(correlations, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=0)
    variance = axes.variance
    table = pd.DataFrame(
        {
            "axis": axes.names,
            "variance": variance,
            "share": variance / components.total,
            "cumulative": np.cumsum(variance) / components.total,
            "component_variance": eigenvalue,
            "parallel_mean": mean[:d],
            "parallel_95": high[:d],
            "beyond_chance": beyond,
            "congruence": np.median(alike, axis=0) if bootstraps else np.nan,
            "congruence_low": np.quantile(alike, 0.025, axis=0) if bootstraps else np.nan,
        }
    )
    correlation = np.clip(axes.pattern / spread[:, None], -1, 1)
    return AxisSearch(
        axes=axes, table=table, correlation=correlation,
        low=np.clip(low, -1, 1), high=np.clip(upper, -1, 1),
    )  # fmt: skip


def _spread(x: np.ndarray) -> np.ndarray:
    sd = x.std(axis=0, ddof=1)
    return np.where(sd > 0, sd, np.inf)  # a feature without spread in a resample correlates with nothing


def congruence(loadings: np.ndarray, other: np.ndarray) -> np.ndarray:
    """For each column of `loadings` (p, d), Tucker's |congruence| with its partner in `other` (p, e).

    Partners are matched one to one, at the largest total; 0 for an axis without one.

    References
    ----------
    Lorenzo-Seva & ten Berge, Methodology 2006;2:57-64: .85 to .94 fair, .95 and above equal.
    """
    return partners(loadings, other)[0]


def score_agreement(first: Axes, own: Axes, x: np.ndarray) -> np.ndarray:
    """For each axis (d,) of `first`, |correlation| over the rows x (n, p) of its scores with those of its
    partner (as in `congruence`) in `own`, a cohort's own axes; NaN for an axis without one."""
    partner = partners(first.loadings, own.loadings)[1]
    frozen, mine = first.scores(x), own.scores(x)
    out = np.full(len(partner), np.nan)
    for j, other in enumerate(partner):
        if other >= 0 and np.ptp(frozen[:, j]) > 0 and np.ptp(mine[:, other]) > 0:
            out[j] = abs(np.corrcoef(frozen[:, j], mine[:, other])[0, 1])
    return out


def partners(loadings: np.ndarray, other: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """|congruence| (d,) with the partner, the column of `other` that is it, -1 without one, and the sign
    that turns the partner the same way."""
    from scipy.optimize import linear_sum_assignment

    length = np.sqrt((loadings**2).sum(axis=0))[:, None] * np.sqrt((other**2).sum(axis=0))[None, :]
    cosine = (loadings.T @ other) / np.where(length > 0, length, 1.0)
    row, column = linear_sum_assignment(-np.abs(cosine))
    d = loadings.shape[1]
    value, partner, sign = np.zeros(d), np.full(d, -1), np.ones(d)
    value[row], partner[row] = np.abs(cosine)[row, column], column
    sign[row] = np.where(cosine[row, column] < 0, -1.0, 1.0)
    return value, partner, sign


def likeness_word(value: float) -> str:
    return "equal" if value >= EQUAL else "fairly similar" if value >= FAIR else "not the same"
