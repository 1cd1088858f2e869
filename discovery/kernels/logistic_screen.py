"""The screen without a penalty and its profile-likelihood intervals: compiled, tile by tile of features."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .columns import start_lanes
from .compiled import compiled
from .logistic_fits import to_callers_units
from .logistic_pass import CERTAIN, new_tile, turned_rows
from .logistic_tile import (
    FRESH,
    GO_ON,
    SHARED,
    TO_THE_END,
    learn_base,
    maximise_tile,
    new_shared_base,
    new_tile_newton,
)
from .newton import RUNNING, factor, resume
from .profile import begin_search, free_now, lanes_to_search, new_search, search_on, write_bounds
from .screen_fit import CONSTANT, NOT_CONVERGED, NOTHING_TO_FIT, OK
from .tiles import WIDE, scale_row

BASE, COMPLETE, REST, OWN_BASES, OWN_WHOLE, LEFT_OVER = range(6)  # what a turn of the screen fits
FIRST_PASSES = 2  # at the base model, and one over the rows; lanes that need more wait for others


class Found(NamedTuple):
    """Answers by feature; see `LogisticPlan.screen`."""

    coef: np.ndarray
    se: np.ndarray
    loglik: np.ndarray
    loglik_base: np.ndarray
    code: np.ndarray
    n: np.ndarray
    events: np.ndarray


@compiled
def new_found(p, k):
    return Found(
        np.full((p, k), np.nan),
        np.full(p, np.nan),
        np.full(p, np.nan),
        np.full(p, np.nan),
        np.full(p, NOTHING_TO_FIT, dtype=np.int8),
        np.zeros(p, np.int64),
        np.zeros(p, np.int64),
    )


def tiles_of(complete: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Features in the order of the tiles, and where each tile begins and ends among them.

    Those with every row come first and share no tile with the others: what is found for a feature does not
    depend on its neighbours.
    """
    whole, p = int(complete.sum()), complete.size
    edges = np.concatenate([np.arange(0, whole, WIDE), np.arange(whole, p, WIDE), [p]])
    return np.argsort(~complete, kind="stable"), edges.astype(np.int64)


@compiled
def fill_tile(data, rows, tile, nt, which, whole, n, events):
    """Features `which` into the lanes, with rows, events and the codes known before any fit.

    `whole`: they have every row.
    """
    m, count = rows.row.size, which.size
    centre, scale = np.zeros(WIDE), np.zeros(WIDE)
    n[:] = 0
    events[:] = 0
    for j in range(count):
        centre[j] = data.centre[which[j]]
        scale[j] = 1.0 / data.spread[which[j]] if data.spread[which[j]] > 0.0 else 0.0
    tile.total[:] = 0.0
    tile.full[0] = whole
    if whole:
        total, happened = 0.0, 0
        for i in range(m):
            total += rows.weight[i]
            happened += 1 if rows.sign[i] > 0.0 else 0
        tile.total[:] = total
        n[:count] = m
        events[:count] = happened
        table, p = data.features.reshape(-1), data.features.shape[1]
        together = count == WIDE and which[WIDE - 1] - which[0] == WIDE - 1
        for i in range(m):
            place, sign, at = rows.row[i] * p, rows.sign[i], i * WIDE
            if together:
                scale_row(tile.x, at, table, place + which[0], centre, 0, scale, 0, sign)
            else:
                for j in range(WIDE):
                    tile.x[at + j] = 0.0
                for j in range(count):
                    tile.x[at + j] = sign * ((table[place + which[j]] - centre[j]) * scale[j])
    else:
        for i in range(m):
            row = rows.row[i]
            for j in range(WIDE):
                e = i * WIDE + j
                tile.x[e], tile.start[e] = 0.0, 0.0
                if j < count and data.observed[row, which[j]]:
                    value = data.features[row, which[j]]
                    tile.x[e] = rows.sign[i] * ((value - centre[j]) * scale[j])
                    tile.total[j] += rows.weight[i]
                    n[j] += 1
                    events[j] += 1 if rows.sign[i] > 0.0 else 0
                else:
                    tile.start[e] = CERTAIN
    for j in range(WIDE):
        nt.status[j] = RUNNING
        if j >= count or n[j] == 0 or events[j] == 0 or events[j] == n[j]:
            nt.status[j] = NOTHING_TO_FIT
        elif scale[j] == 0.0 or not varies(data, rows, which[j]):
            nt.status[j] = CONSTANT


