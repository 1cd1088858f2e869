"""Profile-likelihood intervals: where twice the drop in log likelihood reaches the chi-square quantile.

For each lane and side the signed root of the drop, nearly a straight line in the coefficient, is brought to
the root of the quantile by false position with the Illinois rule. A model supplies the likelihood
maximised over the other coefficients with the feature's coefficient held at `at`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .compiled import compiled
from .newton import RUNNING, standard_error
from .screen_fit import OK

FAR = 50.0  # per standard deviation of the feature; a side still open there is taken as infinite
MAX_TRIALS = 80


class Search(NamedTuple):
    """Search on one side of the estimate in every lane, in scaled units."""

    beta: np.ndarray  # (k, lanes) the whole fit
    top: np.ndarray  # (lanes,) its log likelihood
    error: np.ndarray  # its standard error
    at: np.ndarray  # coefficient to try next
    inner: np.ndarray  # furthest coefficient known to be inside
    inner_gap: np.ndarray  # root of the drop less its target, negative inside
    outer: np.ndarray  # nearest known to be outside, NaN if none is
    outer_gap: np.ndarray
    last: np.ndarray  # -1 when the last trial was inside, 1 outside, 0 at the start
    bound: np.ndarray  # the answer
    open: np.ndarray  # 1 while the lane searches


@compiled
def new_search(k, lanes):
    return Search(
        np.zeros((k, lanes)),
        np.zeros(lanes),
        np.zeros(lanes),
        np.zeros(lanes),
        np.zeros(lanes),
        np.zeros(lanes),
        np.zeros(lanes),
        np.zeros(lanes),
        np.zeros(lanes),
        np.full(lanes, np.nan),
        np.zeros(lanes, np.int8),
    )


@compiled
def keep_whole_fit(sr, nt):
    for j in range(sr.top.size):
        sr.top[j] = nt.loglik[j]
        sr.error[j] = standard_error(nt, j) if nt.status[j] == OK else np.nan
        for a in range(nt.beta.shape[0]):
            sr.beta[a, j] = nt.beta[a, j]


@compiled
def begin_side(sr, nt, given, side, target):
    """Start at the Wald bound; lanes whose whole fit failed stay closed."""
    k = nt.beta.shape[0]
    for j in range(sr.at.size):
        sr.bound[j] = np.nan
        sr.open[j] = 1 if given[j] == OK and sr.error[j] < np.inf else 0
        sr.inner[j], sr.inner_gap[j] = sr.beta[k - 1, j], -target
        sr.outer[j], sr.outer_gap[j], sr.last[j] = np.nan, np.inf, 0.0
        sr.at[j] = sr.beta[k - 1, j] + side * target * sr.error[j]
        for a in range(k):
            nt.beta[a, j] = sr.beta[a, j]


@compiled
def place_trials(sr, nt, given):
    """Put the coefficient to try into `nt.beta`; closed lanes get a code in `given` so that they rest."""
    k = nt.beta.shape[0]
    for j in range(sr.at.size):
        given[j] = RUNNING if sr.open[j] == 1 else OK
        if sr.open[j] == 1:
            nt.beta[k - 1, j] = sr.at[j]
            for a in range(k - 1):
                if not abs(nt.beta[a, j]) < np.inf:
                    nt.beta[a, j] = sr.beta[a, j]


@compiled
def judge_trials(sr, nt, firth, side, target):
    """Narrow every open lane by the likelihood just found; False when none is open."""
    k = nt.beta.shape[0]
    searching = False
    for j in range(sr.at.size):
        if sr.open[j] == 0:
            continue
        at, start = sr.at[j], sr.beta[k - 1, j]
        gap = np.inf
        if nt.status[j] == OK and not (firth and nt.live[k - 1, j] == 0):
            gap = np.sqrt(2.0 * max(sr.top[j] - nt.loglik[j], 0.0)) - target
        if gap < 0.0:
            sr.inner[j], sr.inner_gap[j] = at, gap
            if sr.last[j] < 0.0:
                sr.outer_gap[j] *= 0.5
            sr.last[j] = -1.0
        else:
            sr.outer[j], sr.outer_gap[j] = at, gap
            if sr.last[j] > 0.0:
                sr.inner_gap[j] *= 0.5
            sr.last[j] = 1.0
        width = abs(sr.outer[j] - sr.inner[j])
        if abs(gap) < 1e-10 or (width <= 1e-11 * (1.0 + abs(at)) and sr.outer_gap[j] < np.inf):
            sr.bound[j] = at
            sr.open[j] = 0
        elif not sr.outer_gap[j] < np.inf and width <= 1e-6 * (1.0 + abs(at)):
            sr.open[j] = 0  # the likelihood cannot be computed beyond this point: no answer
        elif np.isnan(sr.outer[j]):
            sr.at[j] = start + 2.0 * (at - start)
            if abs(sr.at[j] - start) > FAR + 20.0 * sr.error[j]:
                sr.bound[j] = side * np.inf
                sr.open[j] = 0
        elif sr.outer_gap[j] < np.inf:
            share = sr.inner_gap[j] / (sr.inner_gap[j] - sr.outer_gap[j])
            sr.at[j] = sr.inner[j] + share * (sr.outer[j] - sr.inner[j])
        else:
            sr.at[j] = 0.5 * (sr.inner[j] + sr.outer[j])
        if sr.open[j] == 1:
            searching = True
    return searching
