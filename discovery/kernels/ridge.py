"""Ridge-penalised models at many penalties in one call: Cox, logistic, linear.

Each lane has its own penalty for every column, so that a lane may also leave a column out (an
endless penalty). The log likelihood is penalised by half the penalty times the squared coefficient of
the column in SDs. Hoerl & Kennard, Technometrics 1970;12:55-67; for the Cox model Verweij & Van
Houwelingen, Stat Med 1994;13:2427-2436.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .columns import base_products
from .compiled import compiled, inlined
from .cox import CoxPlan
from .cox_fits import risk_sets_of
from .cox_likelihood import evaluate_cox, new_work

MOST_STEPS = 50
SMALL_GAIN = 1e-9


class RidgePath(NamedTuple):
    """coef (lanes, k) in the caller's units (intercept first for logistic and linear models); loglik (lanes,)
    without the penalty; converged (lanes,)."""

    coef: np.ndarray
    loglik: np.ndarray
    converged: np.ndarray


class RidgeCox:
    """Rows sorted once; call with weights (n,) and penalties (lanes, k).

    time, event, entry, stratum as for `CoxPlan`; columns (n, k), k >= 1, finite.
    """

    def __init__(self, time, event, columns, *, entry=None, stratum=None):
        columns = np.asarray(columns, dtype=np.float64)
        plan = CoxPlan(time, event, columns[:, :-1], columns[:, -1:], entry=entry, stratum=stratum)
        self.data = plan.data
        self.spread = np.concatenate([plan.data.base_spread, plan.data.spread])

    def __call__(self, weights, penalties) -> RidgePath:
        weights = np.ascontiguousarray(weights, dtype=np.float64)
        penalties = np.ascontiguousarray(np.asarray(penalties, dtype=np.float64).T)
        beta, loglik, done = _ridge_cox(self.data, weights, penalties, self.spread)
        scale = np.where(self.spread > 0, self.spread, 1.0)
        return RidgePath(beta.T / scale, loglik, done)

    def loglik_at(self, weights, coef) -> np.ndarray:
        """Log partial likelihood (lanes,) at given coefficients (lanes, k) in the caller's units."""
        scale = np.where(self.spread > 0, self.spread, 1.0)
        beta = np.ascontiguousarray((np.asarray(coef, dtype=np.float64) * scale).T)
        return _cox_loglik(self.data, np.ascontiguousarray(weights, dtype=np.float64), beta)


def ridge_logistic(y, columns, weights, penalties) -> RidgePath:
    """Logistic models of y (n,) 0/1 on columns (n, k); penalties (lanes, k), none on the intercept."""
    x, spread = _scaled(columns, weights)
    y, w = np.ascontiguousarray(y, dtype=np.float64), np.ascontiguousarray(weights, dtype=np.float64)
    beta, loglik, done = _ridge_logistic(x, y, w, np.ascontiguousarray(penalties, dtype=np.float64), spread)
    return RidgePath(_unscaled(beta, columns, weights, spread), loglik, done)


def ridge_linear(y, columns, weights, penalties) -> RidgePath:
    """Linear models; the penalty is counted in residual variances of a y with SD 1: scale y beforehand."""
    x, spread = _scaled(columns, weights)
    w, y = np.asarray(weights, dtype=np.float64), np.asarray(y, dtype=np.float64)
    centre = w @ y / w.sum()
    gram, cross = (x * w[:, None]).T @ x, x.T @ (w * (y - centre))
    penalties = np.asarray(penalties, dtype=np.float64)
    out = np.zeros((len(penalties), x.shape[1] + 1))
    out[:, 0] = centre
    open_columns = np.isfinite(penalties) & (spread > 0)
    for live in np.unique(open_columns, axis=0):
        if live.any():  # lanes with the same columns are solved together
            lanes = np.flatnonzero((open_columns == live).all(axis=1))
            own = gram[np.ix_(live, live)] + penalties[lanes][:, live][:, :, None] * np.eye(live.sum())
            out[np.ix_(lanes, np.append(False, live))] = np.linalg.solve(own, cross[live][:, None])[..., 0]
    loglik = -0.5 * (w @ (y[:, None] - centre - x @ out[:, 1:].T) ** 2)
    return RidgePath(_unscaled(out, columns, weights, spread), loglik, np.ones(len(penalties), dtype=bool))


