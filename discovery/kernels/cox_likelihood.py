"""Partial likelihood of the Cox model, its score and information, for a block of lanes.

Efron's treatment of tied event times with case weights (Therneau & Grambsch, Modeling Survival Data,
2000, section 3.3): of d tied events with mean weight w, the l-th takes the risk-set sums less l/d of the
sums over the tied events, times w. With Breslow's treatment every tied event takes the whole sums.

Inner loops run over neighbouring lanes of one row of each array, which is what lets them be compiled to
vector instructions; that is why small vectors are written to scratch before they are used.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .compiled import compiled
from .tiles import exp_of_negative

FORGET = 1e3  # rebuild a risk set once this many times its weight has been subtracted from it


class CoxWork(NamedTuple):
    """Scratch of one block.

    Sums over a risk set are rows in the order of the shared products (1, z, z z'), then r x, r x z, r x x,
    then for Firth's term r f, r f z, r f x.
    """

    x: np.ndarray  # (m, lanes) scaled feature
    w: np.ndarray  # (m, lanes) weights, 0 where the feature is missing
    eta: np.ndarray  # (m, lanes) linear predictor less the largest of its stratum
    r: np.ndarray  # (m, lanes) w exp(eta)
    form: np.ndarray  # (m, lanes) f = x' H x in Firth's term
    at_risk: np.ndarray  # (sums, lanes)
    dying: np.ndarray  # (sums, lanes) of the tied events
    left: np.ndarray  # (sums, lanes) at_risk less a part of dying
    mean: np.ndarray  # (k, lanes)
    charged: np.ndarray  # (k, lanes) mean times the weight of the event
    inverse: np.ndarray  # (k (k + 1) / 2, lanes)
    event_weight: np.ndarray  # (lanes,)
    removed: np.ndarray  # (lanes,) weight subtracted from `at_risk` since it was last made anew
    row: np.ndarray  # (2, lanes) scratch


@compiled
def new_work(m, k, lanes):
    kk = k * (k + 1) // 2
    sums = 1 + k + kk + 1 + k
    return CoxWork(
        np.zeros((m, lanes)),
        np.zeros((m, lanes)),
        np.zeros((m, lanes)),
        np.zeros((m, lanes)),
        np.zeros((m, lanes)),
        np.zeros((sums, lanes)),
        np.zeros((sums, lanes)),
        np.zeros((sums, lanes)),
        np.zeros((k, lanes)),
        np.zeros((k, lanes)),
        np.zeros((kk, lanes)),
        np.zeros(lanes),
        np.zeros(lanes),
        np.zeros((2, lanes)),
    )


@compiled
def clear(block):
    for a in range(block.shape[0]):
        for j in range(block.shape[1]):
            block[a, j] = 0.0


@compiled
def clear_vector(vector):
    for j in range(vector.size):
        vector[j] = 0.0


@compiled
def linear_predictor(segments, products, x, w, beta, eta, r):
    """eta less its maximum per stratum and lane, and r = w exp(eta), which therefore cannot overflow."""
    m, lanes, q = x.shape[0], x.shape[1], beta.shape[0] - 1
    for i in range(m):
        for j in range(lanes):
            eta[i, j] = x[i, j] * beta[q, j]
        for a in range(q):
            z = products[i, 1 + a]
            for j in range(lanes):
                eta[i, j] += z * beta[a, j]
    top = np.empty(lanes)
    for s in range(segments.size - 1):
        for j in range(lanes):
            top[j] = -np.inf
        for i in range(segments[s], segments[s + 1]):
            for j in range(lanes):
                top[j] = max(top[j], eta[i, j])
        for i in range(segments[s], segments[s + 1]):
            for j in range(lanes):
                eta[i, j] -= top[j]
                r[i, j] = w[i, j] * exp_of_negative(eta[i, j])


@compiled
def add_rows(sums, products, q, x, r, form, row, positions, first, stop, sign, firth):
    """Add sign * r (1, x, x x') of the rows at positions[first:stop], and r f (1, x) for Firth's term."""
    lanes, shared = sums.shape[1], products.shape[1]
    for t in range(first, stop):
        i = positions[t]
        for j in range(lanes):
            row[0, j] = sign * r[i, j]
        for j in range(lanes):
            row[1, j] = row[0, j] * x[i, j]
        for c in range(shared):
            value = products[i, c]
            for j in range(lanes):
                sums[c, j] += value * row[0, j]
        for c in range(1 + q):
            value = products[i, c]
            for j in range(lanes):
                sums[shared + c, j] += value * row[1, j]
        for j in range(lanes):
            sums[shared + 1 + q, j] += row[1, j] * x[i, j]
        if firth:
            at = shared + q + 2
            for j in range(lanes):
                row[0, j] *= form[i, j]
            for c in range(1 + q):
                value = products[i, c]
                for j in range(lanes):
                    sums[at + c, j] += value * row[0, j]
            for j in range(lanes):
                sums[at + 1 + q, j] += row[0, j] * x[i, j]


@compiled
def remove_rows(sets, products, q, wk, g, at, leaving, firth):
    """Take off the rows that enter only at event time g or later; `at` of all arrivals have been added.

    Subtraction leaves its rounding error behind, so the sums are made anew once much more has been
    subtracted than is left. Returns the next row to leave.
    """
    at_risk, removed, x, r, form, row = wk.at_risk, wk.removed, wk.x, wk.r, wk.form, wk.row
    stop = max(leaving, sets.gone[g])
    add_rows(at_risk, products, q, x, r, form, row, sets.leaves, leaving, stop, -1.0, firth)
    for t in range(leaving, stop):
        for j in range(removed.size):
            removed[j] += r[sets.leaves[t], j]
    lost = False
    for j in range(removed.size):
        if removed[j] > FORGET * at_risk[0, j]:
            lost = True
    if lost:
        clear(at_risk)
        for j in range(removed.size):
            removed[j] = 0.0
        for t in range(sets.came[g], at):
            if sets.entry[sets.arrivals[t]] < sets.when[g]:
                add_rows(at_risk, products, q, x, r, form, row, sets.arrivals, t, t + 1, 1.0, firth)
    return stop


@compiled
def count_deaths(dead, first, stop, w, deaths, weight):
    """Events at dead[first:stop] of weight > 0, and their weight, by lane; the largest number of events."""
    lanes = w.shape[1]
    for j in range(lanes):
        deaths[j] = 0.0
        weight[j] = 0.0
    for t in range(first, stop):
        i = dead[t]
        for j in range(lanes):
            weight[j] += w[i, j]
        for j in range(lanes):
            deaths[j] += 1.0 if w[i, j] > 0.0 else 0.0
    most = 0.0
    for j in range(lanes):
        most = max(most, deaths[j])
    return int(most)


@compiled
def shares_of_round(turn, tied, deaths, weight, part, charge):
    """Part of the tied events' sums that is taken off, and the weight, in round `turn` of the ties."""
    for j in range(deaths.size):
        part[j] = 0.0
        charge[j] = weight[j]
        if tied:
            if turn < deaths[j]:
                part[j] = turn / deaths[j]
                charge[j] = weight[j] / deaths[j]
            else:
                charge[j] = 0.0


@compiled
def without_part(at_risk, dying, part, left):
    for c in range(at_risk.shape[0]):
        for j in range(part.size):
            left[c, j] = at_risk[c, j] - part[j] * dying[c, j]


@compiled
def evaluate_cox(sets, products, wk, beta, efron, loglik, score, info):
    """Write log partial likelihood (lanes,), score (k, lanes) and packed information at `beta`.

    A lane in which a risk set has no weight left in floating point gets -inf.
    """
    k, lanes = beta.shape
    q, shared = k - 1, products.shape[1]
    x, w, eta, r, form, row, removed = wk.x, wk.w, wk.eta, wk.r, wk.form, wk.row, wk.removed
    event_weight = wk.event_weight
    at_risk, dying, left, mean, charged = wk.at_risk, wk.dying, wk.left, wk.mean, wk.charged
    linear_predictor(sets.segments, products, x, w, beta, eta, r)
    clear(score)
    clear(info)
    for j in range(lanes):
        loglik[j] = 0.0
        event_weight[j] = 0.0
    deaths, weight = np.empty(lanes), np.empty(lanes)
    part, charge, inverse, rate = np.empty(lanes), np.empty(lanes), np.empty(lanes), np.empty(lanes)
    begin, first_death, dead = sets.begin, sets.first_death, sets.deaths
    came, come, delayed = sets.came, sets.come, sets.leaves.size > 0
    at, leaving, begun = 0, 0, -1
    for g in range(begin.size):
        if begin[g] != begun:
            begun = begin[g]
            at, leaving = came[g], came[g]
            clear(at_risk)
            clear_vector(removed)
        add_rows(at_risk, products, q, x, r, form, row, sets.arrivals, at, come[g], 1.0, False)
        at = come[g]
        if delayed:
            leaving = remove_rows(sets, products, q, wk, g, at, leaving, False)
        first, stop = first_death[g], first_death[g + 1]
        rounds = count_deaths(dead, first, stop, w, deaths, weight)
        for t in range(first, stop):
            i = dead[t]
            for j in range(lanes):
                loglik[j] += w[i, j] * eta[i, j]
            for j in range(lanes):
                score[q, j] += w[i, j] * x[i, j]
            for a in range(q):
                z = products[i, 1 + a]
                for j in range(lanes):
                    score[a, j] += z * w[i, j]
        for j in range(lanes):
            event_weight[j] += weight[j]
        tied = efron and sets.tied[g]
        if tied:
            clear(dying)
            add_rows(dying, products, q, x, r, form, row, dead, first, stop, 1.0, False)
        else:
            rounds = min(rounds, 1)
        for turn in range(rounds):
            shares_of_round(turn, tied, deaths, weight, part, charge)
            sums = at_risk
            if tied:
                without_part(at_risk, dying, part, left)
                sums = left
            for j in range(lanes):
                inverse[j] = 0.0
                if charge[j] > 0.0:
                    if sums[0, j] > 0.0:
                        inverse[j] = 1.0 / sums[0, j]
                        loglik[j] -= charge[j] * np.log(sums[0, j])
                    else:
                        loglik[j] = -np.inf
                rate[j] = charge[j] * inverse[j]
            for a in range(k):
                c = 1 + a if a < q else shared
                for j in range(lanes):
                    mean[a, j] = sums[c, j] * inverse[j]
                for j in range(lanes):
                    charged[a, j] = sums[c, j] * rate[j]
                for j in range(lanes):
                    score[a, j] -= charged[a, j]
            t = 0
            for a in range(k):
                for b in range(a + 1):
                    c = 1 + q + t if a < q else 2 + q + t
                    for j in range(lanes):
                        info[t, j] += sums[c, j] * rate[j] - charged[a, j] * mean[b, j]
                    t += 1
