"""Intervals of Cox coefficients by the score test robust by patient: all values that it would not reject.

The feature's coefficient is held at a value, the base columns are fitted, and the patients' contributions to
the feature's score are taken there, freed of what the fit follows (`patient_leverage`), and their sum is
judged by the signs that they could have (`sign_root`). A sandwich error takes them at the estimate, which few
patients with many episodes have pulled towards themselves: its intervals are too short in small cohorts.
"""

from __future__ import annotations

import numpy as np

from .columns import base_products
from .compiled import compiled, inlined
from .cox import CoxPlan
from .cox_fits import maximise_cox, risk_sets_of
from .cox_likelihood import new_work
from .newton import factor, new_newton, restart, solve
from .patient_leverage import spare_of_patients
from .profile import FAR
from .sandwich_rows import contributions_at, scaled_columns
from .screen_fit import OK, as_codes, quantile_root
from .sign_root import sign_root

MAX_TRIALS = 80
GROWTH = 1.5  # of the steps outwards until a bound is passed
CLOSE = 1e-9  # of the root to its target


def robust_score_interval(
    plan: CoxPlan, patient, fit, *, conf_level: float = 0.95
) -> tuple[np.ndarray, np.ndarray]:
    """Interval (low (p,), high (p,)) of each feature's coefficient, all weights being 1.

    patient : int array (rows,), 0 .. n - 1; fit : `plan.screen()`, a feature without estimate there has NaN.
    0 is outside exactly if `cox_robust.robust_score_z` is beyond the quantile of `conf_level`. A side on
    which the test rejects nothing is infinite: so it is with very few patients with an event.
    """
    patient, data, target = np.asarray(patient, dtype=np.int64), plan.data, quantile_root(conf_level)
    codes = as_codes(fit, data.spread)
    low, high = np.full(codes.size, np.nan), np.full(codes.size, np.nan)
    for j in np.flatnonzero(codes == OK):
        rows = _rows_of(data, patient, j)
        beta = fit.coef[j] * np.append(data.base_spread, data.spread[j])
        low[j], high[j] = np.array(_search(*rows, beta, target)) / data.spread[j]
    return low, high


def _rows_of(data, patient, j):
    """Risk sets, products and columns (the feature last) of the rows with feature `j`, patients, strata."""
    sets = risk_sets_of(data, np.ascontiguousarray(data.observed[:, j], dtype=float))
    stratum = np.repeat(np.arange(sets.segments.size - 1), np.diff(sets.segments))
    products = base_products(sets.rows, data.base, data.base_centre, data.base_spread, False)
    return sets, products, scaled_columns(sets.rows, data, j), patient[sets.rows], stratum


@inlined
def _start(columns):
    """Room for one model of all rows, its coefficients at 0."""
    m, k = columns.shape
    wk, nt = new_work(m, k, 1), new_newton(k, 1, True)
    for i in range(m):
        wk.x[i, 0] = columns[i, k - 1]
        wk.w[i, 0] = 1.0
    return wk, nt


@inlined
def _scores_at(sets, products, columns, patient, stratum, wk, nt, held, total):
    """Fit the base columns with the feature at `held`, from where `nt` is; patients' scores into `total`.

    Returns 1 less each patient's hat value.
    """
    m, k = columns.shape
    q = k - 1
    nt.beta[q, 0] = held
    restart(nt)
    maximise_cox(sets, products, wk, nt, q, False, True)
    if nt.status[0] != OK:
        nt.beta[:] = 0.0
        total[:] = np.nan
        return np.ones(total.size)
    ones = np.ones(m)
    rows, expected, _ = contributions_at(sets, columns, np.ascontiguousarray(nt.beta[:, 0]), ones, True)
    low, slope = np.zeros((k, k)), np.zeros(k)
    factor(nt.info, 0, q, nt.live, 0.0, low)
    for a in range(q):
        slope[a] = nt.info[q * (q + 1) // 2 + a, 0]
    solve(low, q, slope)
    total[:] = 0.0
    for i in range(m):
        own = rows[i, q]
        for a in range(q):
            own -= rows[i, a] * slope[a]
        total[patient[i]] += own
    return spare_of_patients(patient, stratum, ones, expected, np.ascontiguousarray(columns[:, :q]))


@compiled
def _root(sets, products, columns, patient, stratum, wk, nt, held, total):
    """Normal deviate of the score; NaN where there is none."""
    spare = _scores_at(sets, products, columns, patient, stratum, wk, nt, held, total)
    return sign_root(total.sum(), total / spare, np.ones(total.size))


@compiled
def _search(sets, products, columns, patient, stratum, beta, target):
    """Where the root, which falls as the coefficient rises and is 0 at `beta` (k,), reaches +- `target`."""
    k = beta.size
    wk, nt = _start(columns)
    total = np.zeros(patient.max() + 1)
    for a in range(k - 1):
        nt.beta[a, 0] = beta[a]
    whole = beta[k - 1]
    at_zero = _root(sets, products, columns, patient, stratum, wk, nt, 0.0, total)
    first = max(abs(whole / at_zero) if at_zero != 0.0 else 0.0, 1e-3)
    bounds = np.full(2, np.nan)
    for side in (-1, 1):
        # gap < 0 inside. 0 is a point of the search, so that test and interval agree also if the root bends
        gap = -side * at_zero - target
        inner, outer = whole, 0.0
        inner_gap, outer_gap = -target, gap
        if not gap > 0.0:
            step = target * first
            if side * whole < 0.0 or not gap < 0.0:
                inner, inner_gap = 0.0, gap
                step = max(step - abs(whole), 0.1 * step)
            while True:
                outer = inner + side * step
                outer_gap = (
                    -side * _root(sets, products, columns, patient, stratum, wk, nt, outer, total) - target
                )
                if not outer_gap < 0.0 or abs(outer) > FAR:
                    break
                inner, inner_gap = outer, outer_gap
                step *= GROWTH
            if outer_gap < 0.0:
                bounds[(side + 1) // 2] = side * np.inf
                continue
        last = 0
        for _ in range(MAX_TRIALS):
            if not outer_gap > CLOSE or inner_gap > -CLOSE:
                break
            at = outer - outer_gap * (outer - inner) / (outer_gap - inner_gap)
            gap = -side * _root(sets, products, columns, patient, stratum, wk, nt, at, total) - target
            if gap >= 0.0:
                outer, outer_gap = at, gap
                inner_gap *= 0.5 if last == 1 else 1.0
                last = 1
            elif gap < 0.0:
                inner, inner_gap = at, gap
                outer_gap *= 0.5 if last == -1 else 1.0
                last = -1
            else:
                outer_gap = np.nan
        bounds[(side + 1) // 2] = inner if inner_gap > -CLOSE else outer if outer_gap >= 0.0 else np.nan
    return bounds[0], bounds[1]
