"""Cox models for many features with shared covariates: one compiled call for the whole screen.

`CoxPlan` sorts once; `plan.screen(weights)` fits every feature and is what a bootstrap calls again and
again. `screen_cox` is the same for a single use, `fit_cox` one model with any number of columns.
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
)
from .compiled import compiled
from .cox_firth import add_firth_cox
from .cox_likelihood import evaluate_cox, new_work
from .newton import LANES, RUNNING, advance, factor, find_live, new_newton, restart
from .risk_sets import make_risk_sets
from .screen_fit import CONSTANT, NOTHING_TO_FIT, OK, ScreenFit, signed_root


class CoxFit(NamedTuple):
    """One Cox model with k columns.

    coef : (k,) log hazard ratios in the caller's units; 0 for a column without information.
    covariance : (k, k) inverse information; NaN in the rows of a column without information.
    loglik, loglik_null : log partial likelihood at `coef` and at 0; both penalised with Firth.
    score_chi2 : score test of all columns at 0, with as many degrees of freedom as columns with
        information; of the unpenalised likelihood.
    code : 0, or why there is no estimate (`screen_fit.REASONS`; 1 and 4 refer to the last column).
    converged : code is 0.
    iterations : evaluations with an accepted step.
    n, events : rows used and events among them.
    """

    coef: np.ndarray
    covariance: np.ndarray
    loglik: float
    loglik_null: float
    score_chi2: float
    code: int
    converged: bool
    iterations: int
    n: int
    events: int


@compiled
def maximise_cox(sets, products, wk, nt, hold, firth, efron):
    """Run every lane of `nt` whose status is RUNNING, from `nt.beta`, to its end.

    `hold` keeps the feature's coefficient (the last) where it is.
    """
    for j in range(LANES):
        for a in range(nt.beta.shape[0]):
            nt.trial[a, j] = nt.beta[a, j]
    first = True
    while True:
        evaluate_cox(sets, products, wk, nt.trial, efron, nt.new_loglik, nt.new_score, nt.new_info)
        if first:
            find_live(nt, wk.event_weight, hold)
            first = False
        if firth:
            add_firth_cox(sets, products, wk, nt, efron)
        if not advance(nt, hold, firth):
            break


@compiled
def fit_base_cox(sets, products, wk, nt, weights, firth, efron):
    """Fit the base columns alone on all rows; coefficients and log likelihood are in lane 0 of `nt`."""
    for i in range(sets.rows.size):
        for j in range(LANES):
            wk.x[i, j] = 0.0
            wk.w[i, j] = weights[sets.rows[i]]
    nt.beta[:] = 0.0
    restart(nt)
    maximise_cox(sets, products, wk, nt, True, firth, efron)


@compiled
def screen_block_cox(sets, products, wk, nt, base_beta, complete, firth, efron, loglik_base):
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
        maximise_cox(sets, products, wk, nt, True, firth, efron)
        for j in range(LANES):
            if given[j] == RUNNING:
                loglik_base[j] = nt.loglik[j]
                if nt.status[j] != OK:
                    given[j] = nt.status[j]
    restart(nt)
    for j in range(LANES):
        if given[j] != RUNNING:
            nt.status[j] = given[j]
    maximise_cox(sets, products, wk, nt, False, firth, efron)


@compiled
def count_lanes(sets, event, w, n, events):
    n[:] = 0
    events[:] = 0
    for i in range(sets.rows.size):
        for j in range(LANES):
            if w[i, j] > 0.0:
                n[j] += 1
                if event[sets.rows[i]]:
                    events[j] += 1


@compiled
def judge_lanes(features, observed, rows, weights, first, count, events, spread, status):
    """Codes known before any fit: no events, or a feature that does not vary on the rows used."""
    for j in range(status.size):
        status[j] = NOTHING_TO_FIT
        if j >= count or events[j] == 0:
            continue
        low, high = np.inf, -np.inf
        for i in range(rows.size):
            if observed[rows[i], first + j]:
                low = min(low, features[rows[i], first + j])
                high = max(high, features[rows[i], first + j])
        status[j] = RUNNING if high > low and spread[first + j] > 0.0 else CONSTANT


@compiled
def screen_all_cox(
    order,
    entry_order,
    time,
    event,
    stratum,
    entry,
    base,
    base_centre,
    base_spread,
    features,
    centre,
    spread,
    observed,
    weights,
    firth,
):
    """The whole screen; see `CoxPlan.screen`."""
    p, q = features.shape[1], base.shape[1]
    k = q + 1
    coef, se = np.full((p, k), np.nan), np.full(p, np.nan)
    loglik, loglik_base = np.full(p, np.nan), np.full(p, np.nan)
    code = np.full(p, NOTHING_TO_FIT, dtype=np.int8)
    n, events = np.zeros(p, np.int64), np.zeros(p, np.int64)
    sets = make_risk_sets(order, entry_order, time, event, stratum, entry, weights > 0.0)
    products = base_products(sets.rows, base, base_centre, base_spread, False)
    wk, nt = new_work(sets.rows.size, k), new_newton(k)
    fit_base_cox(sets, products, wk, nt, weights, firth, True)
    base_beta, base_loglik = nt.beta[:, 0].copy(), nt.loglik[0]
    if nt.status[0] != OK:
        base_beta[:] = 0.0
    base_failed = nt.status[0] != OK
    lane_base = np.empty(LANES)
    lane_n, lane_events = np.zeros(LANES, np.int64), np.zeros(LANES, np.int64)
    for first in range(0, p, LANES):
        count = fill_lanes(sets.rows, features, observed, weights, centre, spread, first, wk.x, wk.w)
        count_lanes(sets, event, wk.w, lane_n, lane_events)
        judge_lanes(features, observed, sets.rows, weights, first, count, lane_events, spread, nt.status)
        complete = not base_failed
        for j in range(count):
            if lane_n[j] < sets.rows.size:
                complete = False
        lane_base[:] = base_loglik
        screen_block_cox(sets, products, wk, nt, base_beta, complete, firth, True, lane_base)
        for j in range(count):
            at = first + j
            n[at], events[at], code[at] = lane_n[j], lane_events[j], nt.status[j]
            if nt.status[j] != OK:
                continue
            factor(nt.info, j, k, nt.live, 0.0, nt.low)
            se[at] = 1.0 / (nt.low[k - 1, k - 1] * spread[at])
            loglik[at], loglik_base[at] = nt.loglik[j], lane_base[j]
            coef[at, q] = nt.beta[q, j] / spread[at]
            for a in range(q):
                coef[at, a] = nt.beta[a, j] / base_spread[a] if base_spread[a] > 0.0 else 0.0
    return coef, se, loglik, loglik_base, code, n, events


class CoxPlan:
    """Rows sorted and columns scaled, ready to be fitted with any case weights.

    Parameters
    ----------
    time : array (n,), follow-up in the caller's unit
    event : array (n,), 1 = event, 0 = censored
    base : array (n, q) or None, covariates of every model; finite
    features : array (n, p), one model each; a value that is not finite is missing
    entry : array (n,) or None, time from which a row is at risk: on (entry, time]
    stratum : int array (n,) or None
    observed : bool array (n, p) or None, False leaves a feature's row out of both its models

    A row with entry >= time is never at risk and is left out.

    Raises
    ------
    ValueError
        Shapes differ, or time, event, base, entry are not finite, or event is not 0/1.
    """

    def __init__(self, time, event, base, features, *, entry=None, stratum=None, observed=None):
        n = np.shape(time)[0]
        self.time = as_column(time, n, "time")
        status = as_column(event, n, "event")
        if not np.isin(status, (0.0, 1.0)).all():
            raise ValueError("event must be 0 or 1")
        self.event = status == 1.0
        self.base = as_matrix(base, n, "base")
        if not np.isfinite(self.base).all():
            raise ValueError("base must be finite")
        self.features = as_matrix(features, n, "features")
        self.observed = as_observed(observed, self.features)
        self.stratum = np.zeros(n, np.int64) if stratum is None else np.asarray(stratum).astype(np.int64)
        if self.stratum.shape != (n,):
            raise ValueError(f"stratum must have shape ({n},), found {self.stratum.shape}")
        rows = np.lexsort((-self.time, self.stratum))
        self.entry = np.empty(0)
        self.entry_order = np.empty(0, np.int64)
        usable = np.ones(n, dtype=bool)
        if entry is not None:
            self.entry = as_column(entry, n, "entry")
            usable = self.entry < self.time
            by_entry = np.lexsort((-self.entry, self.stratum))
            self.entry_order = np.ascontiguousarray(by_entry[usable[by_entry]])
        self.order = np.ascontiguousarray(rows[usable[rows]])
        every_base = np.ones(self.base.shape, dtype=bool)
        self.base_centre, self.base_spread = column_scales(self.base, usable, every_base)
        self.centre, self.spread = column_scales(self.features, usable, self.observed)

    def screen(self, weights=None, *, firth: bool = False) -> ScreenFit:
        """Fit every feature with case weights (n,); a row of weight 0 does not exist.

        Ties are Efron's: d counts rows and a weight is not a repetition, so weights 2 differ from rows
        written twice, which would be ties. Estimates start at the base model.
        """
        weights = as_weights(weights, self.time.size)
        coef, se, loglik, loglik_base, code, n, events = screen_all_cox(
            self.order,
            self.entry_order,
            self.time,
            self.event,
            self.stratum,
            self.entry,
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


def screen_cox(
    time,
    event,
    base,
    features,
    *,
    weights=None,
    entry=None,
    stratum=None,
    observed=None,
    firth: bool = False,
) -> ScreenFit:
    """One Cox model per feature, adjusted for the base columns; arguments as for `CoxPlan`."""
    plan = CoxPlan(time, event, base, features, entry=entry, stratum=stratum, observed=observed)
    return plan.screen(weights, firth=firth)
