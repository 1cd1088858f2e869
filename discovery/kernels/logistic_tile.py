"""Newton's method for a tile of logistic models, from the base model that all of them share or from anywhere.

Where no row is missing, the rows of the base model give log likelihood, score and information of each feature
at coefficient 0 by sums of products, without exp. The first step is Newton's with Chebyshev's correction, so
that the third derivative is in it too. What is then left after one evaluation is mostly so short that the
same correction finds the maximum, and the standard error there.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .compiled import compiled, inlined
from .logistic_chunk import bend_rows, bend_rows_at_base
from .logistic_pass import evaluate_tile, separates
from .newton import (
    CONVERGED,
    CONVERGED_DRAW,
    CONVERGED_FIRTH,
    CONVERGED_FIRTH_DRAW,
    EXHAUSTED_PIVOT,
    LOOSE,
    MAX_HALVINGS,
    MAX_ITERATIONS,
    RUNNING,
    Newton,
    advance,
    factor,
    find_live,
    solve,
)
from .screen_fit import OK, SEPARATED
from .tiles import CHUNK, WIDE, add_by_lane, add_columns, add_squares, predict_rows

TO_THE_END = MAX_ITERATIONS * (MAX_HALVINGS + 1)
FRESH, SHARED, GO_ON = range(3)
LAST_STEP = 1e-14  # squared length in standard errors, by total weight, of a step that is the last one
LAST_TERMS = 1e-8  # the same where the series of what is left ends with its second term
MOST_BENT = 1 / 16  # squared length of J^-1 T[s, s] by that of s: beyond it the series says little
BARELY_BENT = 1.6e-5  # the same for a last step
LOG_TWO = 0.6931471805599453


class SharedBase(NamedTuple):
    """The base model at its maximum, by rows."""

    beta: np.ndarray  # (q,)
    loglik: np.ndarray  # (1,) NaN where the fit failed
    margin: np.ndarray  # (1,) smallest linear predictor in favour of the outcome seen
    info: np.ndarray  # (q (q + 1) / 2,)
    variance: np.ndarray  # (chunks 8) w mu (1 - mu)
    by_column: np.ndarray  # (chunks (q + 1) 8) that times each turned base column; last the residual
    third: np.ndarray  # (chunks 8) third derivative of the log likelihood by the linear predictor
    fourth: np.ndarray  # (chunks 8)


@compiled
def new_tile_newton(k, draw):
    """A `Newton` of `WIDE` lanes, and the matrix (rows, WIDE) that all its floats are rows of."""
    t = k * (k + 1) // 2
    all_of = np.zeros((5 * k + 2 * t + 7, WIDE))
    at = 5 * k
    last = at + 2 * t
    nt = Newton(
        all_of[:k],
        all_of[k : 2 * k],
        all_of[2 * k : 3 * k],
        all_of[last],
        all_of[at : at + t],
        all_of[last + 1],
        all_of[3 * k : 4 * k],
        all_of[at + t : last],
        True,
        CONVERGED_DRAW if draw else CONVERGED,
        CONVERGED_FIRTH_DRAW if draw else CONVERGED_FIRTH,
        np.ones((k, WIDE), dtype=np.int8),
        np.zeros(WIDE, dtype=np.int8),
        np.zeros(WIDE, dtype=np.int64),
        np.zeros(WIDE, dtype=np.int64),
        all_of[4 * k : 5 * k],
        all_of[last + 2],
        all_of[last + 3],
        all_of[last + 4],
        all_of[last + 5],
        np.zeros(WIDE),
        np.zeros(WIDE),
        np.zeros((k, k)),
        np.zeros(k),
    )
    return nt, all_of


@compiled
def new_shared_base(rows, q):
    size = rows.weight.size
    return SharedBase(
        np.zeros(q),
        np.array([np.nan]),
        np.array([-np.inf]),
        np.zeros(q * (q + 1) // 2),
        np.zeros(size),
        np.zeros(size * (q + 1)),
        np.zeros(size),
        np.zeros(size),
    )


@compiled
def learn_base(rows, nt, base):
    """Keep the base model that lane 0 has found."""
    q, t = base.beta.size, base.info.size
    base.beta[:] = nt.beta[:q, 0]
    base.loglik[0], base.margin[0] = nt.loglik[0], np.inf
    for i in range(rows.row.size):
        chunk, at = i // CHUNK, i % CHUNK
        u = 0.0
        for a in range(q):
            u += rows.z[(chunk * q + a) * CHUNK + at] * base.beta[a]
        base.margin[0] = min(base.margin[0], u)
        shrunk = np.exp(-abs(u))
        high = 1.0 / (1.0 + shrunk)
        low = shrunk * high
        w, wrong = rows.weight[i], low if u >= 0.0 else high
        base.variance[i] = w * low * high
        base.third[i] = base.variance[i] * (1.0 - 2.0 * wrong)
        base.fourth[i] = -base.variance[i] * (1.0 - 6.0 * low * high)
        for a in range(q):
            z = rows.z[(chunk * q + a) * CHUNK + at]
            base.by_column[(chunk * (q + 1) + a) * CHUNK + at] = base.variance[i] * z
        base.by_column[(chunk * (q + 1) + q) * CHUNK + at] = w * wrong
        for s in range(t):
            base.info[s] += low * high * rows.products[(chunk * t + s) * CHUNK + at]


@compiled
def values_at_base(rows, tile, nt, base):
    """Log likelihood, score and information of every lane with the feature's coefficient at 0."""
    q = base.beta.size
    k, t = q + 1, q * (q + 1) // 2
    sums, square = np.zeros(k * WIDE), np.zeros(WIDE)
    x = tile.x
    for chunk in range(rows.weight.size // CHUNK):
        here = chunk * CHUNK * WIDE
        add_columns(sums, 0, base.by_column, chunk * k * CHUNK, x, here, k)
        add_squares(square, 0, base.variance, chunk * CHUNK, x, here)
    for j in range(WIDE):
        nt.new_loglik[j] = base.loglik[0]
        for s in range(t):
            nt.new_info[s, j] = base.info[s]
        for a in range(q):
            nt.new_info[t + a, j] = sums[a * WIDE + j]
            nt.new_score[a, j] = 0.0
        nt.new_info[t + q, j] = square[j]
        nt.new_score[q, j] = sums[q * WIDE + j]


@inlined
def add_by_column(sums, rows, chunk, values, x, q):
    """Add a chunk's `values` times each column of the model, the feature last."""
    add_columns(sums, 0, rows.z, chunk * q * CHUNK, values, 0, q)
    add_by_lane(sums, q * WIDE, values, x, chunk * CHUNK * WIDE)


@compiled
def bend_steps(rows, tile, nt, base):
    """The next two terms of the series whose first is Newton's step s.

    With J the information, T and F the third and fourth derivative: Chebyshev's J^-1 T[s, s] / 2 = e, then of
    J^-1 (T[s, e] + F[s, s, s] / 6) the part along s, which is most of it and takes one sum.
    """
    q = base.beta.size
    k = q + 1
    sums, by_fourth, step = np.zeros(k * WIDE), np.zeros(WIDE), nt.step.reshape(-1)
    u, values = tile.u, tile.vx
    for chunk in range(rows.weight.size // CHUNK):
        here, first = chunk * CHUNK * WIDE, chunk * CHUNK
        predict_rows(u, tile.nothing, 0, tile.x, here, rows.z, first * q, step, q)
        bend_rows_at_base(values, by_fourth, u, base.third, first, base.fourth, first)
        add_by_column(sums, rows, chunk, values, tile.x, q)
    for j in range(WIDE):
        if nt.status[j] != RUNNING or nt.scale[j] != 1.0:
            continue
        for a in range(k):
            nt.vector[a] = sums[a * WIDE + j]
        factor(nt.info, j, k, nt.live, EXHAUSTED_PIVOT, nt.low)
        solve(nt.low, k, nt.vector)
        length = 0.0
        for a in range(k):
            length += nt.vector[a] * sums[a * WIDE + j]
        if length < MOST_BENT * nt.last_decrement[j]:
            longer = 1.0 + (by_fourth[j] / 6.0 + 0.5 * length) / nt.last_decrement[j]
            for a in range(k):
                nt.step[a, j] = longer * nt.step[a, j] + 0.5 * nt.vector[a]
                nt.trial[a, j] = nt.beta[a, j] + nt.step[a, j]


@compiled
def short_lanes(tile, nt, enough):
    """Lanes that run and whose next step is short, with no sign that the estimate runs away: bool (lanes,).

    `enough`: squared length of the step in standard errors, by total weight.
    """
    short = np.zeros(WIDE, np.bool_)
    for j in range(WIDE):
        length = enough * min(tile.total[j], 1e4)
        steady = nt.status[j] == RUNNING and nt.halvings[j] == 0 and nt.scale[j] == 1.0
        short[j] = steady and nt.last_decrement[j] < length and nt.last_move[j] <= LOOSE * np.sqrt(length)
    return short


@compiled
def settle(tile, nt, free, enough):
    """End every lane whose step is short with it.

    After a step of length d (in standard errors) the estimate is wrong by about d^2 / root n, and the
    standard error, taken before it, by d / root n of itself.
    """
    short = short_lanes(tile, nt, enough)
    for j in range(WIDE):
        if short[j]:
            for a in range(free):
                nt.beta[a, j] = nt.trial[a, j]
            nt.loglik[j] += 0.5 * nt.last_decrement[j]
            nt.status[j] = OK


@compiled
def end_by_series(rows, tile, nt, free, enough):
    """End every lane whose step is short by the next term of its series, with the standard error found there.

    After a step of length d (in standard errors) from where the rows were evaluated, the estimate is wrong by
    about d^3 / n standard errors, and the standard error by d^2 / n of itself.
    """
    short = short_lanes(tile, nt, enough)
    if not short.any():
        return
    k = nt.beta.shape[0]
    lows, to_feature = np.zeros((WIDE, k, k)), np.zeros((k, WIDE))
    sums, spread = np.zeros(k * WIDE), np.zeros(WIDE)
    info, live, vector = nt.info, nt.live, nt.vector
    for j in range(WIDE):
        if short[j]:
            factor(info, j, k, live, EXHAUSTED_PIVOT, lows[j])
        if short[j] and free == k:  # last column of the inverse information
            vector[:] = 0.0
            vector[k - 1] = 1.0
            solve(lows[j], k, vector)
            to_feature[:, j] = vector
    sum_bends(rows, tile, nt.step.reshape(-1), to_feature.reshape(-1), sums, spread)
    bend_last(nt, free, short, lows, sums, spread)


@compiled
def sum_bends(rows, tile, step, to_feature, sums, spread):
    """Third derivative T where the rows were evaluated: T[s, s] (k, lanes) and T[s, f, f] (lanes), flat.

    s is the `step` and f the column `to_feature` of the inverse information.
    """
    q = step.size // WIDE - 1
    u, along, values, v, residual = tile.u, tile.ratio, tile.vx, tile.v, tile.residual
    for chunk in range(rows.weight.size // CHUNK):
        here, first = chunk * CHUNK * WIDE, chunk * CHUNK
        predict_rows(along, tile.nothing, 0, tile.x, here, rows.z, first * q, step, q)
        predict_rows(u, tile.nothing, 0, tile.x, here, rows.z, first * q, to_feature, q)
        bend_rows(values, spread, along, u, residual, v, here, rows.weight, first)
        add_by_column(sums, rows, chunk, values, tile.x, q)


@compiled
def bend_last(nt, free, short, lows, sums, spread):
    """End the `short` lanes with their steps and Chebyshev's correction; `lows` factor the information.

    Of the information the last entry is changed, so that what is left for the feature is what the end of
    the step leaves: the inverse information grows by T[s, f, f] there. A covariate that runs away goes on.
    """
    k, last = nt.beta.shape[0], nt.info.shape[0] - 1
    vector = nt.vector
    for j in range(WIDE):
        if not short[j]:
            continue
        third, length = 0.0, 0.0
        for a in range(free):
            vector[a] = sums[a * WIDE + j]
            third += nt.step[a, j] * vector[a]
        solve(lows[j], free, vector)
        for a in range(free):
            length += vector[a] * sums[a * WIDE + j]
        if not length < BARELY_BENT * nt.last_decrement[j]:
            continue
        for a in range(free):
            nt.beta[a, j] = nt.trial[a, j] + 0.5 * vector[a]
        nt.loglik[j] += 0.5 * nt.last_decrement[j] + third / 6.0
        if free == k:
            left = lows[j, k - 1, k - 1] * lows[j, k - 1, k - 1]
            nt.info[last, j] += left / (1.0 + left * spread[j]) - left
        nt.status[j] = OK


@inlined
def maximise_tile(rows, tile, nt, base, free, passes, begin):
    """Run every lane whose status is RUNNING from `nt.trial`, for at most so many passes over the rows.

    The first `free` coefficients move. `begin`: FRESH, nothing is known; SHARED, all rows are there and the
    lanes stand at the base model; GO_ON, they have begun.
    """
    k = nt.trial.shape[0]
    last = LAST_TERMS if nt.converged == CONVERGED_DRAW else LAST_STEP
    for number in range(passes):
        known = begin == SHARED and number == 0
        if known:
            values_at_base(rows, tile, nt, base)
        else:
            evaluate_tile(rows, tile, nt, free == k)
        for j in range(WIDE):
            judged = free == k and nt.status[j] == RUNNING and nt.new_loglik[j] > -LOG_TWO * tile.total[j]
            if judged and (base.margin[0] > 0.0 if known else separates(rows, tile, nt, j)):
                nt.status[j] = SEPARATED
        if begin != GO_ON and number == 0:
            find_live(nt, tile.total, free)
        if not advance(nt, free, False):
            break
        if known:
            bend_steps(rows, tile, nt, base)
        settle(tile, nt, free, last)
        if not known:
            end_by_series(rows, tile, nt, free, LAST_TERMS)
        if not (nt.status == RUNNING).any():
            break
