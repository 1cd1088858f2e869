"""Compiled fits of negative binomial models, variance mu + alpha mu^2, with an offset.

Each model has its own dispersion, found together with its coefficients by Newton's method on the observed
information. The sums over log(1 + alpha l), l below the count, are taken from a table of how many counts
lie above each l, so that no gamma function is needed and alpha = 0 (Poisson) is an ordinary point.
"""

from __future__ import annotations

import numpy as np

from .compiled import compiled, inlined
from .newton import COLLINEAR_PIVOT, factor
from .screen_fit import COLLINEAR, NOT_CONVERGED, OK, SEPARATED

MAX_ITERATIONS = 100
RUNAWAY = 12.0  # of a coefficient of a column of unit spread: the rate vanishes or explodes


@compiled
def solve_symmetric(matrix, right, out):
    """out = matrix^-1 right by Cholesky; False where the matrix is not positive definite."""
    k = right.size
    low = np.zeros((k, k))
    for a in range(k):
        for b in range(a + 1):
            total = matrix[a, b]
            for c in range(b):
                total -= low[a, c] * low[b, c]
            if a == b:
                if not total > 1e-10 * matrix[a, a]:
                    return False
                low[a, a] = np.sqrt(total)
            else:
                low[a, b] = total / low[b, b]
    for a in range(k):
        total = right[a]
        for c in range(a):
            total -= low[a, c] * out[c]
        out[a] = total / low[a, a]
    for a in range(k - 1, -1, -1):
        total = out[a]
        for c in range(a + 1, k):
            total -= low[c, a] * out[c]
        out[a] = total / low[a, a]
    return True


@compiled
def independent(x):
    """Indices of the columns of x (m, k) that are no mix of those before them."""
    m, k = x.shape
    products = np.zeros((k * (k + 1) // 2, 1))
    for i in range(m):
        at = 0
        for a in range(k):
            for b in range(a + 1):
                products[at, 0] += x[i, a] * x[i, b]
                at += 1
    low = np.zeros((k, k))
    factor(products, 0, k, np.ones((k, 1), dtype=np.int8), COLLINEAR_PIVOT, low)
    return np.flatnonzero(np.diag(low) > 0.0)


@compiled
def above(y, w):
    """Weight (max y,) of counts above l, l = 0, 1, ..."""
    top = 0
    for i in range(y.size):
        top = max(top, int(y[i]))
    table = np.zeros(top)
    for i in range(y.size):
        if y[i] > 0:
            table[int(y[i]) - 1] += w[i]
    for level in range(top - 2, -1, -1):
        table[level] += table[level + 1]
    return table


@compiled
def evaluate_count(x, y, w, offset, table, beta, alpha, score, info):
    """Log likelihood without its constant; score (k + 1,) and observed information, alpha last."""
    m, k = x.shape
    score[:] = 0.0
    info[:] = 0.0
    total = 0.0
    for i in range(m):
        eta = offset[i]
        for a in range(k):
            eta += x[i, a] * beta[a]
        mu = np.exp(eta)
        am = alpha * mu
        d = 1.0 + am
        if am > 1e-4:
            l1 = np.log1p(am)
            part = l1 / alpha
            first = l1 / alpha**2 - mu / (alpha * d)
            second = -2.0 * l1 / alpha**3 + 2.0 * mu / (alpha**2 * d) + mu * mu / (alpha * d * d)
        else:  # series in alpha mu
            l1 = np.log1p(am)
            part = mu * (1.0 - am / 2.0 + am * am / 3.0)
            first = mu * mu * (0.5 - 2.0 * am / 3.0 + 0.75 * am * am)
            second = mu**3 * (-2.0 / 3.0 + 1.5 * am - 2.4 * am * am)
        total += w[i] * (y[i] * eta - y[i] * l1 - part)
        g = w[i] * (y[i] - mu) / d
        h = w[i] * mu * (1.0 + alpha * y[i]) / (d * d)
        cross = w[i] * (y[i] - mu) * mu / (d * d)
        score[k] += w[i] * (first - y[i] * mu / d)
        info[k, k] -= w[i] * (second + y[i] * mu * mu / (d * d))
        for a in range(k):
            score[a] += g * x[i, a]
            info[k, a] += cross * x[i, a]
            v = h * x[i, a]
            for b in range(a + 1):
                info[a, b] += v * x[i, b]
    for level in range(table.size):
        up = 1.0 + alpha * level
        total += table[level] * np.log(up)
        score[k] += table[level] * level / up
        info[k, k] += table[level] * level * level / (up * up)
    return total


@inlined
def maximise_count(x, y, w, offset, table, beta, alpha, watch):
    """Best coefficients into `beta` (k,) from those given; (alpha, log likelihood, info, code).

    `watch`: the last column is the feature.
    """
    k = beta.size
    score, info = np.zeros(k + 1), np.zeros((k + 1, k + 1))
    fresh_score, fresh_info = np.zeros(k + 1), np.zeros((k + 1, k + 1))
    step, trial = np.zeros(k + 1), np.zeros(k)
    loglik = evaluate_count(x, y, w, offset, table, beta, alpha, score, info)
    code = NOT_CONVERGED
    for _ in range(MAX_ITERATIONS):
        held = alpha == 0.0 and score[k] <= 0.0
        step[:] = 0.0
        joint = False
        if not held and info[k, k] > 0.0:
            joint = solve_symmetric(info, score, step)
        if not joint:
            own = np.zeros(k)
            if not solve_symmetric(info[:k, :k], score[:k], own):
                code = COLLINEAR
                break
            step[:k] = own
            step[k] = 0.0
            if not held:
                step[k] = score[k] / info[k, k] if info[k, k] > 0.0 else max(alpha, 0.1) * np.sign(score[k])
        longest = 0.0
        for a in range(k):
            longest = max(longest, abs(step[a]))
        scale = min(1.0, 3.0 / longest) if longest > 0.0 else 1.0
        gain = 0.0
        for a in range(k + 1):
            gain += step[a] * score[a]
        if gain < 1e-13 * (1.0 + abs(loglik)) and (joint or held):
            code = OK
            break
        better = False
        for _half in range(40):
            for a in range(k):
                trial[a] = beta[a] + scale * step[a]
            new_alpha = alpha + scale * step[k]
            if new_alpha < 0.0:
                new_alpha = 0.0 if alpha < 1e-6 else 0.2 * alpha
            new = evaluate_count(x, y, w, offset, table, trial, new_alpha, fresh_score, fresh_info)
            if new >= loglik - 1e-12 * (1.0 + abs(loglik)) and new < np.inf:
                better = True
                break
            scale *= 0.5
        if not better:
            code = OK if gain < 1e-8 else NOT_CONVERGED
            break
        beta[:] = trial
        alpha, loglik = new_alpha, new
        score[:] = fresh_score
        info[:] = fresh_info
    if watch and abs(beta[k - 1]) > RUNAWAY:
        code = SEPARATED  # other columns may run away, the rest has its limit
    return alpha, loglik, info, code
