"""Compiled fits of logistic models: a block of lanes, a screen with Firth's penalty, a single model."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .columns import (
    base_products,
    fill_base,
    fill_lanes,
    judge_lanes,
    log_scales,
    quadratic_form,
    start_lanes,
)
from .compiled import compiled, inlined
from .logistic_pass import log_up_to_two
from .newton import (
    LANES,
    RUNNING,
    advance,
    find_live,
    inverse_and_log_determinant,
    new_newton,
    restart,
    resume,
    standard_error,
)
from .profile import begin_search, free_now, new_search, search_on
from .screen_fit import NOT_CONVERGED, NOTHING_TO_FIT, OK, SEPARATED
from .tiles import exp_of_negative


class LogisticData(NamedTuple):
    """Everything about the rows that does not change from fit to fit."""

    event: np.ndarray
    base: np.ndarray
    base_centre: np.ndarray
    base_spread: np.ndarray
    features: np.ndarray
    centre: np.ndarray
    spread: np.ndarray
    observed: np.ndarray


class LogisticWork(NamedTuple):
    """Scratch of one block."""

    x: np.ndarray  # (m, lanes) scaled feature
    w: np.ndarray  # (m, lanes) weights, 0 where the feature is missing
    y: np.ndarray  # (m,)
    eta: np.ndarray  # (m, lanes)
    v: np.ndarray  # (m, lanes) w mu (1 - mu)
    residual: np.ndarray  # (m, lanes) w (y - mu), with Firth's term added where asked
    skew: np.ndarray  # (m, lanes) .5 - mu
    form: np.ndarray  # (m, lanes) x' H x
    inverse: np.ndarray  # (k (k + 1) / 2, lanes)
    event_weight: np.ndarray  # (lanes,) total weight: every row informs
    margin: np.ndarray  # (lanes,) smallest linear predictor in favour of the outcome seen
    row: np.ndarray  # (2, lanes) scratch


@compiled
def new_logistic_work(rows, event, k, lanes):
    m = rows.size
    y = np.empty(m)
    for i in range(m):
        y[i] = 1.0 if event[rows[i]] else 0.0
    return LogisticWork(
        np.zeros((m, lanes)),
        np.zeros((m, lanes)),
        y,
        np.zeros((m, lanes)),
        np.zeros((m, lanes)),
        np.zeros((m, lanes)),
        np.zeros((m, lanes)),
        np.zeros((m, lanes)),
        np.zeros((k * (k + 1) // 2, lanes)),
        np.zeros(lanes),
        np.zeros(lanes),
        np.zeros((2, lanes)),
    )


@compiled
def expected_and_loglik(products, wk, beta, loglik):
    """Residual w (y - mu), variance w mu (1 - mu) and log likelihood, without overflow at any eta."""
    m, lanes = wk.x.shape
    q = beta.shape[0] - 1
    x, w, eta, v, residual, skew = wk.x, wk.w, wk.eta, wk.v, wk.residual, wk.skew
    for j in range(lanes):
        loglik[j] = 0.0
        wk.event_weight[j] = 0.0
        wk.margin[j] = np.inf
    for i in range(m):
        for j in range(lanes):
            eta[i, j] = x[i, j] * beta[q, j]
        for a in range(q):
            z = products[i, 1 + a]
            for j in range(lanes):
                eta[i, j] += z * beta[a, j]
        favour = 1.0 if wk.y[i] > 0.5 else -1.0
        for j in range(lanes):
            wk.event_weight[j] += w[i, j]
        for j in range(lanes):
            if w[i, j] > 0.0:
                wk.margin[j] = min(wk.margin[j], favour * eta[i, j])
        for j in range(lanes):
            u = favour * eta[i, j]
            shrunk = exp_of_negative(-abs(u))
            high = 1.0 / (1.0 + shrunk)
            low = shrunk * high
            wrong = low if u >= 0.0 else high  # probability of the other outcome, without cancellation
            loglik[j] += w[i, j] * (min(u, 0.0) - log_up_to_two(1.0 + shrunk))
            v[i, j] = w[i, j] * (low * high)
            residual[i, j] = favour * (w[i, j] * wrong)
            skew[i, j] = favour * (wrong - 0.5)


@compiled
def add_information(products, q, x, v, row, info):
    """info = sum of v x x' over the rows, packed."""
    lanes = x.shape[1]
    last = q * (q + 1) // 2
    for t in range(info.shape[0]):
        for j in range(lanes):
            info[t, j] = 0.0
    for i in range(x.shape[0]):
        for j in range(lanes):
            row[0, j] = v[i, j] * x[i, j]
        for j in range(lanes):
            row[1, j] = row[0, j] * x[i, j]
        for t in range(last):
            value = products[i, 1 + q + t]
            for j in range(lanes):
                info[t, j] += value * v[i, j]
        for a in range(q):
            value = products[i, 1 + a]
            for j in range(lanes):
                info[last + a, j] += value * row[0, j]
        for j in range(lanes):
            info[last + q, j] += row[1, j]


