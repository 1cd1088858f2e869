"""Compiled sums behind `score`: residuals, projections and the rows' contributions, many features at once.

Inner loops run over neighbouring features of one row.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .compiled import compiled
from .cox_likelihood import FORGET
from .linear_fits import COLLINEAR_SHARE, back_solve, dot, orthonormal
from .newton import COLLINEAR_PIVOT, CONSTANT_INFORMATION, factor, solve
from .screen_fit import COLLINEAR, CONSTANT, OK

WIDTH = 32  # features handled together


class Rounds(NamedTuple):
    """One entry for each event (each event time with Breslow's ties), group by group."""

    first: np.ndarray  # (g + 1,) where a group's rounds begin
    part: np.ndarray  # share of the tied events' sums taken off
    charge: np.ndarray  # weight
    inverse: np.ndarray  # 1 / sum of r over the risk set


class ScoreOut(NamedTuple):
    """Where the results of a group of features go; rows and columns of the caller."""

    clean: np.ndarray  # (n, p)
    influence: np.ndarray  # (n, p)
    score: np.ndarray  # (p,)
    variance: np.ndarray  # (p,)
    code: np.ndarray  # (p,)


@compiled
def make_rounds(sets, w, efron):
    groups = sets.begin.size
    first = np.zeros(groups + 1, np.int64)
    size = sets.deaths.size
    part, charge, inverse = np.zeros(size), np.zeros(size), np.zeros(size)
    at = 0
    for g in range(groups):
        first[g] = at
        total, count = 0.0, sets.first_death[g + 1] - sets.first_death[g]
        for t in range(sets.first_death[g], sets.first_death[g + 1]):
            total += w[sets.deaths[t]]
        turns = count if efron and sets.tied[g] else 1
        for turn in range(turns):
            part[at], charge[at] = turn / turns, total / turns
            at += 1
    first[groups] = at
    return Rounds(first, part[:at], charge[:at], inverse[:at])


@compiled
def add_line(sums, r, columns, i, sign):
    rate = sign * r[i]
    sums[0] += rate
    for c in range(columns.shape[1]):
        sums[1 + c] += rate * columns[i, c]


@compiled
def risk_means(sets, rounds, r, columns, means):
    """Risk-set mean of every column (m, c) for each round, and `rounds.inverse`."""
    width = columns.shape[1]
    sums, dying = np.zeros(1 + width), np.zeros(1 + width)
    at, leaving, begun, removed = 0, 0, -1, 0.0
    for g in range(sets.begin.size):
        if sets.begin[g] != begun:
            begun = sets.begin[g]
            at, leaving, removed = sets.came[g], sets.came[g], 0.0
            sums[:] = 0.0
        for t in range(at, sets.come[g]):
            add_line(sums, r, columns, sets.arrivals[t], 1.0)
        at = sets.come[g]
        if sets.leaves.size > 0:
            while leaving < sets.gone[g]:
                add_line(sums, r, columns, sets.leaves[leaving], -1.0)
                removed += r[sets.leaves[leaving]]
                leaving += 1
            if removed > FORGET * sums[0]:
                sums[:] = 0.0
                removed = 0.0
                for t in range(sets.came[g], at):
                    if sets.entry[sets.arrivals[t]] < sets.when[g]:
                        add_line(sums, r, columns, sets.arrivals[t], 1.0)
        turns = rounds.first[g + 1] - rounds.first[g]
        if turns > 1:
            dying[:] = 0.0
            for t in range(sets.first_death[g], sets.first_death[g + 1]):
                add_line(dying, r, columns, sets.deaths[t], 1.0)
        for e in range(rounds.first[g], rounds.first[g + 1]):
            part = rounds.part[e]
            s0 = sums[0] - part * dying[0] if turns > 1 else sums[0]
            rounds.inverse[e] = 1.0 / s0 if s0 > 0.0 else 0.0
            for c in range(width):
                s1 = sums[1 + c] - part * dying[1 + c] if turns > 1 else sums[1 + c]
                means[e, c] = s1 * rounds.inverse[e]


@compiled
def exponentiate(sets, predictor):
    """Linear predictors (m,) to rates in place, 1 the largest of each stratum."""
    for s in range(sets.segments.size - 1):
        top = -np.inf
        for i in range(sets.segments[s], sets.segments[s + 1]):
            top = max(top, predictor[i])
        for i in range(sets.segments[s], sets.segments[s + 1]):
            predictor[i] = np.exp(predictor[i] - top)


@compiled
def expected_events(sets, rounds, rate):
    """(m,) expected events of each row, rate times its cumulative hazard while at risk."""
    expected = np.zeros(rate.size)
    total = 0.0
    for g in range(sets.begin.size - 1, -1, -1):
        if g == sets.begin.size - 1 or sets.begin[g] != sets.begin[g + 1]:
            total = 0.0
        spared = 0.0
        for e in range(rounds.first[g], rounds.first[g + 1]):
            hazard = rounds.charge[e] * rounds.inverse[e]
            total += hazard
            spared += rounds.part[e] * hazard
        same = g > 0 and sets.begin[g - 1] == sets.begin[g]
        for t in range(sets.come[g - 1] if same else sets.came[g], sets.come[g]):
            expected[sets.arrivals[t]] += rate[sets.arrivals[t]] * total
        if sets.leaves.size > 0:
            for t in range(sets.gone[g - 1] if same else sets.came[g], sets.gone[g]):
                expected[sets.leaves[t]] -= rate[sets.leaves[t]] * total
        for t in range(sets.first_death[g], sets.first_death[g + 1]):
            expected[sets.deaths[t]] -= rate[sets.deaths[t]] * spared
    return expected


@compiled
def score_residuals(sets, rounds, rate, expected, columns, means, out):
    """(m, c) contribution of each row, per unit of weight, to the score of each column."""
    width = columns.shape[1]
    total, spared, own = np.zeros(width), np.zeros(width), np.zeros(width)
    for i in range(columns.shape[0]):
        for c in range(width):
            out[i, c] = -expected[i] * columns[i, c]
    for g in range(sets.begin.size - 1, -1, -1):
        if g == sets.begin.size - 1 or sets.begin[g] != sets.begin[g + 1]:
            total[:] = 0.0
        spared[:] = 0.0
        own[:] = 0.0
        turns = rounds.first[g + 1] - rounds.first[g]
        for e in range(rounds.first[g], rounds.first[g + 1]):
            hazard, part = rounds.charge[e] * rounds.inverse[e], rounds.part[e]
            for c in range(width):
                total[c] += hazard * means[e, c]
                spared[c] += part * hazard * means[e, c]
                own[c] += means[e, c] / turns
        same = g > 0 and sets.begin[g - 1] == sets.begin[g]
        for t in range(sets.come[g - 1] if same else sets.came[g], sets.come[g]):
            i = sets.arrivals[t]
            for c in range(width):
                out[i, c] += rate[i] * total[c]
        if sets.leaves.size > 0:
            for t in range(sets.gone[g - 1] if same else sets.came[g], sets.gone[g]):
                i = sets.leaves[t]
                for c in range(width):
                    out[i, c] -= rate[i] * total[c]
        for t in range(sets.first_death[g], sets.first_death[g + 1]):
            i = sets.deaths[t]
            for c in range(width):
                out[i, c] += columns[i, c] - own[c] - rate[i] * spared[c]


@compiled
def take_columns(rows, features, centre, spread, which, first, columns):
    """Scaled values of the features which[first : first + c] on `rows`."""
    for c in range(columns.shape[1]):
        at = which[first + c]
        for i in range(rows.size):
            columns[i, c] = 0.0
            if spread[at] > 0.0:
                columns[i, c] = (features[rows[i], at] - centre[at]) / spread[at]


@compiled
def null_rows_cox(sets, data, products, weights, nt, efron, which, out):
    """Residual (m,) on the rows of `sets` for the base fit in lane 0 of `nt`; features `which` into `out`."""
    m, q = sets.rows.size, nt.beta.shape[0] - 1
    rate, w, event_weight = np.zeros(m), np.empty(m), 0.0
    for i in range(m):
        w[i] = weights[sets.rows[i]]
        for a in range(q):
            rate[i] += products[i, 1 + a] * nt.beta[a, 0]
    exponentiate(sets, rate)
    r = w * rate
    rounds = make_rounds(sets, w, efron)
    size = rounds.charge.size
    base = np.ascontiguousarray(products[:, 1 : 1 + q])
    base_means, base_rows = np.empty((size, q)), np.empty((m, q))
    risk_means(sets, rounds, r, base, base_means)
    expected = expected_events(sets, rounds, rate)
    score_residuals(sets, rounds, rate, expected, base, base_means, base_rows)
    residual = -expected
    for i in sets.deaths:
        residual[i] += 1.0
        event_weight += w[i]
    low = np.zeros((q, q))
    factor(nt.info, 0, q, nt.live, 0.0, low)
    slope, cross = np.zeros(q), np.zeros((q, WIDTH))
    for first in range(0, which.size, WIDTH):
        width = min(WIDTH, which.size - first)
        columns, rows = np.empty((m, width)), np.empty((m, width))
        means, square = np.empty((size, width)), np.zeros(width)
        take_columns(sets.rows, data.features, data.centre, data.spread, which, first, columns)
        risk_means(sets, rounds, r, columns, means)
        score_residuals(sets, rounds, rate, expected, columns, means, rows)
        cross[:] = 0.0
        for i in range(m):
            v = w[i] * expected[i]
            for c in range(width):
                square[c] += v * columns[i, c] * columns[i, c]
            for a in range(q):
                for c in range(width):
                    cross[a, c] += v * base[i, a] * columns[i, c]
        for e in range(size):
            charge = rounds.charge[e]
            for c in range(width):
                square[c] -= charge * means[e, c] * means[e, c]
            for a in range(q):
                for c in range(width):
                    cross[a, c] -= charge * base_means[e, a] * means[e, c]
        for c in range(width):
            at = which[first + c]
            for a in range(q):
                slope[a] = cross[a, c]
            solve(low, q, slope)
            variance, total = square[c], 0.0
            for a in range(q):
                variance -= slope[a] * cross[a, c]
            if not square[c] > CONSTANT_INFORMATION * event_weight or data.spread[at] <= 0.0:
                out.code[at] = CONSTANT
                continue
            if not variance > COLLINEAR_PIVOT * square[c]:
                out.code[at] = COLLINEAR
                continue
            out.code[at] = OK
            for i in range(m):
                own, clean = rows[i, c], columns[i, c]
                for a in range(q):
                    own -= base_rows[i, a] * slope[a]
                    clean -= base[i, a] * slope[a]
                total += w[i] * own
                out.clean[sets.rows[i], at] = clean * data.spread[at]
                out.influence[sets.rows[i], at] = own / (variance * data.spread[at])
            out.score[at] = total * data.spread[at]
            out.variance[at] = variance * data.spread[at] ** 2
    return residual


@compiled
def project_rows(rows, base, w, v, residual, scale, features, centre, spread, which, out):
    """Models with independent rows: base (m, q) scaled, row variances v, residuals, divisor `scale`."""
    m, q = base.shape
    root = np.sqrt(v)
    turned = np.empty((q, m))
    for a in range(q):
        for i in range(m):
            turned[a, i] = root[i] * base[i, a]
    basis, r, live = orthonormal(turned)
    x, left, share = np.empty(m), np.empty(m), np.zeros(q)
    for at in which:
        if spread[at] <= 0.0:
            out.code[at] = CONSTANT
            continue
        for i in range(m):
            x[i] = (features[rows[i], at] - centre[at]) / spread[at]
            left[i] = root[i] * x[i]
        size = dot(left, left)
        share[:] = 0.0
        for _ in range(2):
            for a in range(q):
                if live[a]:
                    part = dot(basis[a], left)
                    share[a] += part
                    for i in range(m):
                        left[i] -= part * basis[a, i]
        variance = dot(left, left) / scale
        if not variance * scale > COLLINEAR_SHARE * size:
            out.code[at] = COLLINEAR
            continue
        out.code[at] = OK
        slope = back_solve(r, live, share)
        total = 0.0
        for i in range(m):
            clean = x[i]
            for a in range(q):
                clean -= base[i, a] * slope[a]
            own = clean * residual[i] / scale
            total += w[i] * own
            out.clean[rows[i], at] = clean * spread[at]
            out.influence[rows[i], at] = own / (variance * spread[at])
        out.score[at] = total * spread[at]
        out.variance[at] = variance * spread[at] ** 2


@compiled
def null_rows_logistic(rows, data, products, weights, nt, which, out):
    """Residual y - mu (m,) for the base fit in lane 0 of `nt`; features `which` into `out`."""
    m, q = rows.size, nt.beta.shape[0] - 1
    residual, v, w = np.empty(m), np.empty(m), np.empty(m)
    for i in range(m):
        eta = 0.0
        for a in range(q):
            eta += products[i, 1 + a] * nt.beta[a, 0]
        shrunk = np.exp(-abs(eta))
        small, large = shrunk / (1.0 + shrunk), 1.0 / (1.0 + shrunk)
        w[i] = weights[rows[i]]
        v[i] = w[i] * small * large
        if data.event[rows[i]]:
            residual[i] = small if eta >= 0.0 else large
        else:
            residual[i] = -large if eta >= 0.0 else -small
    base = np.ascontiguousarray(products[:, 1 : 1 + q])
    project_rows(rows, base, w, v, residual, 1.0, data.features, data.centre, data.spread, which, out)
    return residual


@compiled
def null_rows_linear(rows, y, products, features, centre, spread, weights, q, which, out):
    """Residual y - fit (m,) of the base columns, intercept first; features `which` into `out`."""
    m = rows.size
    w, left, turned = np.empty(m), np.empty(m), np.empty((q, m))
    middle, total = 0.0, 0.0
    for i in range(m):
        w[i] = weights[rows[i]]
        middle += w[i] * y[rows[i]]
        total += w[i]
    for i in range(m):
        root = np.sqrt(w[i])
        left[i] = root * (y[rows[i]] - middle / total)
        for a in range(q):
            turned[a, i] = root * products[i, 1 + a]
    whole = dot(left, left)
    basis, _, live = orthonormal(turned)
    for _ in range(2):
        for a in range(q):
            if live[a]:
                part = dot(basis[a], left)
                for i in range(m):
                    left[i] -= part * basis[a, i]
    scale = dot(left, left) / total
    residual = left / np.sqrt(w)
    if scale * total > 1e-18 * whole:
        base = np.ascontiguousarray(products[:, 1 : 1 + q])
        project_rows(rows, base, w, w, residual, scale, features, centre, spread, which, out)
    return residual