def _scaled(columns, weights) -> tuple[np.ndarray, np.ndarray]:
    x, w = np.asarray(columns, dtype=np.float64), np.asarray(weights, dtype=np.float64)
    centre = w @ x / w.sum()
    spread = np.sqrt(w @ (x - centre) ** 2 / w.sum())
    spread = np.where(spread > 1e-12 * np.maximum(np.abs(centre), 1.0), spread, 0.0)
    return np.ascontiguousarray((x - centre) / np.where(spread > 0, spread, 1.0)), spread


def _unscaled(beta, columns, weights, spread) -> np.ndarray:
    x, w = np.asarray(columns, dtype=np.float64), np.asarray(weights, dtype=np.float64)
    centre = w @ x / w.sum()
    slopes = beta[:, 1:] / np.where(spread > 0, spread, 1.0)
    return np.column_stack([beta[:, 0] - slopes @ centre, slopes])


@compiled
def _ridge_cox(data, weights, penalties, spread):
    """beta (k, lanes) in SDs, log likelihoods (lanes,), which converged; penalties (k, lanes)."""
    k, lanes = penalties.shape
    sets, products, wk = same_columns(data, weights, k, lanes)
    beta, trial = np.zeros((k, lanes)), np.zeros((k, lanes))
    loglik, best = np.full(lanes, -np.inf), np.full(lanes, -np.inf)
    found, score, info = np.zeros(lanes), np.zeros((k, lanes)), np.zeros((k * (k + 1) // 2, lanes))
    step = np.zeros((k, lanes))
    done = np.zeros(lanes, np.bool_)
    halvings = np.zeros(lanes, np.int64)
    for _ in range(MOST_STEPS):
        evaluate_cox(sets, products, wk, trial, True, found, score, info)
        for j in range(lanes):
            if done[j]:
                continue
            value = found[j]
            for a in range(k):
                if np.isfinite(penalties[a, j]):
                    value -= 0.5 * penalties[a, j] * trial[a, j] ** 2
            if not value > best[j] - SMALL_GAIN * (1.0 + abs(best[j])) and halvings[j] < 30:
                halvings[j] += 1
                for a in range(k):
                    step[a, j] *= 0.5
                    trial[a, j] = beta[a, j] + step[a, j]
                continue
            gained = value - best[j]
            best[j], loglik[j], halvings[j] = value, found[j], 0
            for a in range(k):
                beta[a, j] = trial[a, j]
            if gained < SMALL_GAIN * (1.0 + abs(value)):
                done[j] = True
                continue
            move(score, info, penalties, spread, beta, step, j)
            for a in range(k):
                trial[a, j] = beta[a, j] + step[a, j]
        if done.all():
            break
    return beta, loglik, done


@compiled
def same_columns(data, weights, k, lanes):
    """Risk sets, products and work with the same last column and weights in every lane."""
    sets = risk_sets_of(data, weights)
    products = base_products(sets.rows, data.base, data.base_centre, data.base_spread, False)
    wk = new_work(sets.rows.size, k, lanes)
    for i in range(sets.rows.size):
        row = sets.rows[i]
        value = 0.0
        if data.spread[0] > 0.0:
            value = (data.features[row, 0] - data.centre[0]) / data.spread[0]
        for j in range(lanes):
            wk.x[i, j] = value
            wk.w[i, j] = weights[row]
    return sets, products, wk


@compiled
def _cox_loglik(data, weights, beta):
    k, lanes = beta.shape
    sets, products, wk = same_columns(data, weights, k, lanes)
    loglik, score, info = np.zeros(lanes), np.zeros((k, lanes)), np.zeros((k * (k + 1) // 2, lanes))
    evaluate_cox(sets, products, wk, beta, True, loglik, score, info)
    return loglik


@compiled
def move(score, info, penalties, spread, beta, step, j):
    """Newton step of lane j into `step`; a column left out, or without spread, stays where it is."""
    k = beta.shape[0]
    matrix, vector = np.zeros((k, k)), np.zeros(k)
    t = 0
    for a in range(k):
        for b in range(a + 1):
            matrix[a, b] = info[t, j]
            matrix[b, a] = info[t, j]
            t += 1
    for a in range(k):
        if spread[a] > 0.0 and np.isfinite(penalties[a, j]):
            vector[a] = score[a, j] - penalties[a, j] * beta[a, j]
            matrix[a, a] += penalties[a, j] + 1e-9 * (1.0 + matrix[a, a])
        else:
            for b in range(k):
                matrix[a, b] = 0.0
                matrix[b, a] = 0.0
            matrix[a, a] = 1.0
    found = np.linalg.solve(matrix, vector)
    for a in range(k):
        step[a, j] = found[a]


@compiled
def _ridge_logistic(x, y, w, penalties, spread):
    """beta (lanes, 1 + k) in SDs, log likelihoods (lanes,), which converged."""
    n, k = x.shape
    lanes = penalties.shape[0]
    out, loglik, done = np.zeros((lanes, k + 1)), np.zeros(lanes), np.zeros(lanes, np.bool_)
    columns, penalty, place = np.empty((n, k + 1)), np.zeros(k + 1), np.zeros(k + 1, np.int64)
    columns[:, 0] = 1.0
    for j in range(lanes):
        live = 1  # the intercept, then the columns that this lane does not leave out
        for a in range(k):
            if spread[a] > 0.0 and np.isfinite(penalties[j, a]):
                columns[:, live], penalty[live], place[live] = x[:, a], penalties[j, a], 1 + a
                live += 1
        # a lane starts where the one before ended: neighbours differ by a little in penalty or by a column
        start = np.zeros(live)
        if j > 0 and done[j - 1]:
            for a in range(live):
                start[a] = out[j - 1, place[a]]
        beta, loglik[j], done[j] = _one_ridge_logistic(columns, y, w, penalty, start)
        for a in range(live):
            out[j, place[a]] = beta[a]
    return out, loglik, done


@inlined
def _one_ridge_logistic(columns, y, w, penalty, start):
    """beta, log likelihood without the penalty, converged: of the first columns, from `start` on."""
    n, live = columns.shape[0], start.size
    beta, trial, step = start.copy(), start.copy(), np.zeros(live)
    score, info, share = np.empty(live), np.empty((live, live)), np.empty(n)
    best, loglik, halvings = -np.inf, 0.0, 0
    for _ in range(MOST_STEPS):
        value = 0.0
        for i in range(n):
            eta = 0.0
            for a in range(live):
                eta += columns[i, a] * trial[a]
            # log(1 + exp(eta)) without overflow
            small = np.exp(-abs(eta))
            value += w[i] * (y[i] * eta - max(eta, 0.0) - np.log1p(small))
            share[i] = 1.0 / (1.0 + small) if eta >= 0.0 else small / (1.0 + small)
        plain = value
        for a in range(live):
            value -= 0.5 * penalty[a] * trial[a] ** 2
        if not value > best - SMALL_GAIN * (1.0 + abs(best)) and halvings < 30:
            halvings += 1
            for a in range(live):
                step[a] *= 0.5
                trial[a] = beta[a] + step[a]
            continue
        gained = value - best
        best, loglik, halvings = value, plain, 0
        for a in range(live):
            beta[a] = trial[a]
        if gained < SMALL_GAIN * (1.0 + abs(value)):
            return beta, loglik, True
        score[:] = 0.0
        info[:] = 0.0
        for i in range(n):
            if w[i] == 0.0:
                continue
            r, v = w[i] * (y[i] - share[i]), w[i] * share[i] * (1.0 - share[i])
            for a in range(live):
                score[a] += r * columns[i, a]
                own = v * columns[i, a]
                for b in range(a + 1):
                    info[a, b] += own * columns[i, b]
        for a in range(live):
            score[a] -= penalty[a] * beta[a]
            info[a, a] += penalty[a] + 1e-9 * (1.0 + info[a, a])
            for b in range(a):
                info[b, a] = info[a, b]
        step = np.linalg.solve(info, score)
        for a in range(live):
            trial[a] = beta[a] + step[a]
    return beta, loglik, False
