"""Restricted mean survival time, and its difference between two groups."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from discovery.survival.curves import Curve, kaplan_meier
from discovery.survival.refusals import refuse


@dataclass(frozen=True, kw_only=True)
class RestrictedMean:
    """Mean time lived within `horizon`, or a difference of two, in the unit of time given."""

    horizon: float
    estimate: float
    se: float
    ci_low: float
    ci_high: float
    p_value: float  # that a difference is 0; NaN for a single mean
    conf_level: float


def restricted_mean(time, event, horizon, *, entry=None, weights=None, conf_level=0.95) -> RestrictedMean:
    """Area under Kaplan-Meier up to `horizon`, with a normal interval.

    The variance is the sum over event times of (area from there to the horizon)^2 d/(n (n - d)).
    The median and this mean need no proportional hazards.

    Raises
    ------
    InputError
        The horizon is not positive, or lies beyond the last follow-up while the curve is not at 0:
        the area would be a guess. See also `as_follow_up`.

    References
    ----------
    Royston & Parmar, Stat Med 2011;30:2409-2421. Oracle: SV11.
    """
    curve = kaplan_meier(time, event, entry=entry, weights=weights, conf_level=conf_level)
    estimate, se = area_under(curve, horizon)
    z = norm.ppf(0.5 + conf_level / 2)
    return RestrictedMean(
        horizon=float(horizon), estimate=estimate, se=se, ci_low=estimate - z * se,
        ci_high=estimate + z * se, p_value=float("nan"), conf_level=conf_level,
    )  # fmt: skip


def restricted_mean_difference(a: RestrictedMean, b: RestrictedMean) -> RestrictedMean:
    """`a` minus `b`, two independent groups with one horizon, with a normal interval and p."""
    if a.horizon != b.horizon or a.conf_level != b.conf_level:
        found = f"{a.horizon:g} and {b.horizon:g}"
        refuse("restricted mean", "wanted one horizon and level for both groups", found=found)
    difference, se = a.estimate - b.estimate, float(np.hypot(a.se, b.se))
    z = norm.ppf(0.5 + a.conf_level / 2)
    p = 2 * norm.sf(abs(difference) / se) if se > 0 else float("nan")
    return RestrictedMean(
        horizon=a.horizon, estimate=difference, se=se, ci_low=difference - z * se,
        ci_high=difference + z * se, p_value=max(float(p), float(np.finfo(float).tiny)) if p == p else p,
        conf_level=a.conf_level,
    )  # fmt: skip


def area_under(curve: Curve, horizon: float) -> tuple[float, float]:
    """Area under a survival curve from 0 to `horizon`, and its standard error."""
    if not (np.isfinite(horizon) and horizon > 0):
        refuse("restricted mean", "wanted a time above 0", column="horizon", found=str(horizon))
    if horizon > curve.time[-1] and curve.estimate[-1] > 0:
        wanted = f"wanted at most the last follow-up, {curve.time[-1]:g}: survival is unknown later"
        refuse("restricted mean", wanted, column="horizon", found=f"{horizon:g}")
    inside = curve.time < horizon
    edges = np.concatenate([[0.0], curve.time[inside], [horizon]])
    height = np.concatenate([[1.0], curve.estimate[inside]])
    pieces = np.diff(edges) * height
    after = np.cumsum(pieces[::-1])[::-1][1:]  # area from each event time to the horizon
    n, d = curve.n_at_risk[inside], curve.n_event[inside]
    # At n = d the curve is 0 and nothing is left to its right.
    terms = np.divide(after**2 * d, n * (n - d), out=np.zeros_like(after), where=(n > d))
    return float(pieces.sum()), float(np.sqrt(terms.sum()))
