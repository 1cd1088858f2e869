"""Aalen-Johansen cumulative incidence of competing events."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.survival.curves import INTERVALS, survival_interval
from discovery.survival.follow_up import after, as_follow_up, risk_sets, steps
from discovery.survival.jackknife import jackknife_variance, product_limit
from discovery.survival.refusals import require_choice, require_level

VARIANCES = ("jackknife", "delta")


@dataclass(frozen=True, kw_only=True)
class CumulativeIncidence:
    """Probability of having had each kind of event by a time; rows are causes, columns times.

    `time` is ascending (n_times,); `incidence`, `se`, `ci_low`, `ci_high`, `n_event` are
    (n_causes, n_times). `event_free` is the Kaplan-Meier estimate for any event, so that the
    incidences and it add up to 1.
    """

    causes: tuple[int, ...]
    time: np.ndarray
    incidence: np.ndarray
    se: np.ndarray
    ci_low: np.ndarray
    ci_high: np.ndarray
    event_free: np.ndarray
    n_at_risk: np.ndarray
    n_event: np.ndarray
    n_censored: np.ndarray
    conf_level: float
    interval: str
    variance: str

    def at(self, times) -> np.ndarray:
        """Incidence (n_causes, n_at) at `times`; NaN beyond follow-up unless nobody is event-free."""
        return self._read(self.incidence, times)

    def se_at(self, times) -> np.ndarray:
        return self._read(self.se, times)

    def interval_at(self, times) -> tuple[np.ndarray, np.ndarray]:
        return self._read(self.ci_low, times), self._read(self.ci_high, times)

    def _read(self, values: np.ndarray, times) -> np.ndarray:
        times = np.asarray(times, dtype=float)
        read = steps(self.time, values, times, before=0.0)
        return read if self.event_free[-1] == 0 else np.where(times > self.time[-1], np.nan, read)


def aalen_johansen(
    time, status, *, entry=None, weights=None, start=None, causes=None,
    variance="jackknife", interval="log-log", conf_level=0.95,
) -> CumulativeIncidence:  # fmt: skip
    """Cumulative incidence of every cause.

    Parameters
    ----------
    time, status : array (n,)
        End of follow-up and what ended it: 0 censored, 1, 2, … the causes.
    entry, weights, start
        As in `kaplan_meier`.
    causes : sequence of int, optional
        The causes wanted, in order; every one found otherwise. A cause nobody had has incidence 0.
    variance : "jackknife" or "delta"
        The infinitesimal jackknife (also right for sampling weights), or the delta method with
        independent causes and the hypergeometric correction for tied events. They agree to a
        fraction of a per cent; both are consistent.
    interval : "log-log", "log" or "plain"
        Scale: F^exp(±z se/(F log F)); the log of 1 - F; F itself, cut to [0, 1]. Ahead of a cause's
        first event the limits are NaN.

    Raises
    ------
    InputError
        See `as_follow_up`; or an unknown choice.

    References
    ----------
    Aalen & Johansen, Scand J Stat 1978;5:141-150. Delta form: Gray, Ann Stat 1988;16:1141-1154.
    Oracle: CR01-CR04, CR10, CR12.
    """
    require_choice("cumulative incidence", "variance", variance, VARIANCES)
    require_choice("cumulative incidence", "interval", interval, INTERVALS)
    require_level("cumulative incidence", conf_level)
    follow_up = as_follow_up(time, status, entry=entry, weights=weights)
    if start is not None:
        follow_up = after(follow_up, start)
    if causes is None:
        causes = np.unique(follow_up.status[follow_up.status > 0]) if (follow_up.status > 0).any() else [1]
    causes = tuple(int(cause) for cause in causes)
    every = risk_sets(follow_up, event=follow_up.status > 0)
    free, _ = product_limit(every.n_at_risk, every.n_event)
    free_before = np.concatenate([[1.0], free[:-1]])
    n_event = np.stack([risk_sets(follow_up, event=follow_up.status == cause).n_event for cause in causes])
    incidence = np.cumsum(free_before * n_event / every.n_at_risk, axis=1)
    if variance == "jackknife":
        spread = np.stack([jackknife_variance(follow_up, cause=cause)[1] for cause in causes])
    else:
        spread = np.stack(
            [_delta_variance(every.n_at_risk, events, every.n_event - events, free) for events in n_event]
        )
    se = np.sqrt(spread)
    low, high = incidence_interval(incidence, se, interval=interval, conf_level=conf_level)
    return CumulativeIncidence(
        causes=causes, time=every.time, incidence=incidence, se=se, ci_low=low, ci_high=high,
        event_free=free, n_at_risk=every.n_at_risk, n_event=n_event, n_censored=every.n_censored,
        conf_level=conf_level, interval=interval, variance=variance,
    )  # fmt: skip


def incidence_interval(incidence, se, *, interval="log-log", conf_level=0.95):
    """Pointwise limits of a cumulative incidence; NaN where it is still 0, for no error is known there."""
    if interval == "log-log":
        low, high = survival_interval(incidence, se, interval="log-log", conf_level=conf_level)
    else:
        free = survival_interval(1 - incidence, se, interval=interval, conf_level=conf_level)
        low, high = 1 - free[1], 1 - free[0]
    known = (incidence > 0) & (se > 0)
    return np.where(known, low, np.nan), np.where(known, high, np.nan)


def _delta_variance(n, mine, other, free) -> np.ndarray:
    """Delta-method variance of one cause's incidence at every time, O(n_times).

    The sum over u <= t of (S(u-) - k(u) R)^2 V1 + (k(u) R)^2 V2, with R = F(t) - F(u),
    k = n/(n - d) and V the hypergeometric variance d/n^2 (1 - (d - 1)/(n - 1)) of each cause's
    hazard step, expanded in powers of F(t).
    """
    before = np.concatenate([[1.0], free[:-1]])
    incidence = np.cumsum(before * mine / n)
    left = n - mine - other
    k = np.divide(n, left, out=np.zeros_like(n), where=left > 0)

    def step_variance(d):
        tie = np.divide(d - 1, n - 1, out=np.zeros_like(n), where=(d > 1) & (n > 1))
        return d / n**2 * (1 - tie)

    v1, v2 = step_variance(mine), step_variance(other)
    # (a - k F(t))^2 V1 with a = S(u-) + k F(u), and (k F(u) - k F(t))^2 V2
    a, b = before + k * incidence, k * incidence
    constant = np.cumsum(a**2 * v1 + b**2 * v2)
    linear = np.cumsum(k * (a * v1 + b * v2))
    square = np.cumsum(k**2 * (v1 + v2))
    return np.maximum(constant - 2 * incidence * linear + incidence**2 * square, 0.0)
