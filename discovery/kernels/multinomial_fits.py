"""Compiled fits of multinomial logistic models, one feature after the other.

Parameters are ordered by column, then class: all intercepts, all classes of the first base column, and so on,
the K - 1 coefficients of the feature last. Class 0 is the one the others are compared with.
"""

from __future__ import annotations

import numpy as np

from .compiled import compiled
from .multinomial_pass import (
    TURNED,
    bends_at_base,
    evaluate_at_base,
    evaluate_multinomial,
    fill_base_columns,
    fill_feature,
    find_common,
    find_present,
    new_multinomial_work,
    total_weight,
    turn_columns,
)
from .newton import (
    COLLINEAR_PIVOT,
    CONSTANT_INFORMATION,
    CONVERGED,
    EXHAUSTED_PIVOT,
    LIMIT,
    MAX_HALVINGS,
    MAX_ITERATIONS,
    MAX_STEP,
    NEAR_LIMIT,
    RUNAWAY,
    factor,
    solve,
)
from .screen_fit import COLLINEAR, CONSTANT, NOT_CONVERGED, NOTHING_TO_FIT, OK, SEPARATED

LAST_STEP = 5e-15  # squared length in standard errors, by total weight, of a step that is the last one
MOST_BENT = 1 / 16  # squared length of J^-1 T[s, s] by that of s: beyond it the series says little
TINY_MOVE = 1e-3  # per standard deviation; an estimate that runs away moves much further at each step


