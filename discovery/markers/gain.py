"""Gain over the base model, corrected for fitting and for having been picked at a rank.

A feature that comes first of many owes part of its apparent gain to having been picked. The bootstrap
repeats the picking: the optimism of "the feature that comes r-th" is taken from whichever feature comes
r-th in each draw, not from the same feature in all of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from discovery.markers.bootstrap import BootstrapDraws
from discovery.markers.ranks import rank_descending

MONTE_CARLO_NOTED = 0.002


@dataclass(frozen=True, kw_only=True)
class CorrectedGain:
    """gain (p,) with an approximate 95 % interval; negative means "none" and is left negative.

    apparent, optimism: gain = apparent - optimism. monte_carlo_error: standard error of the optimism
    from the number of draws.
    """

    gain: np.ndarray
    low: np.ndarray
    high: np.ndarray
    apparent: np.ndarray
    optimism: np.ndarray
    monte_carlo_error: np.ndarray


def optimism_by_rank(draws: BootstrapDraws, *, smooth: bool = True) -> tuple[np.ndarray, np.ndarray]:
    """Mean optimism (p,) of the feature that comes r-th by |z|, r = 1..p, and its Monte Carlo error.

    A model that failed in a draw comes last there and does not count in the mean. `smooth`: isotonic
    (non-increasing in r).
    """
    from scipy.optimize import isotonic_regression

    order = np.argsort(-np.where(np.isnan(draws.z), -1.0, np.abs(draws.z)), axis=1, kind="stable")
    gap = np.take_along_axis(draws.apparent - draws.tested, order, axis=1)
    known = ~np.isnan(gap)
    count = known.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(known, gap, 0.0).sum(axis=0) / count
        spread = np.where(known, (gap - mean) ** 2, 0.0).sum(axis=0) / (count - 1)
        error = np.sqrt(spread / count)
    usable = np.flatnonzero(count > 0)
    if smooth and usable.size:
        fitted = isotonic_regression(mean[usable], weights=count[usable].astype(float), increasing=False)
        mean[usable] = fitted.x
    return mean, error


def corrected_gains(
    z: Sequence[np.ndarray],
    apparent: Sequence[np.ndarray],
    draws: Sequence[BootstrapDraws],
    *,
    conf_level: float = 0.95,
) -> list[CorrectedGain]:
    """Rank-aware corrected gains of one or more outcomes whose gains have the same measure.

    Parameters
    ----------
    z, apparent : for each outcome (p,), from the original data
    draws : for each outcome, from one call of `bootstrap_refits`

    Notes
    -----
    O(r) = mean over draws of (apparent - tested) of the feature at rank r of that draw;
    gain = apparent - O(rank); the interval is the percentile interval of the draws' apparent gains
    shifted by O(rank), widened to hold the gain itself where it falls outside.

    With several outcomes the search runs over all of them, so ranks are also taken in the joint list of
    (outcome, feature). A reader may pick the best of one outcome or the best of all; the larger of the
    two corrections is used, which covers both.

    References
    ----------
    Harrell, Lee & Mark, Stat Med 1996;15:361-387 (optimism); Noma et al., Stat Med 2021;40:5691-5701
    (location-shifted interval); the correction by rank is our own.
    """
    own = [_at_ranks(zj, optimism_by_rank(d)) for zj, d in zip(z, draws)]
    if len(draws) > 1:
        together = BootstrapDraws(
            **{
                name: np.concatenate([getattr(d, name) for d in draws], axis=1)
                for name in ("z", "estimate", "apparent", "tested")
            }
        )
        joint, joint_error = _at_ranks(np.concatenate(z), optimism_by_rank(together))
        cuts = np.cumsum([len(zj) for zj in z])[:-1]
        pairs = zip(np.split(joint, cuts), np.split(joint_error, cuts))
        own = [
            (np.fmax(mine, all_), np.where(all_ > mine, all_error, error))
            for (mine, error), (all_, all_error) in zip(own, pairs)
        ]
    tail = (1 - conf_level) / 2
    out = []
    for (optimism, error), seen, d in zip(own, apparent, draws):
        gain = seen - optimism
        low, high = _quantiles(d.apparent, [tail, 1 - tail]) - optimism
        out.append(
            CorrectedGain(
                gain=gain,
                low=np.fmin(low, gain),
                high=np.fmax(high, gain),
                apparent=np.asarray(seen),
                optimism=optimism,
                monte_carlo_error=error,
            )
        )
    return out


def monte_carlo_note(gains: CorrectedGain) -> str:
    """A remark when the number of draws leaves the optimism uncertain by more than .002, else empty."""
    worst = np.nanmax(gains.monte_carlo_error, initial=0.0)
    if not worst > MONTE_CARLO_NOTED:
        return ""
    return f"Monte Carlo standard error of the gain's correction up to {worst:.4f}; more replicates reduce it"


def _at_ranks(z, optimism) -> tuple[np.ndarray, np.ndarray]:
    """Optimism and its error at the rank of each feature; a tied rank between two places is between them."""
    mean, error = optimism
    rank = rank_descending(np.abs(z))
    place = np.arange(1, mean.size + 1)
    known = ~np.isnan(mean)
    if not known.any():
        return np.full(rank.shape, np.nan), np.full(rank.shape, np.nan)
    blank = np.isnan(rank)
    at = np.where(blank, 1.0, rank)
    return (
        np.where(blank, np.nan, np.interp(at, place[known], mean[known])),
        np.where(blank, np.nan, np.interp(at, place[known], error[known])),
    )


def _quantiles(values, levels) -> np.ndarray:
    """Quantiles over draws, NaN left out; NaN for a column without any."""
    out = np.full((len(levels), values.shape[1]), np.nan)
    some = ~np.isnan(values).all(axis=0)
    if some.any():
        out[:, some] = np.nanquantile(values[:, some], levels, axis=0)
    return out
