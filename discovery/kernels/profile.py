"""Profile-likelihood intervals: where twice the drop in log likelihood reaches the chi-square quantile.

Each side is first approached by Newton's method for the bound and the other coefficients together (see
`newton.approach`), from the Wald bound or, on the second side, from where the first bound says. A lane that
this does not bring there is searched with care: the signed root of the drop, nearly a straight line in the
coefficient, is brought to the root of the quantile by false position with the Illinois rule, the
likelihood being maximised over the other coefficients with the feature's coefficient held at `at`.

A model fits, again and again, what `search_on` puts into its lanes.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .compiled import compiled
from .newton import EXHAUSTED_PIVOT, RUNNING, factor, solve, standard_error
from .screen_fit import OK

FAR = 50.0  # per standard deviation of the feature; a side still open there is taken as infinite
MAX_TRIALS = 80
WHOLE, APPROACH, NARROW = range(3)  # what is being fitted


class Search(NamedTuple):
    """Search for both bounds in every lane, in scaled units."""

    turn: np.ndarray  # (3,) what is being fitted, on which side, how many trials to narrow it there were
    beta: np.ndarray  # (k, lanes) the whole fit
    top: np.ndarray  # (lanes,) its log likelihood
    error: np.ndarray  # its standard error, NaN where it failed
    tangent: np.ndarray  # (k, lanes) how the other coefficients move with the feature's at the whole fit
    bend: np.ndarray  # (k, lanes) and with its square, as far as the first bound tells
    at: np.ndarray  # coefficient to try next
    inner: np.ndarray  # furthest coefficient known to be inside
    inner_gap: np.ndarray  # root of the drop less its target, negative inside
    outer: np.ndarray  # nearest known to be outside, NaN if none is
    outer_gap: np.ndarray
    last: np.ndarray  # -1 when the last trial was inside, 1 outside, 0 at the start
    bound: np.ndarray  # (2, lanes) the answer
    open: np.ndarray  # 1 while the lane searches


@compiled
def new_search(k, lanes):
    return Search(
        np.zeros(3, np.int64),
        np.zeros((k, lanes)),
        np.zeros(lanes),
        np.zeros(lanes),
        np.zeros((k, lanes)),
        np.zeros((k, lanes)),
        np.zeros(lanes),
        np.zeros(lanes),
        np.zeros(lanes),
        np.zeros(lanes),
        np.zeros(lanes),
        np.zeros(lanes),
        np.full((2, lanes), np.nan),
        np.zeros(lanes, np.int8),
    )


@compiled
def begin_search(sr, nt):
    """The whole fit comes first."""
    sr.turn[:] = 0
    nt.side[:] = 0.0
    sr.bound[:] = np.nan


@compiled
def lanes_to_search(nt, codes, which, given):
    """Status of each lane, `given` back before every fit: the codes of the features `which` (count,) that
    have no fit stay, as do idle lanes."""
    for j in range(given.size):
        given[j] = nt.status[j]
    for j in range(which.size):
        if codes[which[j]] != OK:
            given[j] = codes[which[j]]


@compiled
def write_bounds(sr, which, spread, low, high):
    """Bounds of the features `which` in the caller's units into `low`, `high` (p,)."""
    for j in range(which.size):
        low[which[j]], high[which[j]] = sr.bound[:, j] / spread[which[j]]


@compiled
def free_now(sr, k):
    """How many coefficients move in the fit asked for."""
    return k - 1 if sr.turn[0] == NARROW else k


@compiled
def search_on(sr, nt, given, firth, target):
    """Learn from the fit just made and put the next one into `nt` and `given`; False when all is known."""
    turn, side = sr.turn[0], sr.turn[1]
    if turn == WHOLE:
        keep_whole_fit(sr, nt)
        searching = False
    elif turn == APPROACH:
        searching = take_bounds(sr, nt, side)
        if searching:
            sr.turn[0], sr.turn[2] = NARROW, 0
            begin_side(sr, nt, side, target)
    else:
        sr.turn[2] += 1
        searching = judge_trials(sr, nt, firth, side, target) and sr.turn[2] < MAX_TRIALS
    if not searching:
        if side == 1:
            return False
        side = -1 if side == 0 else 1
        sr.turn[0], sr.turn[1] = APPROACH, side
        aim_at_bounds(sr, nt, side, target)
    elif sr.turn[0] == NARROW:
        place_trials(sr, nt)
    for j in range(sr.at.size):
        given[j] = RUNNING if sr.open[j] == 1 else OK
    return True


