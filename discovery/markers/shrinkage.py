"""Winner's curse: effects shrunk towards 0 by what all features together say about their spread."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

MIN_FEATURES = 20
NULL_WEIGHT = 10.0  # Dirichlet prior on the share of exact zeros; 1 for every other component
MAX_STEPS = 10_000
STEP_LIMIT = 1e-7


@dataclass(frozen=True, kw_only=True)
class ShrunkenEffects:
    """Posterior of each effect (p,). NaN, with the reason in `note`, where nothing could be learned.

    mean, sd; low, high: equal-tailed posterior interval; lfsr: local false sign rate, the posterior
    probability that the sign is wrong; s_value: the mean lfsr of this and all surer effects. The prior is the
    mixture of N(0, prior_sd^2) with shares prior_share, prior_sd[0] = 0.
    """

    mean: np.ndarray
    sd: np.ndarray
    low: np.ndarray
    high: np.ndarray
    lfsr: np.ndarray
    s_value: np.ndarray
    prior_sd: np.ndarray
    prior_share: np.ndarray
    note: str = ""


def shrink_effects(
    estimate, se, *, conf_level: float = 0.95, min_features: int = MIN_FEATURES
) -> ShrunkenEffects:
    """Normal-mixture empirical Bayes over one family of effects on one scale.

    Parameters
    ----------
    estimate, se : array (p,)
        Effects and standard errors on one scale (log hazard ratio per 1 SD, say); NaN is left out.
    conf_level : float
    min_features : int
        With fewer usable effects the spread of the true effects cannot be learned: all NaN, and a note.

    Notes
    -----
    Grid of prior SDs: 0, then rising by sqrt 2 from min(se)/10 to 2 sqrt(max(b^2 - se^2)). Shares by EM,
    Dirichlet(10, 1, ..., 1).

    Measured on 60 features in 12 families (tests/validity): the interval of the leading feature covers
    its true effect in .85, .92, .88 of survival studies of 100, 150, 500 patients, in .87 of binary ones
    of 150, and in .83 when many features tie for the first place. It is an interval for the selected, not a
    replacement of each confidence interval.

    References
    ----------
    Stephens, Biostatistics 2017;18:275-294.
    """
    b, s = np.asarray(estimate, dtype=float), np.asarray(se, dtype=float)
    used = np.isfinite(b) & np.isfinite(s) & (s > 0)
    if used.sum() < min_features:
        nothing = np.full(b.shape, np.nan)
        note = f"not shrunk: {used.sum()} features, and a spread is learned from {min_features} or more"
        return ShrunkenEffects(
            mean=nothing, sd=nothing, low=nothing, high=nothing, lfsr=nothing, s_value=nothing,
            prior_sd=np.empty(0), prior_share=np.empty(0), note=note,
        )  # fmt: skip
    prior_sd = _grid(b[used], s[used])
    share, note = _mixture_shares(b[used], s[used], prior_sd)
    columns = {
        key: _spread_out(values, used)
        for key, values in _posterior(b[used], s[used], prior_sd, share, conf_level).items()
    }
    return ShrunkenEffects(**columns, prior_sd=prior_sd, prior_share=share, note=note)


def stretch_to_profile(
    shrunk: ShrunkenEffects, estimate, ci_low, ci_high, se, *, conf_level: float = 0.95
) -> tuple[np.ndarray, np.ndarray]:
    """Limits (p,) of the posterior interval, each side as long as the likelihood is flat there.

    `se` (p,) went into the shrinkage and may come from the likelihood ratio, |estimate| / |z|. Far from 0
    the likelihood of a logistic or Cox model is flatter than that, and its profile limits `ci_low`,
    `ci_high` (p,) say by how much; a side of the posterior is never shortened. Near 0, where shrinkage
    is strong, the two agree and nothing changes. A limit at 0 is there because of the posterior's point
    mass, not of the likelihood, and stays.
    """
    estimate, low, high, se = (np.asarray(a, dtype=float) for a in (estimate, ci_low, ci_high, se))
    normal = float(ndtri((1 + conf_level) / 2)) * se
    stretched = []
    for limit, profile in ((shrunk.low, low), (shrunk.high, high)):
        factor = np.abs(profile - estimate) / normal
        factor = np.where(np.isfinite(factor) & (limit != 0), np.maximum(factor, 1.0), 1.0)
        stretched.append(np.where(factor > 1, shrunk.mean + (limit - shrunk.mean) * factor, limit))
    return stretched[0], stretched[1]


def running_mean_of_sorted(lfsr) -> np.ndarray:
    """s-values: for each effect the mean lfsr over it and all with a smaller one; ties share the last."""
    lfsr = np.asarray(lfsr, dtype=float)
    out = np.full(lfsr.shape, np.nan)
    known = np.flatnonzero(~np.isnan(lfsr))
    order = np.sort(lfsr[known])
    upto = np.searchsorted(order, lfsr[known], side="right")
    out[known] = (np.cumsum(order) / np.arange(1, order.size + 1))[upto - 1] if known.size else []
    return out


def _grid(b, s):
    smallest = s.min() / 10
    excess = (b**2 - s**2).max()
    # nothing beyond noise: a short grid, as in the reference implementation of the method
    largest = 2 * np.sqrt(excess) if excess > 0 else 8 * smallest
    steps = max(int(np.ceil(2 * np.log2(largest / smallest))), 1)
    return np.concatenate([[0.0], smallest * np.sqrt(2.0) ** np.arange(steps + 1)])


def _mixture_shares(b, s, prior_sd):
    total = np.sqrt(s[:, None] ** 2 + prior_sd**2)
    log_density = -0.5 * (b[:, None] / total) ** 2 - np.log(total)
    density = np.exp(log_density - log_density.max(axis=1, keepdims=True))
    extra = np.zeros(prior_sd.size)
    extra[0] = NULL_WEIGHT - 1.0
    share = np.full(prior_sd.size, 1.0 / prior_sd.size)
    for _ in range(MAX_STEPS):
        joint = density * share
        counts = (joint / joint.sum(axis=1, keepdims=True)).sum(axis=0) + extra
        new = counts / counts.sum()
        moved = np.abs(new - share).max()
        share = new
        if moved < STEP_LIMIT:
            return share, ""
    return share, "the prior's shares were still moving after 10,000 steps"


def _posterior(b, s, prior_sd, share, conf_level):
    total = np.sqrt(s[:, None] ** 2 + prior_sd**2)
    with np.errstate(divide="ignore"):
        log_weight = np.log(share) - 0.5 * (b[:, None] / total) ** 2 - np.log(total)
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    shrink = prior_sd**2 / total**2
    centre, spread = b[:, None] * shrink, s[:, None] * np.sqrt(shrink)
    mean = (weight * centre).sum(axis=1)
    variance = (weight * (spread**2 + centre**2)).sum(axis=1) - mean**2
    at_zero = weight[:, 0]
    below = (weight[:, 1:] * ndtr(-centre[:, 1:] / spread[:, 1:])).sum(axis=1)
    above = (weight[:, 1:] * ndtr(centre[:, 1:] / spread[:, 1:])).sum(axis=1)
    lfsr = np.minimum(np.minimum(below, above) + at_zero, 1.0)
    tail = (1 - conf_level) / 2
    return {
        "mean": mean,
        "sd": np.sqrt(np.maximum(variance, 0.0)),
        "low": _quantile(tail, weight, centre, spread, at_zero, below),
        "high": _quantile(1 - tail, weight, centre, spread, at_zero, below),
        "lfsr": lfsr,
        "s_value": running_mean_of_sorted(lfsr),
    }


def _quantile(level, weight, centre, spread, at_zero, below):
    """Bisection on the mixture's distribution function, which jumps by `at_zero` at 0."""
    reach = np.abs(centre).max(axis=1) + 12 * spread.max(axis=1)
    low, high = -reach, reach.copy()
    for _ in range(80):
        middle = (low + high) / 2
        z = (middle[:, None] - centre[:, 1:]) / spread[:, 1:]
        reached = (weight[:, 1:] * ndtr(z)).sum(axis=1) + at_zero * (middle >= 0) >= level
        high = np.where(reached, middle, high)
        low = np.where(reached, low, middle)
    inside_jump = (below < level) & (level <= below + at_zero)
    return np.where(inside_jump, 0.0, (low + high) / 2)


def _spread_out(values, used):
    out = np.full(used.shape, np.nan)
    out[used] = values
    return out
