"""Compiled fits of Cox models: one block of lanes, a whole screen, a single model."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .columns import base_products, fill_base, fill_lanes, judge_lanes, log_scales, start_lanes
from .compiled import compiled, inlined
from .cox_firth import add_firth_cox
from .cox_likelihood import evaluate_cox, new_work
from .newton import (
    LANES,
    RUNNING,
    advance,
    factor,
    find_live,
    new_newton,
    restart,
    resume,
    solve,
    standard_error,
)
from .profile import begin_search, free_now, lanes_to_search, new_search, search_on, write_bounds
from .risk_sets import make_risk_sets
from .screen_fit import NOT_CONVERGED, NOTHING_TO_FIT, OK


class CoxData(NamedTuple):
    """Everything about the rows that does not change from fit to fit."""

    order: np.ndarray  # rows by stratum, time from last to first; rows never at risk left out
    entry_order: np.ndarray  # the same by entry; empty without delayed entry
    time: np.ndarray
    event: np.ndarray
    stratum: np.ndarray
    entry: np.ndarray
    at_risk: np.ndarray  # False: the row's event counts, another row of the patient is at risk then
    base: np.ndarray
    base_centre: np.ndarray
    base_spread: np.ndarray
    features: np.ndarray
    centre: np.ndarray
    spread: np.ndarray
    observed: np.ndarray


@inlined
def risk_sets_of(data, weights):
    return make_risk_sets(
        data.order, data.entry_order, data.time, data.event, data.stratum, data.entry, data.at_risk,
        weights > 0.0,
    )  # fmt: skip


@inlined
def maximise_cox(sets, products, wk, nt, free, firth, efron):
    """Run every lane of `nt` whose status is RUNNING from its `beta`; the first `free` coefficients move."""
    for j in range(nt.status.size):
        for a in range(nt.beta.shape[0]):
            nt.trial[a, j] = nt.beta[a, j]
    first = True
    while True:
        evaluate_cox(sets, products, wk, nt.trial, efron, nt.new_loglik, nt.new_score, nt.new_info)
        if first:
            find_live(nt, wk.event_weight, free)
            first = False
        if firth:
            add_firth_cox(sets, products, wk, nt, efron)
        if not advance(nt, free, firth):
            break


@compiled
def fill_block_cox(data, sets, weights, wk, nt, first, n, events):
    """Fill lanes with the features from `first` on and set their codes; how many, and all on every row."""
    count = fill_lanes(
        sets.rows, data.features, data.observed, weights, data.centre, data.spread, first, wk.x, wk.w
    )
    complete = judge_lanes(
        sets.rows, data.event, data.features, first, count, wk.w, data.spread, n, events, nt.status
    )
    for j in range(count):
        if events[j] == 0:
            nt.status[j] = NOTHING_TO_FIT
    return count, complete


@compiled
def screen_all_cox(data, weights, firth, efron, draw):
    """The whole screen; see `CoxPlan.screen`.

    The first block fits the base columns alone. A later block fits the base model of each lane only where
    it is not that one: with a penalty, or where rows are missing.
    """
    p, q = data.features.shape[1], data.base.shape[1]
    k, lanes = q + 1, max(1, min(LANES, p))
    coef, se = np.full((p, k), np.nan), np.full(p, np.nan)
    loglik, loglik_base = np.full(p, np.nan), np.full(p, np.nan)
    code = np.full(p, NOTHING_TO_FIT, dtype=np.int8)
    n, events = np.zeros(p, np.int64), np.zeros(p, np.int64)
    sets = risk_sets_of(data, weights)
    products = base_products(sets.rows, data.base, data.base_centre, data.base_spread, False)
    wk, nt = new_work(sets.rows.size, k, lanes), new_newton(k, lanes, True, draw)
    base_beta, base_loglik, base_failed = np.zeros(q), 0.0, True
    lane_base, given = np.empty(lanes), np.empty(lanes, np.int8)
    lane_n, lane_events = np.zeros(lanes, np.int64), np.zeros(lanes, np.int64)
    for block in range(-1, (p + lanes - 1) // lanes):
        first, count, complete = block * lanes, 0, True
        if block < 0:
            fill_base(sets.rows, weights, wk, nt)
        else:
            count, complete = fill_block_cox(data, sets, weights, wk, nt, first, lane_n, lane_events)
        own_base = block < 0 or firth or base_failed or not complete
        for j in range(lanes):
            given[j] = nt.status[j]
            lane_base[j] = base_loglik
        for free in range(q if own_base else k, k if block < 0 else k + 1):
            start_lanes(nt, base_beta)
            resume(nt, given)
            maximise_cox(sets, products, wk, nt, free, firth, efron)
            for j in range(lanes):
                if free == q and given[j] == RUNNING:
                    lane_base[j] = nt.loglik[j] if nt.status[j] == OK else np.nan
        if block < 0:
            base_failed, base_loglik = nt.status[0] != OK, nt.loglik[0]
            for a in range(q):
                base_beta[a] = 0.0 if base_failed else nt.beta[a, 0]
        for j in range(count):
            at = first + j
            n[at], events[at], code[at] = lane_n[j], lane_events[j], nt.status[j]
            if nt.status[j] == OK and np.isnan(lane_base[j]):
                code[at] = NOT_CONVERGED
            if code[at] != OK:
                continue
            se[at] = standard_error(nt, j) / data.spread[at]
            scale = log_scales(nt.live, j, 0, data.base_spread, data.spread[at]) if firth else 0.0
            loglik[at], loglik_base[at] = nt.loglik[j] + scale, lane_base[j] + scale
            coef[at, q] = nt.beta[q, j] / data.spread[at]
            for a in range(q):
                coef[at, a] = nt.beta[a, j] / data.base_spread[a] if data.base_spread[a] > 0.0 else 0.0
    return coef, se, loglik, loglik_base, code, n, events


@compiled
def profile_all_cox(data, weights, firth, efron, codes, coef, target):
    """Bounds (p,), (p,) of every feature whose code is 0, its fit in `coef`; see `profile_interval_cox`."""
    p, q = data.features.shape[1], data.base.shape[1]
    k, lanes = q + 1, max(1, min(LANES, p))
    low, high = np.full(p, np.nan), np.full(p, np.nan)
    sets = risk_sets_of(data, weights)
    products = base_products(sets.rows, data.base, data.base_centre, data.base_spread, False)
    wk, nt, sr = new_work(sets.rows.size, k, lanes), new_newton(k, lanes, True), new_search(k, lanes)
    given = np.empty(lanes, np.int8)
    lane_n, lane_events = np.zeros(lanes, np.int64), np.zeros(lanes, np.int64)
    zero = np.zeros(q)
    for first in range(0, p, lanes):
        count, _ = fill_block_cox(data, sets, weights, wk, nt, first, lane_n, lane_events)
        which = np.arange(first, first + count)
        lanes_to_search(nt, codes, which, given)
        start_lanes(nt, zero)
        for j in range(count):
            if codes[first + j] == OK:
                for a in range(q):
                    nt.beta[a, j] = coef[first + j, a] * data.base_spread[a]
                nt.beta[q, j] = coef[first + j, q] * data.spread[first + j]
        begin_search(sr, nt)
        while True:
            resume(nt, given)
            maximise_cox(sets, products, wk, nt, free_now(sr, k), firth, efron)
            if not search_on(sr, nt, given, firth, target):
                break
        write_bounds(sr, which, data.spread, low, high)
    return low, high


@compiled
def fit_one_cox(data, weights, firth, efron, base_only):
    """One model with all its columns, or with the base columns only: scaled state in lane 0; see `fit_cox`.

    With `base_only` a base column may run away: the fit then ends close to its limit.
    """
    k = data.base.shape[1] + 1
    sets = risk_sets_of(data, weights)
    products = base_products(sets.rows, data.base, data.base_centre, data.base_spread, False)
    wk, nt = new_work(sets.rows.size, k, 1), new_newton(k, 1, base_only)
    fill_lanes(sets.rows, data.features, data.observed, weights, data.centre, data.spread, 0, wk.x, wk.w)
    restart(nt)
    evaluate_cox(sets, products, wk, nt.trial, efron, nt.new_loglik, nt.new_score, nt.new_info)
    find_live(nt, wk.event_weight, k - 1 if base_only else k)
    factor(nt.new_info, 0, k, nt.live, 0.0, nt.low)
    for a in range(k):
        nt.vector[a] = nt.new_score[a, 0]
    solve(nt.low, k, nt.vector)
    score_chi2 = 0.0
    for a in range(k):
        score_chi2 += nt.vector[a] * nt.new_score[a, 0]
    if firth:
        add_firth_cox(sets, products, wk, nt, efron)
    loglik_null = nt.new_loglik[0]
    if sets.deaths.size > 0:
        maximise_cox(sets, products, wk, nt, k - 1 if base_only else k, firth, efron)
    else:
        nt.status[0] = NOTHING_TO_FIT
    return nt, loglik_null, score_chi2, sets.rows.size, sets.deaths.size