@compiled
def keep_whole_fit(sr, nt):
    """The estimates, and by their information how the others move with the feature's coefficient."""
    k = nt.beta.shape[0]
    last = k * (k - 1) // 2
    for j in range(sr.top.size):
        sr.top[j] = nt.loglik[j]
        sr.error[j] = standard_error(nt, j) if nt.status[j] == OK else np.nan
        factor(nt.info, j, k, nt.live, EXHAUSTED_PIVOT, nt.low)
        for a in range(k - 1):
            nt.vector[a] = -nt.info[last + a, j]
        solve(nt.low, k - 1, nt.vector)
        for a in range(k):
            sr.beta[a, j] = nt.beta[a, j]
            sr.tangent[a, j] = nt.vector[a] if nt.status[j] == OK and a < k - 1 else 0.0
            sr.bend[a, j] = 0.0


@compiled
def aim_at_bounds(sr, nt, side, target):
    """Open the lanes that have a whole fit, and start them where the bound should be.

    The signed root of the drop is x (1 + c x) / error at x from the estimate; the first bound tells c.
    """
    k = nt.beta.shape[0]
    for j in range(sr.at.size):
        sr.open[j] = 1 if sr.error[j] < np.inf else 0
        reach = target * sr.error[j]
        x, first = side * reach, sr.bound[0, j] - sr.beta[k - 1, j]
        if side == 1 and 0.0 < -first < np.inf:
            root = 1.0 - 4.0 * (reach / first + 1.0) * reach / first
            x = 2.0 * reach / (1.0 + np.sqrt(root)) if root > 0.0 else x
        for a in range(k - 1):
            nt.beta[a, j] = sr.beta[a, j] + (sr.tangent[a, j] + sr.bend[a, j] * x) * x
        nt.beta[k - 1, j] = sr.beta[k - 1, j] + x
        nt.side[j], nt.level[j] = side, sr.top[j] - 0.5 * target * target


@compiled
def take_bounds(sr, nt, side):
    """Close the lanes that have come to their bound; True if some have not."""
    k = nt.beta.shape[0]
    searching = False
    for j in range(sr.at.size):
        nt.side[j] = 0.0
        x = nt.beta[k - 1, j] - sr.beta[k - 1, j]
        if sr.open[j] == 1 and nt.status[j] == OK and x * side > 0.0:
            sr.bound[0 if side < 0 else 1, j] = nt.beta[k - 1, j]
            sr.open[j] = 0
            for a in range(k - 1):
                sr.bend[a, j] = ((nt.beta[a, j] - sr.beta[a, j]) / x - sr.tangent[a, j]) / x
        elif sr.open[j] == 1:
            searching = True
    return searching


@compiled
def begin_side(sr, nt, side, target):
    """Open lanes start at the Wald bound."""
    k = nt.beta.shape[0]
    for j in range(sr.at.size):
        sr.inner[j], sr.inner_gap[j] = sr.beta[k - 1, j], -target
        sr.outer[j], sr.outer_gap[j], sr.last[j] = np.nan, np.inf, 0.0
        sr.at[j] = sr.beta[k - 1, j] + side * target * sr.error[j]
        for a in range(k):
            nt.beta[a, j] = sr.beta[a, j]


@compiled
def place_trials(sr, nt):
    """Put the coefficient to try into `nt.beta` of open lanes, and the others where it should take them."""
    k = nt.beta.shape[0]
    for j in range(sr.at.size):
        if sr.open[j] == 1:
            moved = sr.at[j] - nt.beta[k - 1, j]
            nt.beta[k - 1, j] = sr.at[j]
            for a in range(k - 1):
                nt.beta[a, j] += sr.tangent[a, j] * moved
                if not abs(nt.beta[a, j]) < np.inf:
                    nt.beta[a, j] = sr.beta[a, j]


@compiled
def judge_trials(sr, nt, firth, side, target):
    """Narrow every open lane by the likelihood just found; False when none is open."""
    k, own = nt.beta.shape[0], 0 if side < 0 else 1
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
            sr.bound[own, j] = at
            sr.open[j] = 0
        elif not sr.outer_gap[j] < np.inf and width <= 1e-6 * (1.0 + abs(at)):
            sr.open[j] = 0  # the likelihood cannot be computed beyond this point: no answer
        elif np.isnan(sr.outer[j]):
            sr.at[j] = start + 2.0 * (at - start)
            if abs(sr.at[j] - start) > FAR + 20.0 * sr.error[j]:
                sr.bound[own, j] = side * np.inf
                sr.open[j] = 0
        elif sr.outer_gap[j] < np.inf:
            share = sr.inner_gap[j] / (sr.inner_gap[j] - sr.outer_gap[j])
            sr.at[j] = sr.inner[j] + share * (sr.outer[j] - sr.inner[j])
        else:
            sr.at[j] = 0.5 * (sr.inner[j] + sr.outer[j])
        if sr.open[j] == 1:
            searching = True
    return searching
