"""Confirmed order: which of two markers has the larger effect, beyond doubt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, kw_only=True)
class ConfirmedOrder:
    """above[j, k]: |effect j| is confirmed larger than |effect k|. Rank sets low, high (p,), 1 = largest."""

    above: np.ndarray
    low: np.ndarray
    high: np.ndarray


def confirmed_order(estimate, draws, *, conf_level: float = 0.95, joint: bool = False) -> ConfirmedOrder:
    """Pairwise confidence set for ranks by |effect|, from bootstrap draws.

    Parameters
    ----------
    estimate : array (p,)
    draws : array (B, p)
        The effects refitted in bootstrap resamples; a draw in which a feature failed is not used for
        its pairs.
    joint : bool
        One critical value for all features, so that every rank set holds at once.

    Notes
    -----
    |b| has a kink at 0, so j ranks above k only when both b_j - b_k and b_j + b_k, taken in the
    direction of b_j, exceed the critical value in standard errors. The critical value is the quantile of
    the largest centred contrast of j over all k.

    References
    ----------
    Mogstad, Romano, Shaikh & Wilhelm, Rev Econ Stud 2024;91:476-518, adapted as above.
    """
    b, star = np.asarray(estimate, dtype=float), np.asarray(draws, dtype=float)
    p = b.size
    sign = np.where(b < 0, -1.0, 1.0)
    statistic = np.full((p, p), -np.inf)
    largest = np.full((star.shape[0], p), np.nan)
    for j in range(p):
        others = np.arange(p) != j
        worst = np.full((star.shape[0], p), np.nan)
        for k_sign in (-1.0, 1.0):
            contrast = b[j] + k_sign * b
            moved = star[:, [j]] + k_sign * star - contrast
            with np.errstate(invalid="ignore", divide="ignore"):
                se = _spread(moved)
                t = sign[j] * contrast / se
                worst = np.fmax(worst, np.abs(moved) / se)
            statistic[j] = t if k_sign < 0 else np.minimum(statistic[j], t)
        largest[:, j] = np.fmax.reduce(worst[:, others], axis=1) if others.any() else 0.0
        statistic[j, j] = -np.inf
    if joint:
        critical = np.full(p, _quantile(np.fmax.reduce(largest, axis=1), conf_level))
    else:
        critical = np.array([_quantile(column, conf_level) for column in largest.T])
    above = statistic > critical[:, None]
    return ConfirmedOrder(above=above, low=1 + above.sum(axis=0), high=p - above.sum(axis=1))


def _spread(values) -> np.ndarray:
    """Standard deviation of each column over its known draws; NaN with fewer than two."""
    known = ~np.isnan(values)
    count = known.sum(axis=0)
    gap = np.where(known, values - np.where(known, values, 0.0).sum(axis=0) / count, 0.0)
    return np.where(count > 1, np.sqrt((gap**2).sum(axis=0) / (count - 1)), np.nan)


def _quantile(values, level) -> float:
    """Quantile of the known values; infinite without any, so that nothing is confirmed."""
    known = values[~np.isnan(values)]
    return float(np.quantile(known, level)) if known.size else np.inf


def order_sentence(order: ConfirmedOrder, j: int) -> str:
    """What is confirmed of feature j, in words."""
    below = int(order.above[j].sum())
    return f"confirmed to rank above at least {below} of {order.above.shape[0]} features"
