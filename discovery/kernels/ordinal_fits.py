"""Compiled fits of proportional-odds models: a whole screen, profile intervals, a single model.

Parameters of a lane: the cut points between neighbouring classes, the base columns, the feature last.
logit P(Y <= c) = cut_c - eta, so that a positive coefficient goes with a higher class.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .columns import base_products, fill_base, fill_lanes, judge_lanes
from .compiled import compiled, inlined
from .newton import LANES, RUNNING, advance, find_live, new_newton, restart, resume, standard_error
from .profile import begin_search, free_now, lanes_to_search, new_search, search_on, write_bounds
from .screen_fit import NOT_CONVERGED, NOTHING_TO_FIT, OK, SEPARATED

TINY_MOVE = 1e-3  # per standard deviation; an estimate that runs away moves much further at each step


class OrdinalData(NamedTuple):
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


class OrdinalWork(NamedTuple):
    """Scratch of one block."""

    x: np.ndarray  # (m, lanes) scaled feature
    w: np.ndarray  # (m, lanes) weights, 0 where the feature is missing
    level: np.ndarray  # (m,)
    upper: np.ndarray  # (classes, lanes) cut point above a class, -1 above the highest present
    lower: np.ndarray  # (classes, lanes) cut point below a class, -1 below the lowest present
    weight: np.ndarray  # (lanes,) total weight
    row: np.ndarray  # (6, lanes) scratch


@compiled
def new_ordinal_work(rows, level, classes, lanes):
    m = rows.size
    own = np.empty(m, dtype=np.int64)
    for i in range(m):
        own[i] = level[rows[i]]
    return OrdinalWork(
        np.zeros((m, lanes)),
        np.zeros((m, lanes)),
        own,
        np.full((classes, lanes), -1, dtype=np.int64),
        np.full((classes, lanes), -1, dtype=np.int64),
        np.zeros(lanes),
        np.zeros((6, lanes)),
    )


@compiled
def place_cuts(wk, nt, start):
    """Find the classes present in each lane; with `start`, put the cut points at their empirical logits.

    A class that is absent gives up the cut point above it, which is then never used and carries no
    information.
    """
    m, lanes = wk.x.shape
    classes = wk.upper.shape[0]
    total = np.zeros((classes, lanes))
    for i in range(m):
        for j in range(lanes):
            total[wk.level[i], j] += wk.w[i, j]
    for j in range(lanes):
        wk.weight[j] = total[:, j].sum()
        before, below = -1, 0.0
        for c in range(classes):
            wk.upper[c, j] = -1
            wk.lower[c, j] = -1
            if start and c < classes - 1:
                nt.beta[c, j] = 0.0
            if not total[c, j] > 0.0:
                continue
            wk.lower[c, j] = before
            if before >= 0:
                wk.upper[before, j] = before
                if start:
                    nt.beta[before, j] = np.log(below / (wk.weight[j] - below))
            below += total[c, j]
            before = c


@compiled
def evaluate_ordinal(products, q, wk, beta, loglik, score, info):
    """Log likelihood, score and observed information (packed) of every lane at `beta`.

    The log likelihood is concave in cut points and coefficients; it is minus infinity where cut points are
    out of order.
    """
    k, lanes = beta.shape
    m, cuts = wk.x.shape[0], k - 1 - q
    eta, above, under, both, pull = wk.row[0], wk.row[1], wk.row[2], wk.row[3], wk.row[4]
    last = (k - 1) * k // 2
    loglik[:] = 0.0
    score[:] = 0.0
    info[:] = 0.0
    for i in range(m):
        for j in range(lanes):
            eta[j] = wk.x[i, j] * beta[k - 1, j]
        for a in range(q):
            z = products[i, 1 + a]
            for j in range(lanes):
                eta[j] += z * beta[cuts + a, j]
        c = wk.level[i]
        for j in range(lanes):
            w = wk.w[i, j]
            high, low = wk.upper[c, j], wk.lower[c, j]
            above[j], under[j], both[j], pull[j] = 0.0, 0.0, 0.0, 0.0
            if not w > 0.0 or (high < 0 and low < 0):
                continue
            top, rest, log_p = 1.0, 0.0, 0.0  # F(a) and 1 - F(a)
            if high >= 0:
                a = beta[high, j] - eta[j]
                shrunk = np.exp(-abs(a))
                large = 1.0 / (1.0 + shrunk)
                top = large if a >= 0.0 else shrunk * large
                rest = shrunk * large if a >= 0.0 else large
                log_p += min(a, 0.0) + np.log(large)
            bottom, left = 0.0, 1.0  # F(b) and 1 - F(b)
            if low >= 0:
                b = beta[low, j] - eta[j]
                shrunk = np.exp(-abs(b))
                large = 1.0 / (1.0 + shrunk)
                bottom = large if b >= 0.0 else shrunk * large
                left = shrunk * large if b >= 0.0 else large
                log_p += min(-b, 0.0) + np.log(large)
            ratio = 0.0
            if high >= 0 and low >= 0:
                gap = beta[high, j] - beta[low, j]
                if not gap > 0.0:
                    loglik[j] = -np.inf
                    continue
                ratio = 1.0 / np.expm1(gap)
                log_p += np.log(-np.expm1(-gap))
            loglik[j] += w * log_p
            above[j], under[j] = w * top * rest, w * bottom * left
            both[j] = above[j] + under[j]
            pull[j] = w * (bottom - rest)
            steep = w * ratio * (1.0 + ratio)
            if high >= 0:
                score[high, j] += w * (rest + ratio)
                info[high * (high + 1) // 2 + high, j] += above[j] + steep
            if low >= 0:
                score[low, j] -= w * (bottom + ratio)
                info[low * (low + 1) // 2 + low, j] += under[j] + steep
            if high >= 0 and low >= 0:
                info[high * (high + 1) // 2 + low, j] -= steep
            for a in range(q):
                z, at = products[i, 1 + a], (cuts + a) * (cuts + a + 1) // 2
                if high >= 0:
                    info[at + high, j] -= above[j] * z
                if low >= 0:
                    info[at + low, j] -= under[j] * z
            if high >= 0:
                info[last + high, j] -= above[j] * wk.x[i, j]
            if low >= 0:
                info[last + low, j] -= under[j] * wk.x[i, j]
        t = 1 + q
        for a in range(q):
            z, at = products[i, 1 + a], (cuts + a) * (cuts + a + 1) // 2 + cuts
            for j in range(lanes):
                score[cuts + a, j] += pull[j] * z
            for j in range(lanes):
                info[last + cuts + a, j] += both[j] * z * wk.x[i, j]
            for b in range(a + 1):
                value = products[i, t]
                t += 1
                for j in range(lanes):
                    info[at + b, j] += both[j] * value
        for j in range(lanes):
            score[k - 1, j] += pull[j] * wk.x[i, j]
        for j in range(lanes):
            info[last + k - 1, j] += both[j] * wk.x[i, j] * wk.x[i, j]


@inlined
def maximise_ordinal(products, q, wk, nt, free):
    """Run every lane of `nt` whose status is RUNNING from its `beta`; the first `free` parameters move."""
    for a in range(nt.beta.shape[0]):
        for j in range(nt.beta.shape[1]):
            nt.trial[a, j] = nt.beta[a, j]
    first = True
    while True:
        evaluate_ordinal(products, q, wk, nt.trial, nt.new_loglik, nt.new_score, nt.new_info)
        if first:
            find_live(nt, wk.weight, free)
            first = False
        running = advance(nt, free, False)
        for j in range(nt.status.size):
            # a feature's step that happened to be tiny while cut points still moved is no runaway
            if nt.status[j] == SEPARATED and nt.last_move[j] < TINY_MOVE and nt.iterations[j] < 20:
                nt.status[j] = RUNNING
                nt.last_move[j] = np.inf
                for a in range(free):
                    nt.trial[a, j] = nt.beta[a, j] + nt.step[a, j]
                running = True
        if not running:
            break


@compiled
def fill_block_ordinal(data, rows, weights, wk, nt, first, n, start):
    """Fill lanes with the features from `first` on and set their codes; how many, and all on every row."""
    everyone = np.ones(data.level.size, dtype=np.bool_)
    events = np.zeros(n.size, np.int64)
    count = fill_lanes(
        rows, data.features, data.observed, weights, data.centre, data.spread, first, wk.x, wk.w
    )
    complete = judge_lanes(
        rows, everyone, data.features, first, count, wk.w, data.spread, n, events, nt.status
    )
    place_cuts(wk, nt, start)
    for j in range(count):
        one = True
        for c in range(data.classes):
            if wk.upper[c, j] >= 0:
                one = False
        if one:
            nt.status[j] = NOTHING_TO_FIT
    return count, complete


@compiled
def set_start(wk, nt, base_beta, base_failed):
    """Lanes at the base fit, or with the cut points at the empirical logits; every other parameter 0."""
    place_cuts(wk, nt, True)
    k, lanes = nt.beta.shape
    cuts = wk.upper.shape[0] - 1
    for j in range(lanes):
        for a in range(k - 1):
            if not base_failed:
                nt.beta[a, j] = base_beta[a]
            elif a >= cuts:
                nt.beta[a, j] = 0.0
        nt.beta[k - 1, j] = 0.0


@compiled
def fit_base_ordinal(products, q, rows, weights, wk, nt):
    """The base model on every row in lane 0: (parameters, log likelihood, failed)."""
    fill_base(rows, weights, wk, nt)
    state = nt.status.copy()
    k = nt.beta.shape[0]
    set_start(wk, nt, np.zeros(k - 1), True)
    resume(nt, state)
    maximise_ordinal(products, q, wk, nt, k - 1)
    beta = np.zeros(k - 1)
    failed = nt.status[0] != OK
    for a in range(k - 1):
        beta[a] = nt.beta[a, 0]
    return beta, nt.loglik[0], failed


@compiled
def screen_all_ordinal(data, weights):
    """The whole screen; see `OrdinalPlan.screen`."""
    p, q = data.features.shape[1], data.base.shape[1]
    cuts = data.classes - 1
    k, lanes = cuts + q + 1, max(1, min(LANES, p))
    coef, se = np.full((p, q + 1), np.nan), np.full(p, np.nan)
    loglik, loglik_base = np.full(p, np.nan), np.full(p, np.nan)
    code, n = np.full(p, NOTHING_TO_FIT, dtype=np.int8), np.zeros(p, np.int64)
    rows = np.flatnonzero(weights > 0.0)
    products = base_products(rows, data.base, data.base_centre, data.base_spread, False)
    wk, nt = new_ordinal_work(rows, data.level, data.classes, lanes), new_newton(k, lanes, True)
    base_beta, base_loglik, base_failed = fit_base_ordinal(products, q, rows, weights, wk, nt)
    lane_base, given, lane_n = np.empty(lanes), np.empty(lanes, np.int8), np.zeros(lanes, np.int64)
    for first in range(0, p, lanes):
        count, complete = fill_block_ordinal(data, rows, weights, wk, nt, first, lane_n, True)
        for j in range(lanes):
            given[j] = nt.status[j]
            lane_base[j] = base_loglik
        for free in range(k - 1 if base_failed or not complete else k, k + 1):
            set_start(wk, nt, base_beta, base_failed)
            resume(nt, given)
            maximise_ordinal(products, q, wk, nt, free)
            for j in range(lanes):
                if free == k - 1 and given[j] == RUNNING:
                    lane_base[j] = nt.loglik[j] if nt.status[j] == OK else np.nan
        for j in range(count):
            at = first + j
            n[at], code[at] = lane_n[j], nt.status[j]
            if nt.status[j] == OK and np.isnan(lane_base[j]):
                code[at] = NOT_CONVERGED
            if code[at] != OK:
                continue
            se[at] = standard_error(nt, j) / data.spread[at]
            loglik[at], loglik_base[at] = nt.loglik[j], lane_base[j]
            coef[at, q] = nt.beta[k - 1, j] / data.spread[at]
            for a in range(q):
                own = nt.beta[cuts + a, j]
                coef[at, a] = own / data.base_spread[a] if data.base_spread[a] > 0.0 else 0.0
    return coef, se, loglik, loglik_base, code, n


@compiled
def profile_all_ordinal(data, weights, codes, target):
    """Profile-likelihood bounds (p,), (p,) of every feature whose code is 0."""
    p, q = data.features.shape[1], data.base.shape[1]
    k, lanes = data.classes + q, max(1, min(LANES, p))
    low, high = np.full(p, np.nan), np.full(p, np.nan)
    rows = np.flatnonzero(weights > 0.0)
    products = base_products(rows, data.base, data.base_centre, data.base_spread, False)
    wk, nt = new_ordinal_work(rows, data.level, data.classes, lanes), new_newton(k, lanes, True)
    base_beta, _, base_failed = fit_base_ordinal(products, q, rows, weights, wk, nt)
    sr = new_search(k, lanes)
    given = np.empty(lanes, np.int8)
    lane_n = np.zeros(lanes, np.int64)
    for first in range(0, p, lanes):
        count, _ = fill_block_ordinal(data, rows, weights, wk, nt, first, lane_n, True)
        which = np.arange(first, first + count)
        lanes_to_search(nt, codes, which, given)
        set_start(wk, nt, base_beta, base_failed)
        begin_search(sr, nt)
        while True:
            resume(nt, given)
            maximise_ordinal(products, q, wk, nt, free_now(sr, k))
            if not search_on(sr, nt, given, False, target):
                break
        write_bounds(sr, which, data.spread, low, high)
    return low, high


@compiled
def fit_one_ordinal(data, weights):
    """One model with all its columns: scaled state in lane 0, log likelihood of the cut points alone."""
    q = data.base.shape[1]
    k = data.classes + q
    cuts = data.classes - 1
    rows = np.flatnonzero(weights > 0.0)
    products = base_products(rows, data.base, data.base_centre, data.base_spread, False)
    wk, nt = new_ordinal_work(rows, data.level, data.classes, 1), new_newton(k, 1, False)
    fill_lanes(rows, data.features, data.observed, weights, data.centre, data.spread, 0, wk.x, wk.w)
    set_start(wk, nt, np.zeros(k - 1), True)
    loglik_null = np.nan
    used = False
    for c in range(data.classes):
        if wk.upper[c, 0] >= 0:
            used = True
    restart(nt)
    if not used:
        nt.status[0] = NOTHING_TO_FIT
    else:
        for free in (cuts, k):
            restart(nt)
            maximise_ordinal(products, q, wk, nt, free)
            if free == cuts:
                loglik_null = nt.loglik[0]
    return nt, loglik_null, rows.size