@compiled
def add_score(products, q, x, residual, score):
    """score = sum of residual x over the rows."""
    lanes = x.shape[1]
    for a in range(q + 1):
        for j in range(lanes):
            score[a, j] = 0.0
    for i in range(x.shape[0]):
        for a in range(q):
            value = products[i, 1 + a]
            for j in range(lanes):
                score[a, j] += value * residual[i, j]
        for j in range(lanes):
            score[q, j] += residual[i, j] * x[i, j]


@inlined
def maximise_logistic(products, wk, nt, free, firth):
    """Run every lane of `nt` whose status is RUNNING from its `beta`; the first `free` coefficients move.

    Once the linear predictor has the sign of the outcome in every row, multiplying it by any number
    above 1 raises the likelihood: complete separation, with no finite maximum.
    """
    k, lanes = nt.beta.shape
    q = k - 1
    for a in range(k):
        for j in range(lanes):
            nt.trial[a, j] = nt.beta[a, j]
    first = True
    while True:
        expected_and_loglik(products, wk, nt.trial, nt.new_loglik)
        add_information(products, q, wk.x, wk.v, wk.row, nt.new_info)
        if first:
            find_live(nt, wk.event_weight, free)
            first = False
        if firth:
            for j in range(lanes):
                if nt.status[j] == RUNNING and nt.new_loglik[j] > -np.inf:
                    nt.new_loglik[j] += 0.5 * inverse_and_log_determinant(
                        nt.new_info, j, k, nt.live, nt.low, nt.vector, wk.inverse
                    )
                else:
                    for t in range(wk.inverse.shape[0]):
                        wk.inverse[t, j] = 0.0
            quadratic_form(products, q, wk.x, wk.inverse, wk.form)
            for i in range(wk.x.shape[0]):
                for j in range(lanes):
                    wk.residual[i, j] += wk.v[i, j] * wk.form[i, j] * wk.skew[i, j]
        elif free == k:
            for j in range(lanes):
                if nt.status[j] == RUNNING and wk.margin[j] > 0.0:
                    nt.status[j] = SEPARATED
        add_score(products, q, wk.x, wk.residual, nt.new_score)
        if not advance(nt, free, firth):
            break


@compiled
def fill_block_logistic(data, rows, weights, wk, nt, first, n, events):
    """Fill lanes with the features from `first` on and set their codes; how many there were."""
    count = fill_lanes(
        rows, data.features, data.observed, weights, data.centre, data.spread, first, wk.x, wk.w
    )
    judge_lanes(rows, data.event, data.features, first, count, wk.w, data.spread, n, events, nt.status)
    for j in range(count):
        if events[j] == 0 or events[j] == n[j]:
            nt.status[j] = NOTHING_TO_FIT
    return count


