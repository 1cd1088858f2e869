"""Limits of profile-likelihood intervals of negative binomial models, for many features in one call."""

from __future__ import annotations

import numpy as np

from .compiled import compiled, inlined
from .count_screen import fit_model
from .screen_fit import OK

STEPS_OUT = 12
STEPS_IN = 60


@compiled
def profile_limits(y, w, offset, base, features, observed, coef, se, top, code, target, bounds):
    """Where the signed root of the likelihood ratio is `target`, on both sides, into bounds (2, p)."""
    rows_all, p = features.shape
    for j in range(p):
        if code[j] != OK:
            continue
        m = 0
        rows = np.zeros(rows_all, dtype=np.int64)
        for i in range(rows_all):
            if w[i] > 0.0 and observed[i, j]:
                rows[m] = i
                m += 1
        rows = rows[:m]
        x = np.zeros(m)
        for i in range(m):
            x[i] = features[rows[i], j]
        own = (y[rows], w[rows], offset[rows], base[rows])
        for side in range(2):
            sign = -1.0 if side == 0 else 1.0
            bounds[side, j] = _limit(own, x, coef[j], se[j], top[j], target, sign)


@inlined
def _limit(own, x, coef, se, top, target, sign):
    at = coef[-1]
    known, held = coef[:-1].copy(), np.zeros(coef.size - 1)
    inner, f_inner = at, -target
    outer, f_outer = at, -target
    width = target * se
    for _ in range(STEPS_OUT):
        outer = at + sign * width
        f_outer = _gap(own, x, outer, known, top, held) - target
        if f_outer > 0.0:
            break
        inner, f_inner = outer, f_outer
        width *= 1.5
    if not f_outer > 0.0:
        return sign * np.inf
    for _ in range(STEPS_IN):  # regula falsi, Illinois: the root is nearly a straight line
        middle = (inner * f_outer - outer * f_inner) / (f_outer - f_inner)
        f = _gap(own, x, middle, known, top, held) - target
        if abs(f) < 1e-9:
            return middle
        if f > 0.0:
            outer, f_outer = middle, f
            f_inner *= 0.5
        else:
            inner, f_inner = middle, f
            f_outer *= 0.5
        if abs(outer - inner) < 1e-10 * (1.0 + se):
            break
    return 0.5 * (inner + outer)


@compiled
def _gap(own, x, value, known, top, held):
    """Signed root with the coefficient of `x` held at `value` and all else estimated anew."""
    y, w, offset, base = own
    _, loglik, _, _ = fit_model(y, w, offset + value * x, base, known, 0.1, False, held)
    return np.sqrt(max(2.0 * (top - loglik), 0.0))
