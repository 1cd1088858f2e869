"""Firth's penalty for the Cox model: the log likelihood gains half the log determinant of the information.

Heinze & Schemper, Biometrics 2001;57:114-119. The derivative of the information in coefficient a is the
third central moment of (x_a, x, x') under the risk-set weights, so with H the inverse information

    tr(H dI/db_a) = sum over events of Cov(x_a, (x - m)' H (x - m))
                  = sum over events of E[x_a f] - m_a E[f] - 2 (V H m)_a,   f = x' H x,

m and V being the mean and covariance of the risk set. Only E[f] and E[x f] are needed beyond the sums of
the likelihood itself.
"""

from __future__ import annotations

import numpy as np

from .columns import quadratic_form
from .compiled import compiled
from .cox_likelihood import (
    add_rows,
    clear,
    clear_vector,
    count_deaths,
    remove_rows,
    shares_of_round,
    without_part,
)
from .newton import RUNNING, inverse_and_log_determinant


@compiled
def times_packed(packed, vector, out):
    """out = M v in every lane, M (k, k) packed."""
    k, lanes = vector.shape
    for a in range(k):
        for j in range(lanes):
            out[a, j] = 0.0
        for b in range(k):
            t = a * (a + 1) // 2 + b if b <= a else b * (b + 1) // 2 + a
            for j in range(lanes):
                out[a, j] += packed[t, j] * vector[b, j]


@compiled
def add_gradient(sums, shared, hat, mean, row, charge, covariance, turned, moved, gradient):
    """Add one event's term E[x f] - m E[f] - 2 V H m, times its weight."""
    k, lanes = gradient.shape
    q = k - 1
    extra = shared + q + 2
    for j in range(lanes):
        row[0, j] = 1.0 / sums[0, j] if charge[j] > 0.0 and sums[0, j] > 0.0 else 0.0
    for j in range(lanes):
        row[1, j] = sums[extra, j] * row[0, j]
    for a in range(k):
        c = 1 + a if a < q else shared
        for j in range(lanes):
            mean[a, j] = sums[c, j] * row[0, j]
    t = 0
    for a in range(k):
        for b in range(a + 1):
            c = 1 + q + t if a < q else 2 + q + t
            for j in range(lanes):
                covariance[t, j] = sums[c, j] * row[0, j] - mean[a, j] * mean[b, j]
            t += 1
    times_packed(hat, mean, turned)
    times_packed(covariance, turned, moved)
    for a in range(k):
        for j in range(lanes):
            change = sums[extra + 1 + a, j] * row[0, j] - mean[a, j] * row[1, j]
            gradient[a, j] += charge[j] * (change - 2.0 * moved[a, j])


@compiled
def add_firth_cox(sets, products, wk, nt, efron):
    """Add the penalty to `nt.new_loglik` and its gradient to `nt.new_score`, after `evaluate_cox`."""
    k, lanes = nt.beta.shape
    q, x, w, r, form, row, removed = k - 1, wk.x, wk.w, wk.r, wk.form, wk.row, wk.removed
    at_risk, dying, left, mean = wk.at_risk, wk.dying, wk.left, wk.mean
    for j in range(lanes):
        if nt.status[j] == RUNNING and nt.new_loglik[j] > -np.inf:
            nt.new_loglik[j] += 0.5 * inverse_and_log_determinant(
                nt.new_info, j, k, nt.live, nt.low, wk.inverse
            )
        else:
            for t in range(wk.inverse.shape[0]):
                wk.inverse[t, j] = 0.0
    quadratic_form(products, q, x, wk.inverse, form)
    deaths, weight, part, charge = np.empty(lanes), np.empty(lanes), np.empty(lanes), np.empty(lanes)
    covariance, turned = np.empty((k * (k + 1) // 2, lanes)), np.empty((k, lanes))
    moved, gradient = np.empty((k, lanes)), np.zeros((k, lanes))
    begin, first_death, dead = sets.begin, sets.first_death, sets.deaths
    came, come, delayed = sets.came, sets.come, sets.leaves.size > 0
    at, leaving, begun = 0, 0, -1
    for g in range(begin.size):
        if begin[g] != begun:
            begun = begin[g]
            at, leaving = came[g], came[g]
            clear(at_risk)
            clear_vector(removed)
        add_rows(at_risk, products, q, x, r, form, row, sets.arrivals, at, come[g], 1.0, True)
        at = come[g]
        if delayed:
            leaving = remove_rows(sets, products, q, wk, g, at, leaving, True)
        first, stop = first_death[g], first_death[g + 1]
        rounds = count_deaths(dead, first, stop, w, deaths, weight)
        tied = efron and sets.tied[g]
        if tied:
            clear(dying)
            add_rows(dying, products, q, x, r, form, row, dead, first, stop, 1.0, True)
        else:
            rounds = min(rounds, 1)
        for turn in range(rounds):
            shares_of_round(turn, tied, deaths, weight, part, charge)
            sums = at_risk
            if tied:
                without_part(at_risk, dying, part, left)
                sums = left
            add_gradient(
                sums, products.shape[1], wk.inverse, mean, row, charge, covariance, turned, moved, gradient
            )
    for a in range(k):
        for j in range(lanes):
            nt.new_score[a, j] += 0.5 * gradient[a, j]
