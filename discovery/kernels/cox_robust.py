"""Cox models whose rows belong to patients: errors and score tests of many features, robust by patient.

The several rows of a patient (recurrent episodes) give dependent contributions to the score. Summed by
patient they are independent, and their squares give the variance (Lin & Wei, J Am Stat Assoc 1989;
84:1074-1078; Lin, Wei, Yang & Ying, J R Stat Soc B 2000;62:711-730).
"""

from __future__ import annotations

import numpy as np

from .columns import as_weights, base_products
from .compiled import compiled
from .cox import CoxPlan
from .cox_fits import risk_sets_of
from .newton import factor, solve
from .score import score_plan_cox
from .score_rows import expected_events, make_rounds, risk_means, score_residuals


def patient_scores(plan: CoxPlan, patient, weights=None) -> tuple[np.ndarray, np.ndarray]:
    """Contribution (n, p) of each patient to the score of each feature at the base fit, and codes (p,).

    patient : int array (rows,), 0 .. n - 1. Freed of the base columns and in units of the one-step estimate
    for one unit of weight: their weighted sum is that estimate. NaN where the code is not 0.
    """
    patient = np.asarray(patient, dtype=np.int64)
    found = score_plan_cox(plan, weights)
    total = np.zeros((int(patient.max(initial=-1)) + 1, found.influence.shape[1]))
    np.add.at(total, patient, found.influence)
    return total, found.code


def robust_score_z(plan: CoxPlan, patient, patient_weights=None) -> np.ndarray:
    """Signed root (p,) of the robust score test of each feature given the base columns.

    A patient of weight 2 is two patients.
    """
    patient = np.asarray(patient, dtype=np.int64)
    rows = None if patient_weights is None else np.asarray(patient_weights, dtype=float)[patient]
    u, code = patient_scores(plan, patient, rows)
    w = np.ones(len(u)) if patient_weights is None else np.asarray(patient_weights, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        z = (w @ u) / np.sqrt(w @ u**2)
    return np.where((code == 0) & np.isfinite(z), z, np.nan)


def robust_errors(plan: CoxPlan, patient, fit, weights=None) -> np.ndarray:
    """Sandwich standard error (p,) of each feature's coefficient of `fit`, a screen of `plan`; NaN if failed.

    Without small-sample factor, as other software has it.
    """
    patient = np.asarray(patient, dtype=np.int64)
    data = plan.data
    w = as_weights(weights, data.time.size)
    se = np.full(data.features.shape[1], np.nan)
    for j in np.flatnonzero(fit.code == 0):
        own = w * data.observed[:, j]
        sets = risk_sets_of(data, own)
        base = base_products(sets.rows, data.base, data.base_centre, data.base_spread, False)
        q = data.base.shape[1]
        x = (data.features[sets.rows, j] - data.centre[j]) / data.spread[j]
        columns = np.ascontiguousarray(np.column_stack([base[:, 1 : 1 + q], x]))
        beta = fit.coef[j] * np.append(data.base_spread, data.spread[j])
        se[j] = _robust_error(sets, columns, beta, own[sets.rows], patient[sets.rows]) / data.spread[j]
    return se


@compiled
def _robust_error(sets, columns, beta, w, patient):
    m, k = columns.shape
    rate = np.empty(m)
    for s in range(sets.segments.size - 1):
        top = -np.inf
        for i in range(sets.segments[s], sets.segments[s + 1]):
            rate[i] = 0.0
            for a in range(k):
                rate[i] += columns[i, a] * beta[a]
            top = max(top, rate[i])
        for i in range(sets.segments[s], sets.segments[s + 1]):
            rate[i] = np.exp(rate[i] - top)
    rounds = make_rounds(sets, w, True)
    means, rows = np.empty((rounds.charge.size, k)), np.empty((m, k))
    risk_means(sets, rounds, w * rate, columns, means)
    expected = expected_events(sets, rounds, rate)
    score_residuals(sets, rounds, rate, expected, columns, means, rows)
    info = np.zeros((k * (k + 1) // 2, 1))
    for a in range(k):
        for b in range(a + 1):
            at = a * (a + 1) // 2 + b
            for i in range(m):
                info[at, 0] += w[i] * expected[i] * columns[i, a] * columns[i, b]
            for e in range(rounds.charge.size):
                info[at, 0] -= rounds.charge[e] * means[e, a] * means[e, b]
    live, low, last = np.ones((k, 1), dtype=np.int8), np.zeros((k, k)), np.zeros(k)
    for a in range(k):
        if not info[a * (a + 1) // 2 + a, 0] > 1e-11:
            live[a, 0] = 0
    factor(info, 0, k, live, 1e-9, low)
    last[k - 1] = 1.0
    solve(low, k, last)
    total = np.zeros(patient.max() + 1)
    for i in range(m):
        for a in range(k):
            total[patient[i]] += w[i] * rows[i, a] * last[a]
    return np.sqrt((total * total).sum())
