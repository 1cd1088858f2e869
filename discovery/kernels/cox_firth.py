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
from .cox_likelihood import add_row, lost_to_rounding
from .newton import LANES, RUNNING, inverse_and_log_determinant


@compiled
def add_form(sums, products, i, k, x, r, form, sign):
    """Add sign * r f (1, x) of row i below the sums of the likelihood."""
    at = 1 + k + k * (k + 1) // 2
    for j in range(LANES):
        sums[at, j] += sign * r[i, j] * form[i, j]
        sums[at + k, j] += sign * r[i, j] * form[i, j] * x[i, j]
    for a in range(k - 1):
        z = products[i, 1 + a]
        for j in range(LANES):
            sums[at + 1 + a, j] += sign * r[i, j] * form[i, j] * z


@compiled
def add_firth_cox(sets, products, wk, nt, efron):
    """Add the penalty to `nt.new_loglik` and its gradient to `nt.new_score`, after `evaluate_cox`."""
    k = nt.beta.shape[0]
    x, r, form, at_risk, dying, mean = wk.x, wk.r, wk.form, wk.at_risk, wk.dying, wk.mean
    for j in range(LANES):
        if nt.status[j] == RUNNING and nt.new_loglik[j] > -np.inf:
            nt.new_loglik[j] += 0.5 * inverse_and_log_determinant(
                nt.new_info, j, k, nt.live, nt.low, nt.vector, wk.inverse
            )
        else:
            wk.inverse[:, j] = 0.0
    quadratic_form(products, k, x, wk.inverse, form)
    delayed = sets.leaves.size > 0
    second, extra = 1 + k, 1 + k + k * (k + 1) // 2
    deaths_here, weight_here, removed = np.empty(LANES), np.empty(LANES), np.zeros(LANES)
    gradient, turned = np.zeros((k, LANES)), np.empty(k)
    at, leaving, begun = 0, 0, -1
    for g in range(sets.begin.size):
        if sets.begin[g] != begun:
            begun = sets.begin[g]
            at, leaving = begun, begun
            at_risk[:] = 0.0
            removed[:] = 0.0
        while at < sets.end[g]:
            add_row(at_risk, products, at, k, x, r, 1.0)
            add_form(at_risk, products, at, k, x, r, form, 1.0)
            at += 1
        if delayed:
            while leaving < sets.gone[g]:
                i = sets.leaves[leaving]
                add_row(at_risk, products, i, k, x, r, -1.0)
                add_form(at_risk, products, i, k, x, r, form, -1.0)
                for j in range(LANES):
                    removed[j] += r[i, j]
                leaving += 1
            if lost_to_rounding(removed, at_risk):
                at_risk[:] = 0.0
                removed[:] = 0.0
                for i in range(begun, at):
                    if sets.entry[i] < sets.when[g]:
                        add_row(at_risk, products, i, k, x, r, 1.0)
                        add_form(at_risk, products, i, k, x, r, form, 1.0)
        first, stop = sets.first_death[g], sets.first_death[g + 1]
        deaths_here[:] = 0.0
        weight_here[:] = 0.0
        dying[:] = 0.0
        rounds = 1
        for t in range(first, stop):
            i = sets.deaths[t]
            for j in range(LANES):
                if wk.w[i, j] > 0.0:
                    deaths_here[j] += 1.0
                weight_here[j] += wk.w[i, j]
            if efron and stop - first > 1:
                add_row(dying, products, i, k, x, r, 1.0)
                add_form(dying, products, i, k, x, r, form, 1.0)
        if efron and stop - first > 1:
            for j in range(LANES):
                rounds = max(rounds, int(deaths_here[j]))
        for l in range(rounds):  # noqa: E741
            for j in range(LANES):
                part, charge = 0.0, weight_here[j]
                if efron and stop - first > 1:
                    if l >= deaths_here[j]:
                        continue
                    part = l / deaths_here[j]
                    charge /= deaths_here[j]
                s0 = at_risk[0, j] - part * dying[0, j]
                if not (charge > 0.0 and s0 > 0.0):
                    continue
                for a in range(k):
                    mean[a, j] = (at_risk[1 + a, j] - part * dying[1 + a, j]) / s0
                for a in range(k):  # H m
                    total = 0.0
                    for b in range(k):
                        t = a * (a + 1) // 2 + b if b <= a else b * (b + 1) // 2 + a
                        total += wk.inverse[t, j] * mean[b, j]
                    turned[a] = total
                mean_form = (at_risk[extra, j] - part * dying[extra, j]) / s0
                for a in range(k):
                    change = (at_risk[extra + 1 + a, j] - part * dying[extra + 1 + a, j]) / s0
                    change -= mean[a, j] * mean_form
                    for b in range(k):
                        t = a * (a + 1) // 2 + b if b <= a else b * (b + 1) // 2 + a
                        moment = (at_risk[second + t, j] - part * dying[second + t, j]) / s0
                        change -= 2.0 * (moment - mean[a, j] * mean[b, j]) * turned[b]
                    gradient[a, j] += charge * change
    for a in range(k):
        for j in range(LANES):
            nt.new_score[a, j] += 0.5 * gradient[a, j]