@compiled
def to_callers_units(beta, j, data, at, coef):
    """Undo the scaling of lane `j`: intercept first, base columns, the feature last."""
    k = coef.size
    coef[k - 1] = beta[k - 1, j] / data.spread[at]
    coef[0] = beta[0, j] - coef[k - 1] * data.centre[at]
    for a in range(k - 2):
        coef[1 + a] = beta[1 + a, j] / data.base_spread[a] if data.base_spread[a] > 0.0 else 0.0
        coef[0] -= coef[1 + a] * data.base_centre[a]


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
def screen_all_penalised(data, weights, draw):
    """The whole screen with Firth's penalty; see `LogisticPlan.screen`.

    The first block fits intercept and base columns alone, where the others start. The model without the
    feature has the penalty of the whole design, so each lane has its own.
    """
    p, q = data.features.shape[1], data.base.shape[1] + 1
    k, lanes = q + 1, max(1, min(LANES, p))
    coef, se = np.full((p, k), np.nan), np.full(p, np.nan)
    loglik, loglik_base = np.full(p, np.nan), np.full(p, np.nan)
    code = np.full(p, NOTHING_TO_FIT, dtype=np.int8)
    n, events = np.zeros(p, np.int64), np.zeros(p, np.int64)
    rows = np.flatnonzero(weights > 0.0)
    products = base_products(rows, data.base, data.base_centre, data.base_spread, True)
    wk, nt = new_logistic_work(rows, data.event, k, lanes), new_newton(k, lanes, True, draw)
    base_beta, lane_base = np.zeros(q), np.empty(lanes)
    given = np.empty(lanes, np.int8)
    lane_n, lane_events = np.zeros(lanes, np.int64), np.zeros(lanes, np.int64)
    for block in range(-1, (p + lanes - 1) // lanes):
        first, count = block * lanes, 0
        if block < 0:
            fill_base(rows, weights, wk, nt)
        else:
            count = fill_block_logistic(data, rows, weights, wk, nt, first, lane_n, lane_events)
        given[:] = nt.status
        lane_base[:] = np.nan
        for free in range(q, k if block < 0 else k + 1):
            start_lanes(nt, base_beta)
            resume(nt, given)
            maximise_logistic(products, wk, nt, free, True)
            for j in range(lanes):
                if free == q and given[j] == RUNNING and nt.status[j] == OK:
                    lane_base[j] = nt.loglik[j]
        if block < 0 and nt.status[0] == OK:
            base_beta[:] = nt.beta[:q, 0]
        for j in range(count):
            at = first + j
            n[at], events[at], code[at] = lane_n[j], lane_events[j], nt.status[j]
            if nt.status[j] == OK and np.isnan(lane_base[j]):
                code[at] = NOT_CONVERGED
            if code[at] != OK:
                continue
            se[at] = standard_error(nt, j) / data.spread[at]
            scale = log_scales(nt.live, j, 1, data.base_spread, data.spread[at])
            loglik[at], loglik_base[at] = nt.loglik[j] + scale, lane_base[j] + scale
            to_callers_units(nt.beta, j, data, at, coef[at])
    return coef, se, loglik, loglik_base, code, n, events


@compiled
def profile_all_penalised(data, weights, coef, codes, target):
    """Bounds (p,), (p,) of every feature whose code is 0, with Firth's penalty."""
    p, q = data.features.shape[1], data.base.shape[1] + 1
    k, lanes = q + 1, max(1, min(LANES, p))
    low, high = np.full(p, np.nan), np.full(p, np.nan)
    rows = np.flatnonzero(weights > 0.0)
    products = base_products(rows, data.base, data.base_centre, data.base_spread, True)
    wk, nt = new_logistic_work(rows, data.event, k, lanes), new_newton(k, lanes, True)
    sr = new_search(k, lanes)
    given = np.empty(lanes, np.int8)
    lane_n, lane_events = np.zeros(lanes, np.int64), np.zeros(lanes, np.int64)
    for first in range(0, p, lanes):
        count = fill_block_logistic(data, rows, weights, wk, nt, first, lane_n, lane_events)
        for j in range(lanes):
            given[j] = nt.status[j]
            if j < count and codes[first + j] != OK:
                given[j] = codes[first + j]
        begin_at(data, nt, np.arange(first, first + count), coef)
        begin_search(sr, nt)
        while True:
            resume(nt, given)
            maximise_logistic(products, wk, nt, free_now(sr, k), True)
            if not search_on(sr, nt, given, True, target):
                break
        for j in range(count):
            low[first + j], high[first + j] = sr.bound[:, j] / data.spread[first + j]
    return low, high


@compiled
def fit_one_logistic(data, weights, firth, base_only):
    """One model with all its columns, or without the feature: scaled state in lane 0; see `fit_logistic`.

    With `base_only` a base column may run away: the fit then ends close to its limit, unless nothing is left
    of any patient, because all are separated.
    """
    k = data.base.shape[1] + 2
    rows = np.flatnonzero(weights > 0.0)
    products = base_products(rows, data.base, data.base_centre, data.base_spread, True)
    wk, nt = new_logistic_work(rows, data.event, k, 1), new_newton(k, 1, base_only)
    fill_lanes(rows, data.features, data.observed, weights, data.centre, data.spread, 0, wk.x, wk.w)
    events = 0
    for i in range(rows.size):
        if data.event[rows[i]]:
            events += 1
    restart(nt)
    loglik_null = np.nan
    if events == 0 or events == rows.size:
        nt.status[0] = NOTHING_TO_FIT
    else:
        for free in (1, k - 1 if base_only else k):
            restart(nt)
            maximise_logistic(products, wk, nt, free, firth)
            if free == 1:
                loglik_null = nt.loglik[0]
        if base_only and wk.margin[0] > 0.0:
            nt.status[0] = SEPARATED
    return nt, loglik_null, rows.size, events
