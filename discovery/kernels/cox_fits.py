"""Compiled fits of Cox models: one block of lanes, a whole screen, a single model."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .columns import base_products, fill_lanes, judge_lanes, log_scales
from .compiled import compiled
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
from .risk_sets import make_risk_sets
from .screen_fit import NOTHING_TO_FIT, OK


class CoxData(NamedTuple):
    """Everything about the rows that does not change from fit to fit."""

    order: np.ndarray  # rows by stratum, time from last to first; rows never at risk left out
    entry_order: np.ndarray  # the same by entry; empty without delayed entry
    time: np.ndarray
    event: np.ndarray
    stratum: np.ndarray
    entry: np.ndarray
    base: np.ndarray
    base_centre: np.ndarray
    base_spread: np.ndarray
    features: np.ndarray
    centre: np.ndarray
    spread: np.ndarray
    observed: np.ndarray


@compiled
def risk_sets_of(data, weights):
    return make_risk_sets(
        data.order, data.entry_order, data.time, data.event, data.stratum, data.entry, weights > 0.0
    )


@compiled
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
def fit_base_cox(sets, products, wk, nt, weights, firth, efron):
    """Fit the base columns alone on all rows; coefficients and log likelihood are in lane 0 of `nt`."""
    for i in range(sets.rows.size):
        for j in range(nt.status.size):
            wk.x[i, j] = 0.0
            wk.w[i, j] = weights[sets.rows[i]]
    nt.beta[:] = 0.0
    restart(nt)
    maximise_cox(sets, products, wk, nt, nt.beta.shape[0] - 1, firth, efron)


@compiled
def fit_block_cox(sets, products, wk, nt, base_beta, own_base, firth, efron, loglik_base):
    """Fit one filled block; lanes that must not run carry their code in `nt.status` already.

    With `own_base` each lane's base model is fitted anew, else `loglik_base` is right as it stands.
    """
    k = nt.beta.shape[0]
    given = nt.status.copy()
    for j in range(nt.status.size):
        for a in range(k - 1):
            nt.beta[a, j] = base_beta[a]
        nt.beta[k - 1, j] = 0.0
    if own_base:
        resume(nt, given)
        maximise_cox(sets, products, wk, nt, k - 1, firth, efron)
        for j in range(nt.status.size):
            if given[j] == RUNNING:
                loglik_base[j] = nt.loglik[j]
                if nt.status[j] != OK:
                    given[j] = nt.status[j]
    resume(nt, given)
    maximise_cox(sets, products, wk, nt, k, firth, efron)


@compiled
def screen_all_cox(data, weights, firth, efron):
    """The whole screen; see `CoxPlan.screen`."""
    p, q = data.features.shape[1], data.base.shape[1]
    k = q + 1
    coef, se = np.full((p, k), np.nan), np.full(p, np.nan)
    loglik, loglik_base = np.full(p, np.nan), np.full(p, np.nan)
    code = np.full(p, NOTHING_TO_FIT, dtype=np.int8)
    n, events = np.zeros(p, np.int64), np.zeros(p, np.int64)
    sets = risk_sets_of(data, weights)
    products = base_products(sets.rows, data.base, data.base_centre, data.base_spread, False)
    lanes = max(1, min(LANES, p))
    wk, nt = new_work(sets.rows.size, k, lanes), new_newton(k, lanes, True)
    fit_base_cox(sets, products, wk, nt, weights, firth, efron)
    base_beta, base_loglik, base_failed = nt.beta[:q, 0].copy(), nt.loglik[0], nt.status[0] != OK
    if base_failed:
        base_beta[:] = 0.0
    lane_base = np.empty(lanes)
    lane_n, lane_events = np.zeros(lanes, np.int64), np.zeros(lanes, np.int64)
    for first in range(0, p, lanes):
        count = fill_lanes(
            sets.rows, data.features, data.observed, weights, data.centre, data.spread, first, wk.x, wk.w
        )
        complete = judge_lanes(
            sets.rows,
            data.event,
            data.features,
            first,
            count,
            wk.w,
            data.spread,
            lane_n,
            lane_events,
            nt.status,
        )
        for j in range(count):
            if lane_events[j] == 0:
                nt.status[j] = NOTHING_TO_FIT
        lane_base[:] = base_loglik
        own_base = firth or base_failed or not complete
        fit_block_cox(sets, products, wk, nt, base_beta, own_base, firth, efron, lane_base)
        for j in range(count):
            at = first + j
            n[at], events[at], code[at] = lane_n[j], lane_events[j], nt.status[j]
            if nt.status[j] != OK:
                continue
            se[at] = standard_error(nt, j) / data.spread[at]
            scale = 0.0
            if firth:
                scale = log_scales(nt.live, j, 0, data.base_spread, data.spread[at])
            loglik[at], loglik_base[at] = nt.loglik[j] + scale, lane_base[j] + scale
            coef[at, q] = nt.beta[q, j] / data.spread[at]
            for a in range(q):
                coef[at, a] = nt.beta[a, j] / data.base_spread[a] if data.base_spread[a] > 0.0 else 0.0
    return coef, se, loglik, loglik_base, code, n, events


@compiled
def fit_one_cox(data, weights, firth, efron):
    """One model, all of whose columns are wanted: scaled state in lane 0; see `fit_cox`."""
    k = data.base.shape[1] + 1
    sets = risk_sets_of(data, weights)
    products = base_products(sets.rows, data.base, data.base_centre, data.base_spread, False)
    wk, nt = new_work(sets.rows.size, k, 1), new_newton(k, 1, False)
    fill_lanes(sets.rows, data.features, data.observed, weights, data.centre, data.spread, 0, wk.x, wk.w)
    restart(nt)
    evaluate_cox(sets, products, wk, nt.trial, efron, nt.new_loglik, nt.new_score, nt.new_info)
    find_live(nt, wk.event_weight, k)
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
        maximise_cox(sets, products, wk, nt, k, firth, efron)
    else:
        nt.status[0] = NOTHING_TO_FIT
    return nt, loglik_null, score_chi2, sets.rows.size, sets.deaths.size
