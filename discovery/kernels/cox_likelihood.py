"""Partial likelihood of the Cox model, its score and information, for a block of lanes.

Efron's treatment of tied event times with case weights (Therneau & Grambsch, Modeling Survival Data,
2000, section 3.3): of d tied events with mean weight w, the l-th takes the risk-set sums less l/d of the
sums over the tied events, times w. With Breslow's treatment every tied event takes the whole sums.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .compiled import compiled
from .newton import LANES

FORGET = 1e3  # rebuild a risk set once this many times its weight has been subtracted from it


class CoxWork(NamedTuple):
    """Scratch of one block; sums are rows 0: r, 1..k: r x, then r x x' packed, then two for Firth's term."""

    x: np.ndarray  # (m, lanes) scaled feature
    w: np.ndarray  # (m, lanes) weights, 0 where the feature is missing
    eta: np.ndarray  # (m, lanes) linear predictor less the largest of its stratum
    r: np.ndarray  # (m, lanes) w exp(eta)
    form: np.ndarray  # (m, lanes) x' H x in Firth's term
    at_risk: np.ndarray  # (sums, lanes)
    dying: np.ndarray  # (sums, lanes)
    mean: np.ndarray  # (k, lanes)
    inverse: np.ndarray  # (k (k + 1) / 2, lanes)
    event_weight: np.ndarray  # (lanes,)


@compiled
def new_work(m, k):
    kk = k * (k + 1) // 2
    sums = 1 + k + kk + 1 + k
    return CoxWork(
        np.zeros((m, LANES)),
        np.zeros((m, LANES)),
        np.zeros((m, LANES)),
        np.zeros((m, LANES)),
        np.zeros((m, LANES)),
        np.zeros((sums, LANES)),
        np.zeros((sums, LANES)),
        np.zeros((k, LANES)),
        np.zeros((kk, LANES)),
        np.zeros(LANES),
    )


@compiled
def linear_predictor(segments, products, x, w, beta, eta, r):
    """eta less its maximum per stratum and lane, and r = w exp(eta), which therefore cannot overflow."""
    m, q = x.shape[0], beta.shape[0] - 1
    for i in range(m):
        for j in range(LANES):
            eta[i, j] = x[i, j] * beta[q, j]
        for a in range(q):
            z = products[i, 1 + a]
            for j in range(LANES):
                eta[i, j] += z * beta[a, j]
    top = np.empty(LANES)
    for s in range(segments.size - 1):
        top[:] = -np.inf
        for i in range(segments[s], segments[s + 1]):
            for j in range(LANES):
                top[j] = max(top[j], eta[i, j])
        for i in range(segments[s], segments[s + 1]):
            for j in range(LANES):
                eta[i, j] -= top[j]
                r[i, j] = w[i, j] * np.exp(eta[i, j])


@compiled
def add_row(sums, products, i, k, x, r, sign):
    """Add sign * r (1, x, x x') of row i to `sums`."""
    q = k - 1
    for j in range(LANES):
        sums[0, j] += sign * r[i, j]
        sums[k, j] += sign * r[i, j] * x[i, j]
    for a in range(q):
        z = products[i, 1 + a]
        for j in range(LANES):
            sums[1 + a, j] += sign * r[i, j] * z
    base = 1 + k
    for t in range(q * (q + 1) // 2):
        zz = products[i, 1 + q + t]
        for j in range(LANES):
            sums[base + t, j] += sign * r[i, j] * zz
    base += q * (q + 1) // 2
    for a in range(q):
        z = products[i, 1 + a]
        for j in range(LANES):
            sums[base + a, j] += sign * r[i, j] * x[i, j] * z
    for j in range(LANES):
        sums[base + q, j] += sign * r[i, j] * x[i, j] * x[i, j]


@compiled
def lost_to_rounding(removed, at_risk):
    for j in range(LANES):
        if removed[j] > FORGET * at_risk[0, j]:
            return True
    return False


@compiled
def evaluate_cox(sets, products, wk, beta, efron, loglik, score, info):
    """Write log partial likelihood (lanes,), score (k, lanes) and packed information at `beta`.

    A lane in which a risk set has no weight left in floating point gets -inf.
    """
    k = beta.shape[0]
    kk = k * (k + 1) // 2
    x, w, eta, r, at_risk, dying, mean = wk.x, wk.w, wk.eta, wk.r, wk.at_risk, wk.dying, wk.mean
    linear_predictor(sets.segments, products, x, w, beta, eta, r)
    loglik[:] = 0.0
    score[:] = 0.0
    info[:] = 0.0
    wk.event_weight[:] = 0.0
    delayed = sets.leaves.size > 0
    deaths_here, weight_here, removed = np.empty(LANES), np.empty(LANES), np.zeros(LANES)
    part, charge, inverse = np.empty(LANES), np.empty(LANES), np.empty(LANES)
    at, leaving, begun = 0, 0, -1
    for g in range(sets.begin.size):
        if sets.begin[g] != begun:
            begun = sets.begin[g]
            at, leaving = begun, begun
            at_risk[:] = 0.0
            removed[:] = 0.0
        while at < sets.end[g]:
            add_row(at_risk, products, at, k, x, r, 1.0)
            at += 1
        if delayed:
            while leaving < sets.gone[g]:
                i = sets.leaves[leaving]
                add_row(at_risk, products, i, k, x, r, -1.0)
                for j in range(LANES):
                    removed[j] += r[i, j]
                leaving += 1
            if lost_to_rounding(removed, at_risk):
                at_risk[:] = 0.0
                removed[:] = 0.0
                for i in range(begun, at):
                    if sets.entry[i] < sets.when[g]:
                        add_row(at_risk, products, i, k, x, r, 1.0)
        first, stop = sets.first_death[g], sets.first_death[g + 1]
        deaths_here[:] = 0.0
        weight_here[:] = 0.0
        for t in range(first, stop):
            i = sets.deaths[t]
            for j in range(LANES):
                wij = w[i, j]
                if wij > 0.0:
                    deaths_here[j] += 1.0
                weight_here[j] += wij
                loglik[j] += wij * eta[i, j]
                score[k - 1, j] += wij * x[i, j]
            for a in range(k - 1):
                z = products[i, 1 + a]
                for j in range(LANES):
                    score[a, j] += w[i, j] * z
        tied = efron and stop - first > 1
        rounds = 1
        if tied:
            dying[:] = 0.0
            for t in range(first, stop):
                add_row(dying, products, sets.deaths[t], k, x, r, 1.0)
            for j in range(LANES):
                rounds = max(rounds, int(deaths_here[j]))
        for j in range(LANES):
            wk.event_weight[j] += weight_here[j]
        for l in range(rounds):  # noqa: E741
            for j in range(LANES):
                part[j] = 0.0
                charge[j] = weight_here[j]
                s0 = at_risk[0, j]
                if tied:
                    charge[j] = 0.0
                    if l < deaths_here[j]:
                        part[j] = l / deaths_here[j]
                        charge[j] = weight_here[j] / deaths_here[j]
                        s0 -= part[j] * dying[0, j]
                inverse[j] = 0.0
                if charge[j] > 0.0:
                    if s0 > 0.0:
                        inverse[j] = 1.0 / s0
                        loglik[j] -= charge[j] * np.log(s0)
                    else:
                        loglik[j] = -np.inf
            if tied:
                for a in range(k):
                    for j in range(LANES):
                        mean[a, j] = (at_risk[1 + a, j] - part[j] * dying[1 + a, j]) * inverse[j]
                        score[a, j] -= charge[j] * mean[a, j]
                for t in range(kk):
                    for j in range(LANES):
                        info[t, j] += (
                            charge[j] * (at_risk[1 + k + t, j] - part[j] * dying[1 + k + t, j]) * inverse[j]
                        )
            else:
                for a in range(k):
                    for j in range(LANES):
                        mean[a, j] = at_risk[1 + a, j] * inverse[j]
                        score[a, j] -= charge[j] * mean[a, j]
                for t in range(kk):
                    for j in range(LANES):
                        info[t, j] += charge[j] * at_risk[1 + k + t, j] * inverse[j]
            t = 0
            for a in range(k):
                for b in range(a + 1):
                    for j in range(LANES):
                        info[t, j] -= charge[j] * mean[a, j] * mean[b, j]
                    t += 1
