"""One pass over the rows for a tile of logistic models: log likelihood, score and information together.

Each row is turned so that its outcome counts as 1: columns of a patient without the event are multiplied by
-1. With u the linear predictor in favour of the outcome seen, the log likelihood is min(u, 0) -
log(1 + exp(-|u|)), the residual 1 - mu and the variance mu (1 - mu).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from .compiled import compiled
from .logistic_chunk import judge_rows
from .tiles import CHUNK, WIDE, add_columns, add_products, predict_rows, zeros_at_line

CERTAIN = 1e30  # linear predictor of a row that is not there: fitted exactly, it adds nothing anywhere


class TurnedRows(NamedTuple):
    """The rows used, in chunks of eight; the last chunk is filled up with rows that add nothing."""

    row: np.ndarray  # (m,) their places in the caller's columns
    sign: np.ndarray  # (m,) 1 for an event, -1 otherwise
    z: np.ndarray  # (chunks q 8) intercept and scaled base columns, turned
    weighted: np.ndarray  # the same times the weights
    products: np.ndarray  # (chunks q (q + 1) / 2 8) of two base columns b <= a, times the weights
    weight: np.ndarray  # (chunks 8)
    same: bool  # all weights are equal


class Tile(NamedTuple):
    """Scratch of one tile."""

    x: np.ndarray  # (chunks 8 WIDE) scaled features, turned
    start: np.ndarray  # (chunks 8 WIDE) where the linear predictor starts: `CERTAIN` in a missing row
    full: np.ndarray  # (1,) bool: every lane has every row
    total: np.ndarray  # (WIDE,) weight of the rows that are there
    nothing: np.ndarray  # (8 WIDE) 0
    v: np.ndarray  # (chunks 8 WIDE) variance and residual where the rows were evaluated
    residual: np.ndarray
    u: np.ndarray  # the others (8 WIDE), of one chunk
    vx: np.ndarray
    ratio: np.ndarray
    product: np.ndarray  # (WIDE,)


@compiled
def turned_rows(row, event, base, centre, spread, weights):
    m, q = row.size, base.shape[1] + 1
    chunks, t = (m + CHUNK - 1) // CHUNK, q * (q + 1) // 2
    z, weighted = zeros_at_line(chunks * q * CHUNK), zeros_at_line(chunks * q * CHUNK)
    products = zeros_at_line(chunks * t * CHUNK)
    sign, weight = np.zeros(m), zeros_at_line(chunks * CHUNK)
    same = True
    own = np.ones(q)
    for i in range(m):
        chunk, at = i // CHUNK, i % CHUNK
        w = weights[row[i]]
        sign[i] = 1.0 if event[row[i]] else -1.0
        weight[i] = w
        if w != weights[row[0]]:
            same = False
        for a in range(q - 1):
            own[1 + a] = (base[row[i], a] - centre[a]) / spread[a] if spread[a] > 0.0 else 0.0
        s = chunk * t * CHUNK + at
        for a in range(q):
            z[(chunk * q + a) * CHUNK + at] = sign[i] * own[a]
            weighted[(chunk * q + a) * CHUNK + at] = w * sign[i] * own[a]
            for b in range(a + 1):
                products[s] = w * own[a] * own[b]
                s += CHUNK
    return TurnedRows(row, sign, z, weighted, products, weight, same)


@compiled
def new_tile(rows):
    size, small = rows.weight.size * WIDE, CHUNK * WIDE
    start = zeros_at_line(size)
    start[rows.row.size * WIDE :] = CERTAIN
    return Tile(
        zeros_at_line(size),
        start,
        np.ones(1, dtype=np.bool_),
        np.zeros(WIDE),
        zeros_at_line(small),
        zeros_at_line(size),
        zeros_at_line(size),
        zeros_at_line(small),
        zeros_at_line(small),
        zeros_at_line(small),
        np.ones(WIDE),
    )


@compiled
def evaluate_tile(rows, tile, nt, feature):
    """Log likelihood, score and information of every lane at `nt.trial`, into the `new_` fields of `nt`.

    Without `feature` the rows of the feature's column are left at 0.
    """
    beta, score, info = nt.trial.reshape(-1), nt.new_score.reshape(-1), nt.new_info.reshape(-1)
    q = nt.trial.shape[0] - 1
    t = q * (q + 1) // 2
    x, u, v, vx, residual, ratio = tile.x, tile.u, tile.v, tile.vx, tile.residual, tile.ratio
    sums, logs = np.zeros(4 * WIDE), np.zeros(WIDE)
    score[:] = 0.0
    info[:] = 0.0
    sums[:WIDE] = 1.0
    chunks = rows.weight.size // CHUNK
    common = rows.weight[0] if rows.same else 0.0
    for chunk in range(chunks):
        here, first = chunk * CHUNK * WIDE, chunk * CHUNK
        at = chunk * q * CHUNK
        if tile.full[0] and chunk < chunks - 1:
            predict_rows(u, tile.nothing, 0, x, here, rows.z, at, beta, q)
        else:
            predict_rows(u, tile.start, here, x, here, rows.z, at, beta, q)
        judge_rows(sums, ratio, u, x, here, residual, v, vx, rows.weight, first)
        if rows.same and (chunk % 64 == 63 or chunk == chunks - 1):  # a product of 512 numbers below 2
            for j in range(WIDE):
                logs[j] += common * np.log(sums[j])
        if not rows.same:
            for e in range(CHUNK * WIDE):
                ratio[e] = log_up_to_two(ratio[e])
            add_products(logs, 0, rows.weight, first, ratio, 0, 1, 8, 8, 1)
        if not rows.same or chunk % 64 == 63:
            sums[:WIDE] = 1.0
        s, there = 0, chunk * t * CHUNK
        while s + 3 <= t:
            add_products(info, s * WIDE, rows.products, there + s * CHUNK, v, here, 3, 8, 8, 1)
            s += 3
        while s < t:
            add_products(info, s * WIDE, rows.products, there + s * CHUNK, v, here, 1, 8, 8, 1)
            s += 1
        add_columns(score, 0, rows.weighted, at, residual, here, q)
        if feature:
            add_columns(info, t * WIDE, rows.weighted, at, vx, 0, q)
    for j in range(WIDE):
        nt.new_loglik[j] = sums[WIDE + j] - logs[j]
        if feature:
            nt.new_score[q, j], nt.new_info[t + q, j] = sums[2 * WIDE + j], sums[3 * WIDE + j]


@njit(nogil=True, error_model="numpy", inline="always")
def log_up_to_two(x):
    """log(x) for 1 <= x <= 2 by the series of 2 artanh((x - 1) / (x + 1)), to 2e-16 of log 2."""
    s = (x - 1.0) / (x + 1.0)
    s2 = s * s
    s4 = s2 * s2
    s8 = s4 * s4
    one = (1 / 3 + 1 / 5 * s2) + (1 / 7 + 1 / 9 * s2) * s4
    two = (1 / 11 + 1 / 13 * s2) + (1 / 15 + 1 / 17 * s2) * s4
    three = (1 / 19 + 1 / 21 * s2) + (1 / 23 + 1 / 25 * s2) * s4
    four = (1 / 27 + 1 / 29 * s2) + 1 / 31 * s4
    series = (one + two * s8) + (three + four * s8) * (s8 * s8)
    return 2.0 * (s + s * s2 * series)


@compiled
def separates(rows, tile, nt, j):
    """Whether the linear predictor of lane `j` at `nt.trial` has the sign of the outcome in every row.

    Multiplied by any number above 1 it would then have a higher likelihood: there is no finite maximum.
    """
    q = nt.trial.shape[0] - 1
    for i in range(rows.row.size):
        e = i * WIDE + j
        u = tile.start[e] + tile.x[e] * nt.trial[q, j]
        for a in range(q):
            u += rows.z[(i // CHUNK * q + a) * CHUNK + i % CHUNK] * nt.trial[a, j]
        if not u > 0.0:
            return False
    return True
