"""Two groups compared in several markers by step-down permutation (Westfall and Young), no covariates."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import comb

import numpy as np

from discovery.association.maxt import HIT
from discovery.problems import InputError, Problem


@dataclass(frozen=True, kw_only=True)
class WestfallYoung:
    """Two-group permutation test of several markers: raw and step-down adjusted p, input order."""

    statistic: np.ndarray
    p_raw: np.ndarray
    p_adjusted: np.ndarray
    relabellings: int
    enumerated: bool


def westfall_young(
    markers: np.ndarray,
    group: np.ndarray,
    *,
    permutations: int = 10_000,
    rng: np.random.Generator | None = None,
    enumerate_up_to: int = 20_000,
) -> WestfallYoung:
    """Step-down maxT on |t| (equal variances) between two groups, without covariates.

    Parameters
    ----------
    markers : (n, m), NaN missing (a marker then uses its own rows)
    group : (n,) of two values
    enumerate_up_to : when there are no more relabellings than this, all are used and p = hits / all,
        the observed labelling being one of them; else `permutations` draws from `rng` are used and
        p = (1 + hits) / (draws + 1)

    References
    ----------
    Westfall & Young, Resampling-Based Multiple Testing, Wiley 1993, algorithm 4.1.
    """
    values = np.asarray(markers, dtype=float)
    levels = np.unique(group)
    if values.ndim != 2 or len(levels) != 2 or len(group) != len(values):
        found = f"shape {values.shape}, {len(levels)} groups"
        wanted = "a patients x markers table and one of two groups for each patient"
        raise InputError([Problem(file="markers", found=found, wanted=wanted)])
    second = (np.asarray(group) == levels[1]).astype(float)
    total = comb(second.size, int(second.sum()))
    enumerated = total <= enumerate_up_to
    labels = _every_labelling(second) if enumerated else _drawn_labellings(second, permutations, rng, total)
    observed = _two_group_t(second[None], values)[0]
    drawn = np.abs(_two_group_t(labels, values))
    size = np.abs(observed)
    order = np.argsort(-size, kind="stable")
    rest = np.maximum.accumulate(drawn[:, order][:, ::-1], axis=1)[:, ::-1]
    raw_hits = (drawn >= HIT * size).sum(axis=0)
    hits = np.empty_like(raw_hits)
    hits[order] = (rest >= HIT * size[order]).sum(axis=0)
    one, count = (0, total) if enumerated else (1, permutations + 1)
    adjusted = (one + hits) / count
    adjusted[order] = np.maximum.accumulate(adjusted[order])
    return WestfallYoung(
        statistic=observed,
        p_raw=(one + raw_hits) / count,
        p_adjusted=adjusted,
        relabellings=total if enumerated else permutations,
        enumerated=enumerated,
    )


def _every_labelling(second: np.ndarray) -> np.ndarray:
    """All ways (total, n) to give as many patients the second group."""
    chosen = np.array(list(combinations(range(second.size), int(second.sum()))))
    labels = np.zeros((len(chosen), second.size))
    labels[np.arange(len(chosen))[:, None], chosen] = 1.0
    return labels


def _drawn_labellings(
    second: np.ndarray, permutations: int, rng: np.random.Generator | None, total: int
) -> np.ndarray:
    if rng is None:
        found, wanted = f"{total} relabellings", "a generator to draw from them"
        raise InputError([Problem(file="permutations", found=found, wanted=wanted)])
    return rng.permuted(np.broadcast_to(second, (permutations, second.size)), axis=1)


def _two_group_t(labels: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Student's t (k, m) for each labelling (k, n) of 0 and 1; 0 where a group has no value."""
    seen = ~np.isnan(values)
    x = np.where(seen, values - np.nanmean(values, axis=0), 0.0)
    second = labels @ seen
    n = seen.sum(axis=0)
    first = n - second
    with np.errstate(divide="ignore", invalid="ignore"):
        difference = (labels @ x) / second - (x.sum(axis=0) - labels @ x) / first
        between = difference**2 * first * second / n
        within = (x**2).sum(axis=0) - between
        t = difference / np.sqrt(within / (n - 2) * (1 / first + 1 / second))
    return np.where(np.isnan(t), 0.0, t)
