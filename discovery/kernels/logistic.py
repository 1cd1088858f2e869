"""Logistic models for many features with shared covariates, plain or with Firth's penalty.

Firth (1993), Biometrika 80:27-38; the penalised likelihood-ratio test of Heinze & Schemper (2002), Stat Med
21:2409-2419: the model without the feature keeps the penalty of the whole design.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .columns import (
    as_column,
    as_matrix,
    as_observed,
    as_weights,
    base_products,
    column_scales,
    fill_lanes,
    quadratic_form,
)
from .compiled import compiled
from .newton import (
    LANES,
    RUNNING,
    advance,
    factor,
    find_live,
    inverse_and_log_determinant,
    new_newton,
    restart,
)
from .screen_fit import CONSTANT, NOTHING_TO_FIT, OK, ScreenFit, signed_root


class LogisticFit(NamedTuple):
    """One logistic model with an intercept and k columns.

    coef : (1 + k,) log odds, intercept first, in the caller's units; 0 for a column without information.
    covariance : (1 + k, 1 + k) inverse information; NaN in the rows of a column without information.
    loglik, loglik_null : log likelihood at `coef` and with the intercept alone; with Firth each is
        penalised by the information of its own design.
    code : 0, or why there is no estimate (`screen_fit.REASONS`; 1 and 4 refer to the last column).
    n, events : rows used, and those with y = 1.
    """

    coef: np.ndarray
    covariance: np.ndarray
    loglik: float
    loglik_null: float
    code: int
    converged: bool
    iterations: int
    n: int
    events: int


class LogisticWork(NamedTuple):
    """Scratch of one block."""

    x: np.ndarray  # (m, lanes) scaled feature
    w: np.ndarray  # (m, lanes) weights, 0 where the feature is missing
    y: np.ndarray  # (m,)
    v: np.ndarray  # (m, lanes) w mu (1 - mu)
    residual: np.ndarray  # (m, lanes) w (y - mu), with Firth's term added where asked
    skew: np.ndarray  # (m, lanes) .5 - mu
    form: np.ndarray  # (m, lanes) x' H x
    inverse: np.ndarray  # (k (k + 1) / 2, lanes)
    event_weight: np.ndarray  # (lanes,)


@compiled
def new_logistic_work(rows, y, k):
    m = rows.size
    outcome = np.empty(m)
    for i in range(m):
        outcome[i] = y[rows[i]]
    return LogisticWork(
        np.zeros((m, LANES)),
        np.zeros((m, LANES)),
        outcome,
        np.zeros((m, LANES)),
        np.zeros((m, LANES)),
        np.zeros((m, LANES)),
        np.zeros((m, LANES)),
        np.zeros((k * (k + 1) // 2, LANES)),
        np.zeros(LANES),
    )


@compiled
def logistic_score(products, x, residual, score):
    """score = sum of residual x over the rows."""
    k = score.shape[0]
    score[:] = 0.0
    for i in range(x.shape[0]):
        for a in range(k - 1):
            z = products[i, 1 + a]
            for j in range(LANES):
                score[a, j] += z * residual[i, j]
        for j in range(LANES):
            score[k - 1, j] += residual[i, j] * x[i, j]


@compiled
def evaluate_logistic(products, wk, nt, firth, first, hold):
    """Write log likelihood, score and information at `nt.trial`, penalised when asked."""
    k = nt.beta.shape[0]
    q = k - 1
    x, w, v, residual, info = wk.x, wk.w, wk.v, wk.residual, nt.new_info
    nt.new_loglik[:] = 0.0
    wk.event_weight[:] = 0.0
    info[:] = 0.0
    eta = np.empty(LANES)
    last = q * (q + 1) // 2
    for i in range(x.shape[0]):
        yi = wk.y[i]
        for j in range(LANES):
            eta[j] = x[i, j] * nt.trial[q, j]
        for a in range(q):
            z = products[i, 1 + a]
            for j in range(LANES):
                eta[j] += z * nt.trial[a, j]
        for j in range(LANES):
            shrunk = np.exp(-abs(eta[j]))
            high = 1.0 / (1.0 + shrunk)
            mu = high if eta[j] >= 0.0 else shrunk * high
            nt.new_loglik[j] += w[i, j] * (min(eta[j], 0.0) - (1.0 - yi) * eta[j] - np.log1p(shrunk))
            v[i, j] = w[i, j] * shrunk * high * high
            residual[i, j] = w[i, j] * (yi - mu) if w[i, j] > 0.0 else 0.0
            wk.skew[i, j] = 0.5 - mu
            wk.event_weight[j] += w[i, j]
        for t in range(last):
            zz = products[i, 1 + q + t]
            for j in range(LANES):
                info[t, j] += v[i, j] * zz
        for a in range(q):
            z = products[i, 1 + a]
            for j in range(LANES):
                info[last + a, j] += v[i, j] * x[i, j] * z
        for j in range(LANES):
            info[last + q, j] += v[i, j] * x[i, j] * x[i, j]
    if first:
        find_live(nt, wk.event_weight, hold)
    if firth:
        for j in range(LANES):
            if nt.status[j] == RUNNING:
                nt.new_loglik[j] += 0.5 * inverse_and_log_determinant(
                    info, j, k, nt.live, nt.low, nt.vector, wk.inverse
                )
            else:
                wk.inverse[:, j] = 0.0
        quadratic_form(products, k, x, wk.inverse, wk.form)
        for i in range(x.shape[0]):
            for j in range(LANES):
                residual[i, j] += v[i, j] * wk.form[i, j] * wk.skew[i, j]
    logistic_score(products, x, residual, nt.new_score)


@compiled
def maximise_logistic(products, wk, nt, hold, firth):
    """Run every lane of `nt` whose status is RUNNING, from `nt.beta`, to its end."""
    for j in range(LANES):
        for a in range(nt.beta.shape[0]):
            nt.trial[a, j] = nt.beta[a, j]
    evaluate_logistic(products, wk, nt, firth, True, hold)
    while advance(nt, hold, firth):
        evaluate_logistic(products, wk, nt, firth, False, hold)


@compiled
def fit_base_logistic(rows, products, wk, nt, weights, firth):
    """Fit intercept and base columns alone on all rows; the result is in lane 0 of `nt`."""
    for i in range(rows.size):
        for j in range(LANES):
            wk.x[i, j] = 0.0
            wk.w[i, j] = weights[rows[i]]
    nt.beta[:] = 0.0
    restart(nt)
    maximise_logistic(products, wk, nt, True, firth)


@compiled
def screen_block_logistic(products, wk, nt, base_beta, complete, firth, loglik_base):
    """Fit one filled block; lanes that must not run carry their code in `nt.status` already."""
    k = nt.beta.shape[0]
    given = nt.status.copy()
    for j in range(LANES):
        for a in range(k - 1):
            nt.beta[a, j] = base_beta[a]
        nt.beta[k - 1, j] = 0.0
    if firth or not complete:
        restart(nt)
        for j in range(LANES):
            if given[j] != RUNNING:
                nt.status[j] = given[j]
        maximise_logistic(products, wk, nt, True, firth)
        for j in range(LANES):
            if given[j] == RUNNING:
                loglik_base[j] = nt.loglik[j]
                if nt.status[j] != OK:
                    given[j] = nt.status[j]
    restart(nt)
    for j in range(LANES):
        if given[j] != RUNNING:
            nt.status[j] = given[j]
    maximise_logistic(products, wk, nt, False, firth)


@compiled
def judge_lanes(rows, y, features, first, count, w, spread, n, events, status):
    """Count rows and events; codes known before any fit."""
    n[:] = 0
    events[:] = 0
    for j in range(LANES):
        status[j] = NOTHING_TO_FIT
        if j >= count:
            continue
        low, high = np.inf, -np.inf
        for i in range(rows.size):
            if w[i, j] > 0.0:
                n[j] += 1
                if y[rows[i]] > 0.5:
                    events[j] += 1
                low = min(low, features[rows[i], first + j])
                high = max(high, features[rows[i], first + j])
        if 0 < events[j] < n[j]:
            status[j] = RUNNING if high > low and spread[first + j] > 0.0 else CONSTANT


@compiled
def to_callers_units(beta, j, k, base_centre, base_spread, centre, spread, coef):
    """Undo the scaling of lane `j`: intercept first, base columns, the feature last."""
    coef[k - 1] = beta[k - 1, j] / spread
    coef[0] = beta[0, j] - coef[k - 1] * centre
    for a in range(k - 2):
        coef[1 + a] = beta[1 + a, j] / base_spread[a] if base_spread[a] > 0.0 else 0.0
        coef[0] -= coef[1 + a] * base_centre[a]


@compiled
def screen_all_logistic(
    y, base, base_centre, base_spread, features, centre, spread, observed, weights, firth
):
    """The whole screen; see `screen_logistic`."""
    p, k = features.shape[1], base.shape[1] + 2
    coef, se = np.full((p, k), np.nan), np.full(p, np.nan)
    loglik, loglik_base = np.full(p, np.nan), np.full(p, np.nan)
    code = np.full(p, NOTHING_TO_FIT, dtype=np.int8)
    n, events = np.zeros(p, np.int64), np.zeros(p, np.int64)
    rows = np.flatnonzero(weights > 0.0)
    products = base_products(rows, base, base_centre, base_spread, True)
    wk, nt = new_logistic_work(rows, y, k), new_newton(k)
    fit_base_logistic(rows, products, wk, nt, weights, firth)
    base_beta, base_loglik = nt.beta[:, 0].copy(), nt.loglik[0]
    base_failed = nt.status[0] != OK
    if base_failed:
        base_beta[:] = 0.0
    lane_base = np.empty(LANES)
    lane_n, lane_events = np.zeros(LANES, np.int64), np.zeros(LANES, np.int64)
    for first in range(0, p, LANES):
        count = fill_lanes(rows, features, observed, weights, centre, spread, first, wk.x, wk.w)
        judge_lanes(rows, y, features, first, count, wk.w, spread, lane_n, lane_events, nt.status)
        complete = not base_failed
        for j in range(count):
            if lane_n[j] < rows.size:
                complete = False
        lane_base[:] = base_loglik
        screen_block_logistic(products, wk, nt, base_beta, complete, firth, lane_base)
        for j in range(count):
            at = first + j
            n[at], events[at], code[at] = lane_n[j], lane_events[j], nt.status[j]
            if nt.status[j] != OK:
                continue
            factor(nt.info, j, k, nt.live, 0.0, nt.low)
            se[at] = 1.0 / (nt.low[k - 1, k - 1] * spread[at])
            loglik[at], loglik_base[at] = nt.loglik[j], lane_base[j]
            to_callers_units(nt.beta, j, k, base_centre, base_spread, centre[at], spread[at], coef[at])
    return coef, se, loglik, loglik_base, code, n, events


class LogisticPlan:
    """Columns checked and scaled, ready to be fitted with any case weights.

    Parameters
    ----------
    y : array (n,), 0 or 1
    base : array (n, q) or None, covariates of every model, without the intercept; finite
    features : array (n, p), one model each; a value that is not finite is missing
    observed : bool array (n, p) or None, False leaves a feature's row out of both its models

    Raises
    ------
    ValueError
        Shapes differ, or y or base are not finite, or y is not 0/1.
    """

    def __init__(self, y, base, features, *, observed=None):
        n = np.shape(y)[0]
        self.y = as_column(y, n, "y")
        if not np.isin(self.y, (0.0, 1.0)).all():
            raise ValueError("y must be 0 or 1")
        self.base = as_matrix(base, n, "base")
        if not np.isfinite(self.base).all():
            raise ValueError("base must be finite")
        self.features = as_matrix(features, n, "features")
        self.observed = as_observed(observed, self.features)
        every_row = np.ones(n, dtype=bool)
        every_base = np.ones(self.base.shape, dtype=bool)
        self.base_centre, self.base_spread = column_scales(self.base, every_row, every_base)
        self.centre, self.spread = column_scales(self.features, every_row, self.observed)

    def screen(self, weights=None, *, firth: bool = False) -> ScreenFit:
        """Fit every feature with case weights (n,): weight 2 is the same as the row written twice."""
        weights = as_weights(weights, self.y.size)
        coef, se, loglik, loglik_base, code, n, events = screen_all_logistic(
            self.y,
            self.base,
            self.base_centre,
            self.base_spread,
            self.features,
            self.centre,
            self.spread,
            self.observed,
            weights,
            firth,
        )
        z = signed_root(coef[:, -1], loglik, loglik_base)
        return ScreenFit(coef, se, loglik, loglik_base, z, code, n, events)


def screen_logistic(y, base, features, *, weights=None, observed=None, firth: bool = False) -> ScreenFit:
    """One logistic model per feature, adjusted for the base columns; arguments as for `LogisticPlan`."""
    return LogisticPlan(y, base, features, observed=observed).screen(weights, firth=firth)
