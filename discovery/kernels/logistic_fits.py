"""Compiled fits of logistic models: one block of lanes, a whole screen, a single model."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .columns import base_products, fill_lanes, judge_lanes, log_scales, quadratic_form
from .compiled import compiled
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
from .screen_fit import NOTHING_TO_FIT, OK


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
    for i in range(m):
        for j in range(lanes):
            eta[i, j] = x[i, j] * beta[q, j]
        for a in range(q):
            z = products[i, 1 + a]
            for j in range(lanes):
                eta[i, j] += z * beta[a, j]
        yi = wk.y[i]
        for j in range(lanes):
            wk.event_weight[j] += w[i, j]
        for j in range(lanes):
            shrunk = np.exp(-abs(eta[i, j]))
            high = 1.0 / (1.0 + shrunk)
            mu = high if eta[i, j] >= 0.0 else shrunk * high
            loglik[j] += w[i, j] * (min(eta[i, j], 0.0) - (1.0 - yi) * eta[i, j] + np.log(high))
            v[i, j] = w[i, j] * shrunk * high * high
            other = shrunk * high if eta[i, j] >= 0.0 else high  # 1 - mu without cancellation
            residual[i, j] = w[i, j] * (other if yi > 0.5 else -mu)
            skew[i, j] = 0.5 - mu


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


@compiled
def maximise_logistic(products, wk, nt, free, firth):
    """Run every lane of `nt` whose status is RUNNING from its `beta`; the first `free` coefficients move."""
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
        add_score(products, q, wk.x, wk.residual, nt.new_score)
        if not advance(nt, free, firth):
            break


@compiled
def fit_base_logistic(rows, products, wk, nt, weights, firth):
    """Fit intercept and base columns alone on all rows; the result is in lane 0 of `nt`."""
    for i in range(rows.size):
        for j in range(nt.status.size):
            wk.x[i, j] = 0.0
            wk.w[i, j] = weights[rows[i]]
    for a in range(nt.beta.shape[0]):
        for j in range(nt.status.size):
            nt.beta[a, j] = 0.0
    restart(nt)
    maximise_logistic(products, wk, nt, nt.beta.shape[0] - 1, firth)


@compiled
def fit_block_logistic(products, wk, nt, base_beta, own_base, firth, loglik_base):
    """Fit one filled block; lanes that must not run carry their code in `nt.status` already.

    With `own_base` each lane's base model is fitted anew, else `loglik_base` is right as it stands.
    """
    k, lanes = nt.beta.shape
    given = nt.status.copy()
    for j in range(lanes):
        for a in range(k - 1):
            nt.beta[a, j] = base_beta[a]
        nt.beta[k - 1, j] = 0.0
    if own_base:
        resume(nt, given)
        maximise_logistic(products, wk, nt, k - 1, firth)
        for j in range(lanes):
            if given[j] == RUNNING:
                loglik_base[j] = nt.loglik[j]
                if nt.status[j] != OK:
                    given[j] = nt.status[j]
    resume(nt, given)
    maximise_logistic(products, wk, nt, k, firth)


@compiled
def judge_outcome(n, events, status):
    """Nothing can be fitted where all outcomes are equal."""
    for j in range(status.size):
        if events[j] == 0 or events[j] == n[j]:
            status[j] = NOTHING_TO_FIT


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
def screen_all_logistic(data, weights, firth):
    """The whole screen; see `LogisticPlan.screen`."""
    p, k = data.features.shape[1], data.base.shape[1] + 2
    coef, se = np.full((p, k), np.nan), np.full(p, np.nan)
    loglik, loglik_base = np.full(p, np.nan), np.full(p, np.nan)
    code = np.full(p, NOTHING_TO_FIT, dtype=np.int8)
    n, events = np.zeros(p, np.int64), np.zeros(p, np.int64)
    rows = np.flatnonzero(weights > 0.0)
    products = base_products(rows, data.base, data.base_centre, data.base_spread, True)
    lanes = max(1, min(LANES, p))
    wk, nt = new_logistic_work(rows, data.event, k, lanes), new_newton(k, lanes, True)
    fit_base_logistic(rows, products, wk, nt, weights, firth)
    base_beta, base_loglik, base_failed = nt.beta[: k - 1, 0].copy(), nt.loglik[0], nt.status[0] != OK
    if base_failed:
        base_beta[:] = 0.0
    lane_base = np.empty(lanes)
    lane_n, lane_events = np.zeros(lanes, np.int64), np.zeros(lanes, np.int64)
    for first in range(0, p, lanes):
        count = fill_lanes(
            rows, data.features, data.observed, weights, data.centre, data.spread, first, wk.x, wk.w
        )
        complete = judge_lanes(
            rows, data.event, data.features, first, count, wk.w, data.spread, lane_n, lane_events, nt.status
        )
        judge_outcome(lane_n, lane_events, nt.status)
        for j in range(lanes):
            lane_base[j] = base_loglik
        own_base = firth or base_failed or not complete
        fit_block_logistic(products, wk, nt, base_beta, own_base, firth, lane_base)
        for j in range(count):
            at = first + j
            n[at], events[at], code[at] = lane_n[j], lane_events[j], nt.status[j]
            if nt.status[j] != OK:
                continue
            se[at] = standard_error(nt, j) / data.spread[at]
            scale = log_scales(nt.live, j, 1, data.base_spread, data.spread[at]) if firth else 0.0
            loglik[at], loglik_base[at] = nt.loglik[j] + scale, lane_base[j] + scale
            to_callers_units(nt.beta, j, data, at, coef[at])
    return coef, se, loglik, loglik_base, code, n, events


@compiled
def fit_one_logistic(data, weights, firth):
    """One model, all of whose columns are wanted: scaled state in lane 0; see `fit_logistic`."""
    k = data.base.shape[1] + 2
    rows = np.flatnonzero(weights > 0.0)
    products = base_products(rows, data.base, data.base_centre, data.base_spread, True)
    wk, nt = new_logistic_work(rows, data.event, k, 1), new_newton(k, 1, False)
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
        maximise_logistic(products, wk, nt, 1, firth)
        loglik_null = nt.loglik[0]
        restart(nt)
        maximise_logistic(products, wk, nt, k, firth)
    return nt, loglik_null, rows.size, events