@compiled
def log_odds(rows):
    """Of the events, one half added to both sides."""
    sides = np.full(2, 0.5)
    for i in range(rows.row.size):
        sides[1 if rows.sign[i] > 0.0 else 0] += rows.weight[i]
    return np.log(sides[1] / sides[0])


@compiled
def varies(data, rows, at):
    """Whether feature `at` has two values among the rows used."""
    some, one = False, 0.0
    for i in range(rows.row.size):
        if data.observed[rows.row[i], at]:
            value = data.features[rows.row[i], at]
            if some and value != one:
                return True
            some, one = True, value
    return False


@compiled
def record(data, nt, which, base_loglik, found):
    """Write the lanes that have ended as features `which`; `base_loglik` (lanes,) without them."""
    k = nt.beta.shape[0]
    beta, info, live, low = nt.beta, nt.info, nt.live, nt.low
    for j in range(which.size):
        if nt.status[j] == RUNNING:
            continue
        at, code = which[j], nt.status[j]
        if code == OK and np.isnan(base_loglik[j]):
            code = NOT_CONVERGED
        found.code[at] = code
        if code == OK:
            factor(info, j, k, live, 0.0, low)
            found.se[at] = 1.0 / low[k - 1, k - 1] / data.spread[at]
            found.loglik[at], found.loglik_base[at] = nt.loglik[j], base_loglik[j]
            to_callers_units(beta, j, data, at, found.coef[at])


@compiled
def move_lane(rows, tile, nt, all_of, j, other, waiting, all_there, lane):
    """Lane `j` with all that is known about it goes to `lane` of another tile."""
    for i in range(rows.row.size):
        other.x[i * WIDE + lane] = tile.x[i * WIDE + j]
    for s in range(all_of.shape[0]):
        all_there[s, lane] = all_of[s, j]
    for a in range(nt.live.shape[0]):
        waiting.live[a, lane] = nt.live[a, j]
    other.total[lane], waiting.status[lane] = tile.total[j], nt.status[j]
    waiting.halvings[lane], waiting.iterations[lane] = nt.halvings[j], nt.iterations[j]


