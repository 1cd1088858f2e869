"""The logistic screen with Firth's penalty and its profile-likelihood intervals, tile by tile of features.

The log likelihood gains half the log determinant of the information I, and the residual of a row gains
h (1/2 - mu), h = mu (1 - mu) x' I^-1 x being its leverage: a second walk along the rows, once I is known.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .columns import log_scales, start_lanes
from .compiled import compiled, inlined
from .logistic_pass import evaluate_tile, new_tile, turned_rows
from .logistic_screen import begin_at, fill_tile, new_found, record
from .logistic_tile import new_tile_newton
from .newton import RUNNING, advance, find_live, inverse_and_log_determinant, resume
from .profile import begin_search, free_now, lanes_to_search, new_search, search_on, write_bounds
from .screen_fit import NOTHING_TO_FIT, OK
from .tiles import CHUNK, WIDE, add_columns, add_products


class Penalty(NamedTuple):
    """Scratch of the second walk."""

    inverse: np.ndarray  # (k (k + 1) / 2, WIDE) of the information
    form: np.ndarray  # (8 WIDE) of one chunk
    slope: np.ndarray


@compiled
def new_penalty(k):
    small = CHUNK * WIDE
    return Penalty(np.zeros((k * (k + 1) // 2, WIDE)), np.zeros(small), np.zeros(small))


@compiled
def add_penalty(rows, tile, pen, nt):
    """Add the penalty to `nt.new_loglik` and its gradient to `nt.new_score`, after `evaluate_tile`."""
    k = nt.trial.shape[0]
    q = k - 1
    t = q * (q + 1) // 2
    pen.inverse[:] = 0.0
    for j in range(WIDE):
        if nt.status[j] == RUNNING and nt.new_loglik[j] > -np.inf:
            nt.new_loglik[j] += 0.5 * inverse_and_log_determinant(
                nt.new_info, j, k, nt.live, nt.low, pen.inverse
            )
    for a in range(k):
        for b in range(a):
            pen.inverse[a * (a + 1) // 2 + b] *= 2.0
    inverse, score, form, slope = pen.inverse.reshape(-1), nt.new_score.reshape(-1), pen.form, pen.slope
    last = (t + q) * WIDE
    for chunk in range(rows.weight.size // CHUNK):
        here, first = chunk * CHUNK * WIDE, chunk * CHUNK
        form[:] = 0.0
        slope[:] = 0.0
        add_outer(form, rows.products, chunk * t * CHUNK, inverse, 0, t)
        add_outer(slope, rows.weighted, chunk * q * CHUNK, inverse, t * WIDE, q)
        for i in range(CHUNK):
            weight = rows.weight[first + i]
            for j in range(WIDE):
                e = i * WIDE + j
                x = tile.x[here + e]
                leverage = form[e] + x * (slope[e] + inverse[last + j] * (weight * x))
                form[e] = leverage * tile.v[here + e] * (tile.residual[here + e] - 0.5)
                slope[e] = form[e] * x
        add_columns(score, 0, rows.z, chunk * q * CHUNK, form, 0, q)
        for i in range(CHUNK):
            for j in range(WIDE):
                score[q * WIDE + j] += slope[i * WIDE + j]


@compiled
def add_outer(into, columns, columns_at, factor, factor_at, terms):
    """Add to a chunk the sum over `terms` columns of numbers of the rows times numbers of the lanes."""
    s = 0
    while s + 3 <= terms:
        add_products(into, 0, columns, columns_at + s * CHUNK, factor, factor_at + s * WIDE, 8, 3, 1, 8)
        s += 3
    while s < terms:
        add_products(into, 0, columns, columns_at + s * CHUNK, factor, factor_at + s * WIDE, 8, 1, 1, 8)
        s += 1


@inlined
def maximise_penalised(rows, tile, pen, nt, free):
    """Run every lane whose status is RUNNING from its `beta`; the first `free` coefficients move."""
    nt.trial[:] = nt.beta
    first = True
    while True:
        evaluate_tile(rows, tile, nt, True)
        if first:
            find_live(nt, tile.total, free)
            first = False
        add_penalty(rows, tile, pen, nt)
        if not advance(nt, free, True):
            break


@compiled
def screen_all_penalised(data, order, edges, complete, used, weights, draw):
    """The whole screen with Firth's penalty; see `LogisticPlan.screen`. Rows `used` (m,) have a weight.

    The first tile fits intercept and base columns alone, where the others start. The model without the
    feature has the penalty of the whole design, so each lane has its own.
    """
    p, k = data.features.shape[1], data.base.shape[1] + 2
    found = new_found(p, k)
    if used.size == 0:
        return found
    rows = turned_rows(used, data.event, data.base, data.base_centre, data.base_spread, weights)
    tile, pen, nt = new_tile(rows), new_penalty(k), new_tile_newton(k, draw)[0]
    n, events = np.zeros(WIDE, np.int64), np.zeros(WIDE, np.int64)
    given, own, base_beta = np.full(WIDE, NOTHING_TO_FIT, np.int8), np.empty(WIDE), np.zeros(k - 1)
    given[0] = RUNNING
    tile.total[0] = rows.weight.sum()
    which = order[:0]
    for t in range(-1, edges.size - 1):
        if t >= 0:
            which = order[edges[t] : edges[t + 1]]
            fill_tile(data, rows, tile, nt, which, complete[which[0]], n, events)
            given[:] = nt.status
        for free in range(k - 1, k if t < 0 else k + 1):
            start_lanes(nt, base_beta)
            resume(nt, given)
            maximise_penalised(rows, tile, pen, nt, free)
            if free == k - 1:
                for j in range(WIDE):
                    own[j] = nt.loglik[j] if given[j] == RUNNING and nt.status[j] == OK else np.nan
        if t < 0 and nt.status[0] == OK:
            base_beta[:] = nt.beta[: k - 1, 0]
        record(data, nt, which, own, found)
        for j in range(which.size):
            at = which[j]
            found.n[at], found.events[at] = n[j], events[j]
            if found.code[at] == OK:
                scale = log_scales(nt.live, j, 1, data.base_spread, data.spread[at])
                found.loglik[at] += scale
                found.loglik_base[at] += scale
    return found


@compiled
def profile_all_penalised(data, order, edges, complete, used, weights, coef, codes, target):
    """Bounds (p,), (p,) of every feature whose code is 0, with Firth's penalty."""
    p, k = data.features.shape[1], data.base.shape[1] + 2
    low, high = np.full(p, np.nan), np.full(p, np.nan)
    if used.size == 0:
        return low, high
    rows = turned_rows(used, data.event, data.base, data.base_centre, data.base_spread, weights)
    tile, pen, nt = new_tile(rows), new_penalty(k), new_tile_newton(k, False)[0]
    sr, given = new_search(k, WIDE), np.empty(WIDE, np.int8)
    n, events = np.zeros(WIDE, np.int64), np.zeros(WIDE, np.int64)
    for t in range(edges.size - 1):
        which = order[edges[t] : edges[t + 1]]
        fill_tile(data, rows, tile, nt, which, complete[which[0]], n, events)
        lanes_to_search(nt, codes, which, given)
        begin_at(data, nt, which, coef)
        begin_search(sr, nt)
        while True:
            resume(nt, given)
            maximise_penalised(rows, tile, pen, nt, free_now(sr, k))
            if not search_on(sr, nt, given, True, target):
                break
        write_bounds(sr, which, data.spread, low, high)
    return low, high
