"""Compiled fits of single logistic models, plain or with Firth's penalty."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .columns import base_products, fill_lanes, quadratic_form
from .compiled import compiled, inlined
from .logistic_pass import log_up_to_two
from .newton import RUNNING, advance, find_live, inverse_and_log_determinant, new_newton, restart
from .screen_fit import NOTHING_TO_FIT, SEPARATED
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
                        nt.new_info, j, k, nt.live, nt.low, wk.inverse
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
def to_callers_units(beta, j, data, at, coef):
    """Undo the scaling of lane `j`: intercept first, base columns, the feature last."""
    k = coef.size
    coef[k - 1] = beta[k - 1, j] / data.spread[at]
    coef[0] = beta[0, j] - coef[k - 1] * data.centre[at]
    for a in range(k - 2):
        coef[1 + a] = beta[1 + a, j] / data.base_spread[a] if data.base_spread[a] > 0.0 else 0.0
        coef[0] -= coef[1 + a] * data.base_centre[a]


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
