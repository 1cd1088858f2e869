"""One pass over the rows of a multinomial logistic model: log likelihood, score and information.

Parameters are ordered by column, then class: all intercepts, all classes of the first base column, and so on,
the K - 1 coefficients of the feature last. Class 0 is the one the others are compared with.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .compiled import compiled, inlined
from .tiles import BLOCK, add_block, add_inner, exp_block, multiply_block, zeros_at_line

TURNED = 8  # columns read together, a line of the cache
MOST_TOGETHER = 200  # classes; the product of `BLOCK` numbers up to this one does not overflow


class MultinomialData(NamedTuple):
    """Everything about the rows that does not change from fit to fit."""

    level: np.ndarray  # (n,) 0, 1, ..
    classes: int
    base: np.ndarray
    base_centre: np.ndarray
    base_spread: np.ndarray
    features: np.ndarray
    centre: np.ndarray
    spread: np.ndarray
    observed: np.ndarray


class MultinomialWork(NamedTuple):
    """Scratch of one model with `d` columns, intercept first and feature last, and K - 1 classes.

    Rows stand in blocks of `BLOCK`, all rows of a block for one column, then for the next; the last block is
    filled up with rows of weight 0.
    """

    z: np.ndarray  # (blocks d BLOCK) scaled columns
    products: np.ndarray  # (blocks d (d - 1) / 2 BLOCK) of two columns b <= a but the feature
    w: np.ndarray  # (blocks BLOCK)
    common: np.ndarray  # (1,) the weight of every row that has one, 0 where they differ
    level: np.ndarray  # (blocks BLOCK)
    own: np.ndarray  # (blocks (K - 1) BLOCK) 1 where the row is of the class
    present: np.ndarray  # (K,) int8
    eta: np.ndarray  # ((K - 1) BLOCK) of one block, as the next ones
    chance: np.ndarray  # ((K - 1) BLOCK)
    top: np.ndarray  # (BLOCK,)
    total: np.ndarray  # (BLOCK,)
    side: np.ndarray  # (BLOCK,)
    product: np.ndarray  # (8,)
    favour: np.ndarray  # (8,) weighted sum of the linear predictors of the classes seen, in eight parts
    sums: np.ndarray  # (K (K - 1) / 2 d (d + 1) / 2 8) information by pair of classes, in eight parts
    pulls: np.ndarray  # ((K - 1) d 8) score by class, in eight parts
    base_gap: np.ndarray  # (blocks (K - 1) BLOCK) at the base model on all rows: w (own - chance)
    base_spread: np.ndarray  # (blocks K (K - 1) / 2 BLOCK) w times the covariance of two classes
    base_chance: np.ndarray  # (blocks (K - 1) BLOCK)
    base_sums: np.ndarray  # its `sums`
    score: np.ndarray  # (k,)
    info: np.ndarray  # (k (k + 1) / 2, 1) packed
    live: np.ndarray  # (k, 1) int8
    low: np.ndarray  # (k, k)
    step: np.ndarray  # (k,)
    trial: np.ndarray  # (k,)


@compiled
def new_multinomial_work(m, d, classes):
    others, size = classes - 1, (m + BLOCK - 1) // BLOCK * BLOCK
    k, t = others * d, d * (d + 1) // 2
    return MultinomialWork(
        zeros_at_line(size * d),
        zeros_at_line(size * (d * (d - 1) // 2)),
        zeros_at_line(size),
        np.zeros(1),
        np.zeros(size, dtype=np.int64),
        zeros_at_line(size * others),
        np.zeros(classes, dtype=np.int8),
        zeros_at_line(others * BLOCK),
        zeros_at_line(others * BLOCK),
        zeros_at_line(BLOCK),
        zeros_at_line(BLOCK),
        zeros_at_line(BLOCK),
        np.zeros(8),
        np.zeros(8),
        zeros_at_line(others * (others + 1) // 2 * t * 8),
        zeros_at_line(others * d * 8),
        zeros_at_line(size * others),
        zeros_at_line(size * (others * (others + 1) // 2)),
        zeros_at_line(size * others),
        zeros_at_line(others * (others + 1) // 2 * t * 8),
        np.zeros(k),
        np.zeros((k * (k + 1) // 2, 1)),
        np.ones((k, 1), dtype=np.int8),
        np.zeros((k, k)),
        np.zeros(k),
        np.zeros(k),
    )


@compiled
def fill_base_columns(data, rows, weights, wk):
    d, others = data.base.shape[1] + 2, wk.present.size - 1
    for i in range(rows.size):
        block, r = i // BLOCK, i % BLOCK
        wk.z[block * d * BLOCK + r] = 1.0
        for a in range(d - 2):
            spread = data.base_spread[a]
            value = (data.base[rows[i], a] - data.base_centre[a]) / spread if spread > 0.0 else 0.0
            wk.z[(block * d + 1 + a) * BLOCK + r] = value
        at, first = block * (d * (d - 1) // 2) * BLOCK + r, block * d * BLOCK + r
        for a in range(d - 1):
            for b in range(a + 1):
                wk.products[at] = wk.z[first + a * BLOCK] * wk.z[first + b * BLOCK]
                at += BLOCK
        wk.level[i] = data.level[rows[i]]
        wk.w[i] = weights[rows[i]]
        if wk.level[i] > 0:
            wk.own[(block * others + wk.level[i] - 1) * BLOCK + r] = 1.0
    find_common(wk)


@compiled
def find_common(wk):
    """Whether all rows with a weight have the same."""
    common = 0.0
    for weight in wk.w:
        common = max(common, weight)
    for weight in wk.w:
        if weight != common and weight > 0.0:
            common = 0.0
    wk.common[0] = common


@compiled
def turn_columns(data, rows, first, part, seen):
    """The next columns of the features in one walk along the rows: `part`, `seen` (columns, rows used)."""
    features, observed = data.features, data.observed
    count = min(TURNED, features.shape[1] - first)
    for i in range(rows.size):
        row = rows[i]
        for j in range(count):
            part[j, i], seen[j, i] = features[row, first + j], observed[row, first + j]


@compiled
def fill_feature(data, rows, weights, at, column, seen, wk):
    """The values of feature `at` in the rows used: (how many, all of them, they vary)."""
    d = data.base.shape[1] + 2
    low, high, n = np.inf, -np.inf, 0
    centre, spread, x, w = data.centre[at], data.spread[at], wk.z, wk.w
    for i in range(rows.size):
        value, weight = 0.0, 0.0
        if seen[i]:
            weight = weights[rows[i]]
            n += 1
            low, high = min(low, column[i]), max(high, column[i])
            if spread > 0.0:
                value = (column[i] - centre) / spread
        w[i] = weight
        x[(i // BLOCK * d + d - 1) * BLOCK + i % BLOCK] = value
    return n, n == rows.size, high > low and spread > 0.0


@compiled
def find_present(wk):
    """Mark the classes with weight; how many, and whether class 0 is among them."""
    wk.present[:] = 0
    for i in range(wk.w.size):
        if wk.w[i] > 0.0:
            wk.present[wk.level[i]] = 1
    return wk.present.sum()


@compiled
def total_weight(wk):
    """Of the rows."""
    d = wk.z.size // wk.w.size
    wk.favour[:] = 0.0
    for block in range(wk.w.size // BLOCK):  # times the intercept's column
        add_inner(wk.favour, 0, wk.w, block * BLOCK, wk.z, block * d * BLOCK, 1)
    return sum_of_eight(wk.favour, 0)


@inlined
def predict_block(wk, block, beta, columns):
    """Linear predictors of one block of rows into `wk.eta`."""
    others = wk.present.size - 1
    d = wk.pulls.size // (8 * others)
    wk.eta[:] = 0.0
    for c in range(others):
        for a in range(columns):
            add_block(wk.eta, c * BLOCK, wk.z, (block * d + a) * BLOCK, beta[a * others + c])


@inlined
def chances(wk, block, beta, columns):
    """Chances of the classes in one block of rows; its log likelihood but for log(total) goes to `wk.favour`.

    Leaves in `wk.total` the sum of the exponentials that the largest one has been taken out of, 1 where the
    weight is 0.
    """
    others = wk.present.size - 1
    top, total, side = wk.top, wk.total, wk.side
    w = wk.w[block * BLOCK : (block + 1) * BLOCK]
    top[:] = 0.0
    predict_block(wk, block, beta, columns)
    for c in range(others):
        eta = wk.eta[c * BLOCK : (c + 1) * BLOCK]
        if wk.present[c + 1] == 1:
            for r in range(BLOCK):
                top[r] = max(top[r], eta[r])
    for r in range(BLOCK):
        side[r] = -top[r]
    exp_block(total, 0, side, 0)
    if wk.present[0] == 0:
        total[:] = 0.0
    for c in range(others):
        first = (block * others + c) * BLOCK
        eta, chance = wk.eta[c * BLOCK : (c + 1) * BLOCK], wk.chance[c * BLOCK : (c + 1) * BLOCK]
        own = wk.own[first : first + BLOCK]
        for r in range(BLOCK):
            chance[r] = min(eta[r] - top[r], 0.0)
        exp_block(wk.chance, c * BLOCK, wk.chance, c * BLOCK)
        if wk.present[c + 1] == 0:
            chance[:] = 0.0
        for r in range(BLOCK):
            total[r] += chance[r]
            side[r] += own[r] * eta[r]
    for r in range(BLOCK):
        top[r] = 1.0 / total[r]
        total[r] = total[r] if w[r] > 0.0 else 1.0
    for c in range(others):
        multiply_block(wk.chance, c * BLOCK, wk.chance, c * BLOCK, top, 0)
    add_inner(wk.favour, 0, side, 0, wk.w, block * BLOCK, 1)


@inlined
def add_blocks(into, at, left, right, right_at, count):
    """Inner products of `left` with `count` blocks of `right`."""
    s = 0
    while s + 7 <= count:  # a vector of each is in a register
        add_inner(into, at + 8 * s, left, 0, right, right_at + s * BLOCK, 7)
        s += 7
    if s + 4 <= count:
        add_inner(into, at + 8 * s, left, 0, right, right_at + s * BLOCK, 4)
        s += 4
    if s + 2 <= count:
        add_inner(into, at + 8 * s, left, 0, right, right_at + s * BLOCK, 2)
        s += 2
    if s < count:
        add_inner(into, at + 8 * s, left, 0, right, right_at + s * BLOCK, 1)


@compiled
def sum_of_eight(parts, at):
    """In a fixed order."""
    return ((parts[at] + parts[at + 1]) + (parts[at + 2] + parts[at + 3])) + (
        (parts[at + 4] + parts[at + 5]) + (parts[at + 6] + parts[at + 7])
    )


@compiled
def evaluate_multinomial(wk, beta, columns, keep):
    """Log likelihood at `beta`, with score and packed information of the first `columns` columns: all of
    them, or all but the feature.

    `keep`: this is the base model with a column of 0 for the feature, which every feature starts from.
    """
    others = wk.present.size - 1
    d = wk.pulls.size // (8 * others)
    t, base = columns * (columns + 1) // 2, d * (d - 1) // 2
    wk.sums[:] = 0.0
    wk.pulls[:] = 0.0
    wk.favour[:] = 0.0
    chance, side, total, z, w, own, turned = wk.chance, wk.side, wk.total, wk.z, wk.w, wk.own, wk.top
    loglik, common = 0.0, wk.common[0]
    for block in range(w.size // BLOCK):
        rows, first = block * BLOCK, block * d * BLOCK
        chances(wk, block, beta, columns)
        if common > 0.0 and others < MOST_TOGETHER:  # one logarithm for the product
            wk.product[:] = 1.0
            for r in range(0, BLOCK, 8):
                for lane in range(8):
                    wk.product[lane] *= total[r + lane]
            whole = 1.0
            for lane in range(8):
                whole *= wk.product[lane]
            loglik -= common * np.log(whole)
        else:
            for r in range(BLOCK):
                if w[rows + r] > 0.0:
                    loglik -= w[rows + r] * np.log(total[r])
        pair = 0
        for c in range(others):
            seen, here = (block * others + c) * BLOCK, c * BLOCK
            for r in range(BLOCK):
                side[r] = w[rows + r] * (own[seen + r] - chance[here + r])
            add_blocks(wk.pulls, c * d * 8, side, z, first, columns)
            if keep:
                wk.base_gap[seen : seen + BLOCK] = side
                wk.base_chance[seen : seen + BLOCK] = chance[here : here + BLOCK]
            for e in range(c + 1):
                unit = 1.0 if c == e else 0.0
                for r in range(BLOCK):
                    side[r] = w[rows + r] * chance[here + r] * (unit - chance[e * BLOCK + r])
                if keep:
                    at = (block * (others * (others + 1) // 2) + pair) * BLOCK
                    wk.base_spread[at : at + BLOCK] = side
                add_blocks(wk.sums, pair * t * 8, side, wk.products, rows * base, base)
                if columns == d:
                    multiply_block(turned, 0, side, 0, z, first + (d - 1) * BLOCK)
                    add_blocks(wk.sums, (pair * t + base) * 8, turned, z, first, d)
                pair += 1
    if keep:
        wk.base_sums[:] = wk.sums
    unfold(wk, columns)
    return loglik + sum_of_eight(wk.favour, 0)


@compiled
def evaluate_at_base(wk):
    """What `evaluate_multinomial` finds at the base model of all rows, the feature's coefficients being 0."""
    others = wk.present.size - 1
    d, pairs = wk.pulls.size // (8 * others), others * (others + 1) // 2
    t, last = d * (d + 1) // 2, d * (d - 1) // 2
    wk.sums[:] = wk.base_sums
    wk.pulls[:] = 0.0
    for block in range(wk.w.size // BLOCK):
        first = block * d * BLOCK
        x = first + (d - 1) * BLOCK
        for c in range(others):
            wk.side[:] = wk.base_gap[(block * others + c) * BLOCK : (block * others + c + 1) * BLOCK]
            add_inner(wk.pulls, (c * d + d - 1) * 8, wk.side, 0, wk.z, x, 1)
        for pair in range(pairs):
            multiply_block(wk.side, 0, wk.base_spread, (block * pairs + pair) * BLOCK, wk.z, x)
            add_blocks(wk.sums, (pair * t + last) * 8, wk.side, wk.z, first, d)
    unfold(wk, d)


@compiled
def bends_at_base(wk, step, bends):
    """Third derivative of the log likelihood, `step` (k,) twice, into `bends` (k,), and the fourth along it.

    At the base model of all rows. They are cumulants of what a class moves by, over the classes of a row.
    """
    others = wk.present.size - 1
    d = wk.pulls.size // (8 * others)
    mean, spread, side = wk.top, wk.total, wk.side
    wk.pulls[:] = 0.0
    wk.favour[:] = 0.0
    for block in range(wk.w.size // BLOCK):
        w = wk.w[block * BLOCK : (block + 1) * BLOCK]
        predict_block(wk, block, step, d)
        mean[:] = 0.0
        for c in range(others):
            move, chance = moves_of(wk, block, c)
            for r in range(BLOCK):
                mean[r] += chance[r] * move[r]
        spread[:] = mean * mean  # class 0 does not move: 1 - the other chances at -mean
        side[:] = spread * spread
        for c in range(others):
            move, chance = moves_of(wk, block, c)
            for r in range(BLOCK):
                square, moved = (move[r] - mean[r]) ** 2, mean[r] ** 2
                move[r] = square
                spread[r] += chance[r] * (square - moved)
                side[r] += chance[r] * (square * square - moved * moved)
        for r in range(BLOCK):
            side[r] -= 3.0 * spread[r] * spread[r]
        add_inner(wk.favour, 0, side, 0, wk.w, block * BLOCK, 1)
        for c in range(others):
            square, chance = moves_of(wk, block, c)
            for r in range(BLOCK):
                side[r] = w[r] * chance[r] * (spread[r] - square[r])
            add_blocks(wk.pulls, c * d * 8, side, wk.z, block * d * BLOCK, d)
    for a in range(d):
        for c in range(others):
            bends[a * others + c] = sum_of_eight(wk.pulls, (c * d + a) * 8)
    return -sum_of_eight(wk.favour, 0)


@inlined
def moves_of(wk, block, c):
    """Of one block and class: its part of `wk.eta`, and its chances at the base model."""
    at = (block * (wk.present.size - 1) + c) * BLOCK
    return wk.eta[c * BLOCK : (c + 1) * BLOCK], wk.base_chance[at : at + BLOCK]


@compiled
def unfold(wk, columns):
    """Score and packed information from the sums by class and pair of classes."""
    others = wk.present.size - 1
    d, t = wk.pulls.size // (8 * others), columns * (columns + 1) // 2
    for a in range(columns):
        for c in range(others):
            row = a * others + c
            wk.score[row] = sum_of_eight(wk.pulls, (c * d + a) * 8)
            for b in range(a + 1):
                for e in range(others if b < a else c + 1):
                    high, low = max(c, e), min(c, e)
                    at = ((high * (high + 1) // 2 + low) * t + a * (a + 1) // 2 + b) * 8
                    wk.info[row * (row + 1) // 2 + b * others + e, 0] = sum_of_eight(wk.sums, at)
