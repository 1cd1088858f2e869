"""Restricted mean time without an event and lost to one, and the difference between two groups."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit, logit
from scipy.stats import norm

from discovery.survival.curves import Curve, kaplan_meier
from discovery.survival.follow_up import after, as_follow_up
from discovery.survival.jackknife import area_under_incidence
from discovery.survival.refusals import refuse

SMALLEST_P = float(np.finfo(float).tiny)


@dataclass(frozen=True, kw_only=True)
class RestrictedMean:
    """Mean time lived, or lost to a cause, from `start` to `horizon`, or a difference of two, in the unit of
    time given; with a `start`, of those free of any event there."""

    horizon: float
    estimate: float
    se: float
    ci_low: float
    ci_high: float
    p_value: float  # that a difference is 0; NaN for a single mean
    conf_level: float
    start: float = 0.0


def restricted_mean(
    time, event, horizon, *, entry=None, weights=None, start=None, conf_level=0.95
) -> RestrictedMean:
    """Area under Kaplan-Meier up to `horizon`, with an interval that keeps to the span of time.

    The variance is the sum over event times of (area from there to the horizon)^2 d/(n (n - d)).
    The median and this mean need no proportional hazards.

    Parameters
    ----------
    time, event, entry, weights : as for `kaplan_meier`
    start : float, optional
        The area from there on, of those free of the event then; 0, and everybody, otherwise. With delayed
        entry: where enough patients are under observation, as for the curve itself.

    Raises
    ------
    InputError
        The horizon is not after the start, or lies beyond the last follow-up while the curve is not at 0:
        the area would be a guess. See also `as_follow_up`.

    References
    ----------
    Royston & Parmar, Stat Med 2011;30:2409-2421. Oracle: SV11.
    """
    curve = kaplan_meier(time, event, entry=entry, weights=weights, start=start, conf_level=conf_level)
    began = 0.0 if start is None else float(start)
    estimate, se = area_under(curve, horizon, start=began)
    return _within_span(estimate, se, began, horizon, conf_level)


def restricted_mean_lost(
    time, status, horizon, *, cause=1, entry=None, start=None, conf_level=0.95
) -> RestrictedMean:
    """Mean time lost to `cause` up to `horizon`: the area under its Aalen-Johansen curve.

    What all causes take and the mean time without any event add up to the whole time. The variance is the
    sum of the squared influences of the patients (infinitesimal jackknife); the interval keeps to the span.

    Parameters
    ----------
    time, status, entry : array (n,); status 0 censored, 1, 2, … the causes
    start : as for `restricted_mean`, of those free of any event then

    Raises
    ------
    InputError
        As for `restricted_mean`.

    References
    ----------
    Andersen, Stat Med 2013;32:5278-5285. Oracle: leave-one-out jackknife, `restricted_mean`.
    """
    follow_up = as_follow_up(time, status, entry=entry)
    began = 0.0 if start is None else float(start)
    if start is not None:
        follow_up = after(follow_up, start)
    last = follow_up.time.max()
    at_end = follow_up.status[follow_up.time == last]
    _check_span(began, horizon, last, unknown_later=bool((at_end == 0).any()))
    area, influence = area_under_incidence(follow_up, cause=cause, start=began, horizon=horizon)
    return _within_span(area, float(np.sqrt((influence**2).sum())), began, horizon, conf_level)


def restricted_mean_difference(a: RestrictedMean, b: RestrictedMean) -> RestrictedMean:
    """`a` minus `b`, two independent groups with one start and horizon, with a normal interval and p."""
    if (a.start, a.horizon, a.conf_level) != (b.start, b.horizon, b.conf_level):
        found = f"{a.horizon:g} and {b.horizon:g}"
        refuse("restricted mean", "wanted one start, horizon and level for both groups", found=found)
    difference, se = a.estimate - b.estimate, float(np.hypot(a.se, b.se))
    p = max(float(2 * norm.sf(abs(difference) / se)), SMALLEST_P) if se > 0 else float("nan")
    half = norm.ppf(0.5 + a.conf_level / 2) * se
    return replace(
        a, estimate=difference, se=se, ci_low=difference - half, ci_high=difference + half, p_value=p
    )


def area_under(curve: Curve, horizon: float, *, start: float = 0.0) -> tuple[float, float]:
    """Area under a survival curve from `start`, where it is 1, to `horizon`, and its standard error."""
    _check_span(start, horizon, curve.time[-1], unknown_later=bool(curve.estimate[-1] > 0))
    inside = curve.time < horizon
    edges = np.concatenate([[start], curve.time[inside], [horizon]])
    height = np.concatenate([[1.0], curve.estimate[inside]])
    pieces = np.diff(edges) * height
    after_it = np.cumsum(pieces[::-1])[::-1][1:]  # area from each event time to the horizon
    n, d = curve.n_at_risk[inside], curve.n_event[inside]
    # At n = d the curve is 0 and nothing is left to its right.
    terms = np.divide(after_it**2 * d, n * (n - d), out=np.zeros_like(after_it), where=(n > d))
    return float(pieces.sum()), float(np.sqrt(terms.sum()))


def _check_span(start: float, horizon: float, last: float, *, unknown_later: bool) -> None:
    if not (np.isfinite(horizon) and horizon > start):
        refuse("restricted mean", f"wanted a time above {start:g}", column="horizon", found=str(horizon))
    if horizon > last and unknown_later:
        wanted = f"wanted at most the last follow-up, {last:g}: survival is unknown later"
        refuse("restricted mean", wanted, column="horizon", found=f"{horizon:g}")


def _within_span(estimate, se, start, horizon, conf_level) -> RestrictedMean:
    """A mean time with an interval from 0 to the whole span: normal for the logit of its share of that.

    In 1500 simulated studies each of 20, 30, 50 and 80 patients it held the truth in 93 to 96 %, and in 92 to
    94 % where 1 to 5 events were expected; a normal interval of the mean itself in 89 to 94 and 88 to 90 %.
    """
    low = high = estimate
    span = horizon - start
    if se > 0 and 0 < estimate < span:
        half = norm.ppf(0.5 + conf_level / 2) * se * span / (estimate * (span - estimate))
        low, high = span * expit(logit(estimate / span) + np.array([-half, half]))
    return RestrictedMean(
        horizon=float(horizon), estimate=estimate, se=se, ci_low=float(low), ci_high=float(high),
        p_value=float("nan"), conf_level=conf_level, start=start,
    )  # fmt: skip