@compiled
def find_live_columns(wk, k, others, weight, watched):
    """Leave out parameters without information; code of a fit whose watched columns have none."""
    for a in range(k):
        wk.live[a, 0] = 1 if wk.info[a * (a + 1) // 2 + a, 0] > CONSTANT_INFORMATION * weight else 0
    dead = True
    for a in range(k - others, k):
        if wk.live[a, 0] == 1:
            dead = False
    if watched and dead:
        return CONSTANT
    factor(wk.info, 0, k, wk.live, COLLINEAR_PIVOT, wk.low)
    for a in range(k):
        if wk.live[a, 0] == 1 and not wk.low[a, a] > 0.0:
            if watched and a >= k - others:
                return COLLINEAR
            wk.live[a, 0] = 0
    return OK


@compiled
def maximise_multinomial(wk, beta, columns, watched, base_loglik):
    """Newton on the first `columns` columns from `beta` (k,), which is changed: (code, log likelihood).

    `watched`: the last of the columns is the feature; the fit counts as separated when its coefficients
    run away at a constant pace while the likelihood has flattened out. Covariates may run away: likelihood
    and the other estimates have their limits nevertheless. With a `base_loglik`, NaN otherwise, `beta` is the
    base model of all rows.
    """
    others = wk.present.size - 1
    k = columns * others
    first = k - others if watched else k
    weight = total_weight(wk)
    loglik = base_loglik
    if np.isnan(base_loglik):
        loglik = evaluate_multinomial(wk, beta, columns, False)
    else:
        evaluate_at_base(wk)
    code = find_live_columns(wk, k, others, weight, watched)
    if code != OK:
        return code, loglik
    last_move, last_length, last_decrement = np.inf, np.inf, np.inf
    enough = max(CONVERGED, LAST_STEP * min(weight, 1e4))
    for iteration in range(1, MAX_ITERATIONS + 1):
        factor(wk.info, 0, k, wk.live, EXHAUSTED_PIVOT, wk.low)
        for a in range(k):
            wk.step[a] = wk.score[a] if wk.live[a, 0] == 1 else 0.0
        solve(wk.low, k, wk.step)
        decrement, longest, move, furthest = 0.0, 0.0, 0.0, 0.0
        exhausted = False
        for a in range(k):
            decrement += wk.step[a] * wk.score[a]
            longest = max(longest, abs(wk.step[a]))
            if a >= first:
                move = max(move, abs(wk.step[a]))
                furthest = max(furthest, abs(beta[a]))
                if wk.live[a, 0] == 1 and not wk.low[a, a] > 0.0:
                    exhausted = True
        if not decrement < np.inf:
            return SEPARATED if furthest > RUNAWAY else NOT_CONVERGED, loglik
        if iteration > 2:
            if watched and (exhausted or (decrement < 1e-4 and move > 0.5 * last_move > TINY_MOVE)):
                return SEPARATED, loglik
            if decrement < LIMIT and longest > 1e-6 and longest > 0.5 * last_length:
                return OK, loglik
        shrink = MAX_STEP / longest if longest > MAX_STEP else 1.0
        stalled = decrement >= 0.5 * last_decrement and decrement < 1e-9
        if decrement < enough or stalled:
            for a in range(k):
                beta[a] += wk.step[a]
            return SEPARATED if watched and exhausted else OK, loglik + 0.5 * decrement
        if not np.isnan(base_loglik) and iteration == 1 and shrink == 1.0:
            bend_step(wk, decrement)
        accepted = False
        for _ in range(MAX_HALVINGS):
            for a in range(k):
                wk.trial[a] = beta[a] + shrink * wk.step[a]
            new = evaluate_multinomial(wk, wk.trial, columns, False)
            if new >= loglik - 1e-10 * (1.0 + abs(loglik)) and new < np.inf:
                accepted = True
                break
            shrink *= 0.5
        if not accepted:
            if watched and furthest > RUNAWAY:
                return SEPARATED, loglik
            return OK if decrement < NEAR_LIMIT else NOT_CONVERGED, loglik
        loglik = new
        for a in range(k):
            beta[a] = wk.trial[a]
        last_move, last_length, last_decrement = move, longest, decrement
    if watched and np.abs(beta[first:k]).max() > RUNAWAY:
        return SEPARATED, loglik
    return NOT_CONVERGED, loglik


@compiled
def bend_step(wk, decrement):
    """Two more terms of the series that begins with Newton's step from the base model, `wk.step` = s.

    With J the information, T and F the third and fourth derivative: Chebyshev's J^-1 T[s, s] / 2 = e, then of
    J^-1 (T[s, e] + F[s, s, s] / 6) the part along s, which is most of it and takes one sum.
    """
    bends = np.zeros(wk.step.size)
    along = bends_at_base(wk, wk.step, bends) / 6.0
    more = bends.copy()
    solve(wk.low, more.size, more)
    length = (more * bends).sum()
    if not length < MOST_BENT * decrement:
        return
    along += 0.5 * length
    for a in range(more.size):
        wk.step[a] += along / decrement * wk.step[a] + 0.5 * more[a]


@compiled
def start_intercepts(wk, beta):
    """Every coefficient 0, the intercepts at the logs of the classes' shares."""
    others = wk.present.size - 1
    total = np.zeros(others + 1)
    for i in range(wk.w.size):
        total[wk.level[i]] += wk.w[i]
    beta[:] = 0.0
    for c in range(others):
        if total[c + 1] > 0.0 and total[0] > 0.0:
            beta[c] = np.log(total[c + 1] / total[0])


@compiled
def feature_covariance(wk, k, others, covariance):
    """Inverse of the information on the feature's coefficients left by the other columns; NaN if absent."""
    factor(wk.info, 0, k, wk.live, 0.0, wk.low)
    side = np.zeros(k)
    for c in range(others):
        side[:] = 0.0
        if wk.low[k - others + c, k - others + c] > 0.0:
            side[k - others + c] = 1.0
        solve(wk.low, k, side)
        for e in range(others):
            there = wk.live[k - others + c, 0] == 1 and wk.live[k - others + e, 0] == 1
            covariance[c, e] = side[k - others + e] if there else np.nan


@compiled
def screen_all_multinomial(data, weights):
    """The whole screen; see `MultinomialPlan.screen`."""
    p, d = data.features.shape[1], data.base.shape[1] + 2
    others = data.classes - 1
    k = others * d
    coef = np.full((p, others, d), np.nan)
    covariance = np.full((p, others, others), np.nan)
    loglik, loglik_base = np.full(p, np.nan), np.full(p, np.nan)
    code = np.full(p, NOTHING_TO_FIT, dtype=np.int8)
    n, df = np.zeros(p, np.int64), np.zeros(p, np.int64)
    rows = np.flatnonzero(weights > 0.0)
    wk = new_multinomial_work(rows.size, d, data.classes)
    fill_base_columns(data, rows, weights, wk)
    part, seen = np.zeros((TURNED, rows.size)), np.zeros((TURNED, rows.size), np.bool_)
    shared, own, beta = np.zeros(k), np.zeros(k), np.zeros(k)
    shared_code, shared_loglik = NOTHING_TO_FIT, np.nan
    if find_present(wk) > 1 and wk.present[0] == 1:
        start_intercepts(wk, shared)
        shared_code, shared_loglik = maximise_multinomial(wk, shared, d - 1, False, np.nan)
    if shared_code == OK:
        evaluate_multinomial(wk, shared, d, True)
    else:
        start_intercepts(wk, shared)
    before = True  # what is known of the weights holds on from one complete feature to the next
    for at in range(p):
        if at % TURNED == 0:
            turn_columns(data, rows, at, part, seen)
        n[at], complete, varies = fill_feature(
            data, rows, weights, at, part[at % TURNED], seen[at % TURNED], wk
        )
        if not (complete and before):
            find_common(wk)
        before = complete
        if n[at] == 0 or find_present(wk) < 2 or wk.present[0] == 0:
            continue
        if not varies:
            code[at] = CONSTANT
            continue
        base_code, base_loglik = shared_code, shared_loglik
        own[:] = shared
        alike = complete and shared_code == OK
        if not alike:
            start_intercepts(wk, own)
            base_code, base_loglik = maximise_multinomial(wk, own, d - 1, False, np.nan)
        beta[:] = own
        beta[k - others :] = 0.0
        code[at], loglik[at] = maximise_multinomial(wk, beta, d, True, base_loglik if alike else np.nan)
        if code[at] == OK and base_code != OK:
            code[at] = NOT_CONVERGED
        if code[at] != OK:
            loglik[at] = np.nan
            continue
        loglik_base[at] = base_loglik
        feature_covariance(wk, k, others, covariance[at])
        for c in range(others):
            there = wk.present[c + 1] == 1
            if wk.live[k - others + c, 0] == 1:
                df[at] += 1
            last = beta[(d - 1) * others + c] / data.spread[at]
            level = beta[c] - last * data.centre[at]
            for a in range(d - 2):
                spread = data.base_spread[a]
                slope = beta[(1 + a) * others + c] / spread if spread > 0.0 else 0.0
                level -= slope * data.base_centre[a]
                coef[at, c, 1 + a] = slope if there else np.nan
            coef[at, c, 0] = level if there else -np.inf
            coef[at, c, d - 1] = last if there else np.nan
            for e in range(others):
                covariance[at, c, e] /= data.spread[at] ** 2
    return coef, covariance, loglik, loglik_base, code, n, df
