"""Compiled sums behind `cox_sandwich`: rows' contributions to the score at an estimate, screens of errors."""

from __future__ import annotations

import numpy as np

from .compiled import compiled
from .cox_fits import risk_sets_of
from .newton import COLLINEAR_PIVOT, factor, solve
from .patient_leverage import spare_of_patients
from .score_rows import expected_events, exponentiate, make_rounds, risk_means, score_residuals
from .screen_fit import OK


@compiled
def contributions_at(sets, columns, beta, w, efron):
    """Contributions (m, k) of the rows of `sets` to the score of scaled `columns` (m, k) at `beta` (k,), per
    unit of weight; expected events (m,) of the rows; information (k (k + 1) / 2, 1), packed."""
    m, k = columns.shape
    rate = np.zeros(m)
    for i in range(m):
        for a in range(k):
            rate[i] += columns[i, a] * beta[a]
    exponentiate(sets, rate)
    rounds = make_rounds(sets, w, efron)
    means, rows = np.empty((rounds.charge.size, k)), np.empty((m, k))
    risk_means(sets, rounds, w * rate, columns, means)
    expected = expected_events(sets, rounds, rate)
    score_residuals(sets, rounds, rate, expected, columns, means, rows)
    info = np.zeros((k * (k + 1) // 2, 1))
    for i in range(m):
        add_products(info, w[i] * expected[i], columns[i])
    for e in range(rounds.charge.size):
        add_products(info, -rounds.charge[e], means[e])
    return rows, expected, info


@compiled
def add_products(info, weight, line):
    at = 0
    for a in range(line.size):
        for b in range(a + 1):
            info[at, 0] += weight * line[a] * line[b]
            at += 1


@compiled
def scaled_columns(rows, data, j):
    """Base columns and feature `j` (m, q + 1) on `rows`, scaled; 0 where a column is constant."""
    q = data.base.shape[1]
    columns = np.zeros((rows.size, q + 1))
    for i in range(rows.size):
        for a in range(q):
            if data.base_spread[a] > 0.0:
                columns[i, a] = (data.base[rows[i], a] - data.base_centre[a]) / data.base_spread[a]
        if data.spread[j] > 0.0:
            columns[i, q] = (data.features[rows[i], j] - data.centre[j]) / data.spread[j]
    return columns


@compiled
def patient_errors(data, patient, stratum, coef, code):
    """Standard errors (p,) of features whose `code` is 0, by the sandwich and by the model's information.

    `patient` and `stratum` (rows,) are codes from 0, `coef` (p, q + 1) the estimates in the caller's units.
    """
    n, p, q = patient.size, data.features.shape[1], data.base.shape[1]
    robust, model = np.full(p, np.nan), np.full(p, np.nan)
    low, beta, line = np.zeros((q + 1, q + 1)), np.zeros(q + 1), np.zeros(q + 1)
    live = np.ones((q + 1, 1), dtype=np.int8)
    total = np.zeros(patient.max() + 1)
    weights = np.ones(n)
    sets = risk_sets_of(data, weights)
    for j in range(p):
        if code[j] != OK:
            continue
        same = True
        for i in range(n):
            weight = 1.0 if data.observed[i, j] else 0.0
            same = same and weight == weights[i]
            weights[i] = weight
        if not same:
            sets = risk_sets_of(data, weights)
        columns = scaled_columns(sets.rows, data, j)
        for a in range(q):
            beta[a] = coef[j, a] * data.base_spread[a]
        beta[q] = coef[j, q] * data.spread[j]
        w, own = np.ones(sets.rows.size), patient[sets.rows]
        rows, expected, info = contributions_at(sets, columns, beta, w, True)
        factor(info, 0, q + 1, live, COLLINEAR_PIVOT, low)
        if not low[q, q] > 0.0:
            continue
        line[:] = 0.0
        line[q] = 1.0
        solve(low, q + 1, line)  # the last row of the inverse
        spare = spare_of_patients(own, stratum[sets.rows], w, expected, columns)
        total[:] = 0.0
        for i in range(own.size):
            for a in range(q + 1):
                total[own[i]] += line[a] * rows[i, a] / spare[own[i]]
        square = 0.0
        for one in total:
            square += one * one
        robust[j], model[j] = np.sqrt(square) / data.spread[j], np.sqrt(line[q]) / data.spread[j]
    return robust, model
