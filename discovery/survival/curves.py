"""Kaplan-Meier, Nelson-Aalen and what is read off them: quantiles, numbers at risk, follow-up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from discovery.survival.follow_up import after, as_follow_up, one_event, risk_sets, steps, weight_at_risk
from discovery.survival.jackknife import jackknife_variance, product_limit
from discovery.survival.refusals import refuse, require_choice, require_level

SOURCE = "survival curve"
INTERVALS = ("log-log", "log", "plain")
FLAT = 1e-9  # a level this near to the wanted one is that level: products of fractions round


@dataclass(frozen=True, kw_only=True)
class Curve:
    """A step function of time with a pointwise interval; every array is (n_times,), times ascending.

    It changes at `time` and holds its value up to the next one; ahead of the first time it is
    `before`. `se` and the interval are NaN where they are not defined (a survival of 0).
    """

    quantity: str  # "survival" or "cumulative hazard"
    before: float
    time: np.ndarray
    estimate: np.ndarray
    se: np.ndarray
    ci_low: np.ndarray
    ci_high: np.ndarray
    n_at_risk: np.ndarray
    n_event: np.ndarray
    n_censored: np.ndarray
    conf_level: float
    interval: str

    def at(self, times) -> np.ndarray:
        """The estimate at `times`; NaN after the last time followed unless the curve has come to 0."""
        return self._read(self.estimate, times, self.before)

    def se_at(self, times) -> np.ndarray:
        return self._read(self.se, times, 0.0)

    def interval_at(self, times) -> tuple[np.ndarray, np.ndarray]:
        return self._read(self.ci_low, times, self.before), self._read(self.ci_high, times, self.before)

    def _read(self, values: np.ndarray, times, before: float) -> np.ndarray:
        times = np.asarray(times, dtype=float)
        read = steps(self.time, values, times, before=before)
        ended = self.quantity == "survival" and self.estimate[-1] == 0
        return read if ended else np.where(times > self.time[-1], np.nan, read)


@dataclass(frozen=True, kw_only=True)
class Quantile:
    """A time at which survival has fallen to `1 - probability`; NaN is "not reached"."""

    probability: float
    estimate: float
    ci_low: float
    ci_high: float
    conf_level: float
    interval: str


def kaplan_meier(
    time, event, *, entry=None, weights=None, start=None, se="greenwood", interval="log-log", conf_level=0.95
) -> Curve:
    """Kaplan-Meier estimate of survival.

    Parameters
    ----------
    time, event : array (n,)
        End of follow-up, and 1 (event) or 0 (censored). A censoring is after the events of its time.
    entry : array (n,), optional
        Delayed entry: at risk while entry < t <= time.
    weights : array (n,), optional
        Case weights; 2 counts as two patients in the estimate and in Greenwood's sum.
    start : float, optional
        Survival given alive at `start`. With delayed entry an early risk set of one or two can bring
        the whole curve to 0; a start where enough patients are under observation is the remedy.
    se : "greenwood" or "jackknife"
        Greenwood's sum, or the infinitesimal jackknife, which is right for sampling weights too.
    interval : "log-log", "log" or "plain"
        Scale of the interval. Plain and log are cut to [0, 1]; log-log stays inside by itself.

    Raises
    ------
    InputError
        See `as_follow_up`; or an unknown choice.

    References
    ----------
    Kaplan & Meier, J Am Stat Assoc 1958;53:457-481. Greenwood 1926. Oracle: SV01-SV05, SV27.
    """
    require_choice(SOURCE, "interval", interval, INTERVALS)
    require_choice(SOURCE, "se", se, ("greenwood", "jackknife"))
    require_level(SOURCE, conf_level)
    follow_up = one_event(time, event, entry=entry, weights=weights)
    if start is not None:
        follow_up = after(follow_up, start)
    at = risk_sets(follow_up)
    survival, greenwood = product_limit(at.n_at_risk, at.n_event)
    if se == "greenwood":
        with np.errstate(invalid="ignore"):
            standard_error = survival * np.sqrt(greenwood)
    else:
        standard_error = np.sqrt(jackknife_variance(follow_up, cause=1)[1])
        standard_error = np.where(survival > 0, standard_error, np.nan)
    low, high = survival_interval(survival, standard_error, interval=interval, conf_level=conf_level)
    return Curve(
        quantity="survival", before=1.0, time=at.time, estimate=survival, se=standard_error,
        ci_low=low, ci_high=high, n_at_risk=at.n_at_risk, n_event=at.n_event, n_censored=at.n_censored,
        conf_level=conf_level, interval=interval,
    )  # fmt: skip


def survival_interval(survival, se, *, interval="log-log", conf_level=0.95) -> tuple[np.ndarray, np.ndarray]:
    """Pointwise limits from a survival estimate and its standard error.

    At a survival of exactly 1 with no error yet the limits are 1 and 1; at 0 they are NaN.
    """
    survival, se = np.asarray(survival, dtype=float), np.asarray(se, dtype=float)
    z = norm.ppf(0.5 + conf_level / 2)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        if interval == "plain":
            low, high = survival - z * se, survival + z * se
        elif interval == "log":
            low, high = survival * np.exp(-z * se / survival), survival * np.exp(z * se / survival)
        else:
            log = np.log(survival)
            width = z * se / (survival * log)  # negative: log survival is
            low, high = np.exp(log * np.exp(-width)), np.exp(log * np.exp(width))
    certain = (survival == 1) & (se == 0)
    undefined = ~np.isfinite(se) | (survival <= 0)
    low = np.where(certain, 1.0, np.where(undefined, np.nan, np.clip(low, 0, 1)))
    high = np.where(certain, 1.0, np.where(undefined, np.nan, np.clip(high, 0, 1)))
    return low, high


def quantile(curve: Curve, probability: float = 0.5) -> Quantile:
    """Time by which a share `probability` has had the event, with the interval that inverts the band.

    Where the curve is flat at exactly the level, the middle of the flat stretch is returned, as for
    the median of an even number of values (the other convention, the first time at or below the
    level, is its left end). A flat stretch that lasts to the end of follow-up gives its left end,
    since nothing says where it stops. The limits are read from the limits of the band by the same
    rule. NaN: the level is not reached.

    Where all n who are left have the event at the last time, as when follow-up ends for all on one day,
    Greenwood's variance is not defined there. A limit that the band has not given before is that time if n
    alike refute that the level lies beyond: all would have had the event (or come through to it, for the
    lower limit) with a probability of at most probability^n (level^n), which has to be within the tail.

    References
    ----------
    Brookmeyer & Crowley, Biometrics 1982;38:29-41. Oracle: SV03, SV04, SV05, SV32.
    """
    if curve.quantity != "survival" or not 0 < probability < 1:
        refuse(
            "quantile",
            "wanted a survival curve and a probability in (0, 1)",
            found=f"{curve.quantity}, {probability}",
        )
    level = 1 - probability
    ended = curve.estimate <= 0
    tail = (1 - curve.conf_level) / 2
    low, high = (
        np.where(ended & (chance**curve.n_at_risk <= tail), 0.0, limit)
        for chance, limit in ((level, curve.ci_low), (probability, curve.ci_high))
    )
    return Quantile(
        probability=probability,
        estimate=_crossing(curve.time, curve.estimate, level),
        ci_low=_crossing(curve.time, low, level),
        ci_high=_crossing(curve.time, high, level),
        conf_level=curve.conf_level,
        interval=curve.interval,
    )


def median(curve: Curve) -> Quantile:
    """The median, by the rules of `quantile`."""
    return quantile(curve, 0.5)


def _crossing(time: np.ndarray, level_at: np.ndarray, level: float) -> float:
    known = ~np.isnan(level_at)
    at, values = time[known], level_at[known]
    reached = np.flatnonzero(values <= level + FLAT)
    if not reached.size:
        # The band is not defined at a survival of 0, and the curve is below every level there.
        return float("nan")
    first = reached[0]
    if values[first] < level - FLAT:
        return float(at[first])
    below = np.flatnonzero(values < level - FLAT)
    if below.size:
        return float((at[first] + at[below[0]]) / 2)
    later = np.flatnonzero(~known & (time > at[-1]))
    return float((at[first] + time[later[0]]) / 2) if later.size else float(at[first])


def reverse_kaplan_meier(time, event, **options) -> Curve:
    """Curve of follow-up: the censoring is the event, and an event ends the watch.

    Its median is the median follow-up. Any event (also a competing one) counts as the end.

    References
    ----------
    Schemper & Smith, Control Clin Trials 1996;17:343-346. Oracle: SV32.
    """
    event = np.asarray(event, dtype=float)
    return kaplan_meier(time, np.where(np.isnan(event), np.nan, event == 0), **options)


def nelson_aalen(
    time, event, *, entry=None, weights=None, start=None, ties="nelson-aalen", interval="log", conf_level=0.95
) -> Curve:
    """Cumulative hazard.

    Parameters
    ----------
    ties : "nelson-aalen" or "fleming-harrington"
        d/n at each time, or 1/n + 1/(n-1) + … which spreads the d tied events. The variance is the
        sum of d/n^2, or of the squares of the spread terms.
    interval : "log" or "plain"
        Plain is cut at 0. Ahead of the first event the limits are 0 and 0.

    References
    ----------
    Aalen, Ann Stat 1978;6:701-726; Fleming & Harrington, Commun Stat 1984;13:2469-2486. Oracle: SV12.
    """
    require_choice(SOURCE, "ties", ties, ("nelson-aalen", "fleming-harrington"))
    require_choice(SOURCE, "interval", interval, ("log", "plain"))
    require_level(SOURCE, conf_level)
    follow_up = one_event(time, event, entry=entry, weights=weights)
    if start is not None:
        follow_up = after(follow_up, start)
    at = risk_sets(follow_up)
    if ties == "nelson-aalen":
        step, variance = at.n_event / at.n_at_risk, at.n_event / at.n_at_risk**2
    else:
        step, variance = _spread_ties(at.n_at_risk, at.n_event, at.deaths)
    hazard, se = np.cumsum(step), np.sqrt(np.cumsum(variance))
    z = norm.ppf(0.5 + conf_level / 2)
    if interval == "plain":
        low, high = np.maximum(hazard - z * se, 0.0), hazard + z * se
    else:
        width = np.exp(z * np.divide(se, hazard, out=np.zeros_like(se), where=hazard > 0))
        low, high = hazard / width, hazard * width
    return Curve(
        quantity="cumulative hazard", before=0.0, time=at.time, estimate=hazard, se=se,
        ci_low=low, ci_high=high, n_at_risk=at.n_at_risk, n_event=at.n_event, n_censored=at.n_censored,
        conf_level=conf_level, interval=interval,
    )  # fmt: skip


def _spread_ties(n_at_risk, n_event, deaths):
    """Sums of wbar/(n - l wbar), l = 0 … d-1, and of wbar/(…)^2: one row a death, summed by time."""
    owner = np.repeat(np.arange(len(deaths)), deaths.astype(int))
    starts = np.cumsum(deaths) - deaths
    rank = np.arange(len(owner)) - starts[owner]
    mean_weight = n_event[owner] / deaths[owner]
    left = n_at_risk[owner] - rank * mean_weight
    size = len(deaths)
    step = np.bincount(owner, mean_weight / left, minlength=size)
    return step, np.bincount(owner, mean_weight / left**2, minlength=size)


def number_at_risk(time, times, *, entry=None, weights=None) -> np.ndarray:
    """How many are at risk at each of `times` (entry < t <= time), as printed under a curve."""
    follow_up = as_follow_up(time, np.zeros(np.shape(time)), entry=entry, weights=weights)
    return weight_at_risk(follow_up, times)
