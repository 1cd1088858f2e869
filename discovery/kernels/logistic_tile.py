"""Newton's method for a tile of logistic models, from the base model that all of them share or from anywhere.

Where no row is missing, the rows of the base model give log likelihood, score and information of each feature
at coefficient 0 by sums of products, without exp. The first step is Newton's with Chebyshev's correction, so
that the third derivative is in it too, and two passes over the rows mostly do.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .compiled import compiled, inlined
from .logistic_pass import evaluate_tile, predict, separates
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
from .tiles import CHUNK, WIDE, add_columns, add_products

TO_THE_END = MAX_ITERATIONS * (MAX_HALVINGS + 1)
FRESH, SHARED, GO_ON = range(3)
LAST_STEP = 1e-14  # squared length in standard errors, by total weight, of a step that is the last one
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
    third_by_column: np.ndarray  # (chunks q 8) that times each turned base column


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
        np.zeros(size * q),
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
        for a in range(q):
            z = rows.z[(chunk * q + a) * CHUNK + at]
            base.by_column[(chunk * (q + 1) + a) * CHUNK + at] = base.variance[i] * z
            base.third_by_column[(chunk * q + a) * CHUNK + at] = base.third[i] * z
        base.by_column[(chunk * (q + 1) + q) * CHUNK + at] = w * wrong
        for s in range(t):
            base.info[s] += low * high * rows.products[(chunk * t + s) * CHUNK + at]


@compiled
def values_at_base(rows, tile, nt, base):
    """Log likelihood, score and information of every lane with the feature's coefficient at 0."""
    q = base.beta.size
    k, t = q + 1, q * (q + 1) // 2
    sums, square = np.zeros(k * WIDE), np.zeros(WIDE)
    x, vx = tile.x, tile.vx
    for chunk in range(rows.weight.size // CHUNK):
        here = chunk * CHUNK * WIDE
        for e in range(CHUNK * WIDE):
            vx[e] = x[here + e] * x[here + e]
        add_columns(sums, 0, base.by_column, chunk * k * CHUNK, x, here, k)
        add_products(square, 0, base.variance, chunk * CHUNK, vx, 0, 1, 8, 8, 1)
    for j in range(WIDE):
        nt.new_loglik[j] = base.loglik[0]
        for s in range(t):
            nt.new_info[s, j] = base.info[s]
        for a in range(q):
            nt.new_info[t + a, j] = sums[a * WIDE + j]
            nt.new_score[a, j] = 0.0
        nt.new_info[t + q, j] = square[j]
        nt.new_score[q, j] = sums[q * WIDE + j]


@compiled
def bend_steps(rows, tile, nt, base):
    """Chebyshev's correction of the first step: half the third derivative along it, by the information."""
    q = base.beta.size
    k = q + 1
    sums = np.zeros(k * WIDE)
    step = nt.step.reshape(-1)
    x, vx, u = tile.x, tile.vx, tile.u
    for chunk in range(rows.weight.size // CHUNK):
        here = chunk * CHUNK * WIDE
        predict(rows, tile, chunk, tile.nothing, 0, step, q)
        for e in range(CHUNK * WIDE):
            u[e] *= u[e]
            vx[e] = u[e] * x[here + e]
        add_columns(sums, 0, base.third_by_column, chunk * q * CHUNK, u, 0, q)
        add_products(sums, q * WIDE, base.third, chunk * CHUNK, vx, 0, 1, 8, 8, 1)
    for j in range(WIDE):
        if nt.status[j] != RUNNING or nt.scale[j] != 1.0:
            continue
        size = 0.0
        for a in range(k):
            nt.vector[a] = sums[a * WIDE + j]
            size += abs(nt.step[a, j] * sums[a * WIDE + j])
        if size < 0.25 * nt.last_decrement[j]:  # far from the maximum the series says little
            factor(nt.info, j, k, nt.live, EXHAUSTED_PIVOT, nt.low)
            solve(nt.low, k, nt.vector)
            for a in range(k):
                nt.step[a, j] += 0.5 * nt.vector[a]
                nt.trial[a, j] = nt.beta[a, j] + nt.step[a, j]


@compiled
def settle(nt, free, j, enough):
    """End lane `j` if its last step is short enough, unless the estimate may be on its way to infinity.

    After a step of length d (in standard errors) the estimate is wrong by about d^2 / root n, and the
    standard error, taken before it, by d / root n of itself.
    """
    if nt.last_decrement[j] < enough and nt.last_move[j] <= LOOSE * np.sqrt(enough):
        for a in range(free):
            nt.beta[a, j] = nt.trial[a, j]
        nt.loglik[j] += 0.5 * nt.last_decrement[j]
        nt.status[j] = OK


@inlined
def maximise_tile(rows, tile, nt, base, free, passes, begin):
    """Run every lane whose status is RUNNING from `nt.trial`, for at most so many passes over the rows.

    The first `free` coefficients move. `begin`: FRESH, nothing is known; SHARED, all rows are there and the
    lanes stand at the base model; GO_ON, they have begun.
    """
    k = nt.trial.shape[0]
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
        for j in range(WIDE):
            if nt.status[j] == RUNNING and nt.halvings[j] == 0 and nt.scale[j] == 1.0:
                settle(nt, free, j, LAST_STEP * min(tile.total[j], 1e4))