@compiled
def screen_all_logistic(data, order, edges, complete, used, weights, draw):
    """The whole screen; see `LogisticPlan.screen`. Rows `used` (m,) have a weight.

    First the base model is fitted. Tiles of complete features start from it; other tiles, or all where it
    failed, fit a base model in every lane. Each turn of the loop runs one tile; the fit is called in one
    place, since each call compiles it anew.
    """
    p, k = data.features.shape[1], data.base.shape[1] + 2
    found = new_found(p, k)
    rows = turned_rows(used, data.event, data.base, data.base_centre, data.base_spread, weights)
    tile, other, base = new_tile(rows), new_tile(rows), new_shared_base(rows, k - 1)
    base.beta[0] = log_odds(rows)
    nt, all_of = new_tile_newton(k, draw)
    waiting, all_there = new_tile_newton(k, draw)
    n, events, place = np.zeros(WIDE, np.int64), np.zeros(WIDE, np.int64), np.zeros(WIDE, np.int64)
    given = np.full(WIDE, NOTHING_TO_FIT, dtype=np.int8)
    own, shared = np.full(WIDE, np.nan), np.full(WIDE, np.nan)  # log likelihoods of base models
    waiting.status[:] = NOTHING_TO_FIT
    tile.total[0] = rows.weight.sum()
    given[0] = RUNNING
    which, turn, t, taken = order[:0], BASE, -1, 0
    while used.size > 0:
        current, newton, begin = tile, nt, SHARED if turn == COMPLETE else FRESH
        if turn == LEFT_OVER:
            current, newton = other, waiting
        if turn in (LEFT_OVER, REST):
            begin = GO_ON
        else:
            start_lanes(nt, base.beta)
            resume(nt, given)
        free = k - 1 if turn in (BASE, OWN_BASES) else k
        passes = FIRST_PASSES if turn == COMPLETE else TO_THE_END
        maximise_tile(rows, current, newton, base, free, passes, begin)
        if turn == BASE:
            base.beta[:] = 0.0
            if nt.status[0] == OK:
                learn_base(rows, nt, base)
            shared[:] = base.loglik[0]
        if turn == OWN_BASES:
            for j in range(WIDE):
                own[j] = nt.loglik[j] if given[j] == RUNNING and nt.status[j] == OK else np.nan
            turn = OWN_WHOLE
            continue
        if turn == LEFT_OVER:
            record(data, waiting, place[:taken], shared, found)
            waiting.status[:] = NOTHING_TO_FIT
            taken = 0
        else:
            record(data, nt, which, own if turn == OWN_WHOLE else shared, found)
        running = 0
        for j in range(which.size):
            running += 1 if nt.status[j] == RUNNING else 0
        if running > WIDE // 2:
            turn = REST
            continue
        if taken + running > WIDE:
            turn = LEFT_OVER
            continue
        for j in range(which.size):
            if nt.status[j] == RUNNING:
                move_lane(rows, tile, nt, all_of, j, other, waiting, all_there, taken)
                place[taken] = which[j]
                nt.status[j] = NOTHING_TO_FIT
                taken += 1
        t += 1
        if t >= edges.size - 1:
            if taken == 0:
                break
            which, turn = order[:0], LEFT_OVER
            continue
        which = order[edges[t] : edges[t + 1]]
        fill_tile(data, rows, tile, nt, which, complete[which[0]], n, events)
        for j in range(which.size):
            found.n[which[j]], found.events[which[j]] = n[j], events[j]
        given[:] = nt.status
        turn = COMPLETE if complete[which[0]] and base.loglik[0] > -np.inf else OWN_BASES
    return found


@compiled
def begin_at(data, nt, which, coef):
    """Start each lane at the coefficients of its feature, given in the caller's units; without them at 0."""
    k = nt.beta.shape[0]
    nt.beta[:] = 0.0
    for j in range(which.size):
        own = coef[which[j]]
        if np.isnan(own[k - 1]):
            continue
        nt.beta[0, j] = own[0] + own[k - 1] * data.centre[which[j]]
        nt.beta[k - 1, j] = own[k - 1] * data.spread[which[j]]
        for a in range(k - 2):
            nt.beta[0, j] += own[1 + a] * data.base_centre[a]
            nt.beta[1 + a, j] = own[1 + a] * data.base_spread[a]


@compiled
def profile_all_logistic(data, order, edges, complete, used, weights, coef, codes, target):
    """Bounds (p,), (p,) of every feature whose code is 0; see `LogisticPlan.profile_interval`."""
    p, k = data.features.shape[1], data.base.shape[1] + 2
    low, high = np.full(p, np.nan), np.full(p, np.nan)
    if used.size == 0:
        return low, high
    rows = turned_rows(used, data.event, data.base, data.base_centre, data.base_spread, weights)
    tile, base, sr = new_tile(rows), new_shared_base(rows, k - 1), new_search(k, WIDE)
    nt = new_tile_newton(k, False)[0]
    given = np.empty(WIDE, np.int8)
    n, events = np.zeros(WIDE, np.int64), np.zeros(WIDE, np.int64)
    for t in range(edges.size - 1):
        which = order[edges[t] : edges[t + 1]]
        fill_tile(data, rows, tile, nt, which, complete[which[0]], n, events)
        lanes_to_search(nt, codes, which, given)
        begin_at(data, nt, which, coef)
        begin_search(sr, nt)
        while True:
            resume(nt, given)
            maximise_tile(rows, tile, nt, base, free_now(sr, k), TO_THE_END, FRESH)
            if not search_on(sr, nt, given, False, target):
                break
        write_bounds(sr, which, data.spread, low, high)
    return low, high
