"""A single model taken out of the lanes and put in the caller's units."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .newton import Newton, factor, solve
from .screen_fit import COLLINEAR, CONSTANT, OK


class OneFit(NamedTuple):
    """Lane 0 of a block. `log_scale`: what a penalised log likelihood gains in the caller's units."""

    coef: np.ndarray
    covariance: np.ndarray
    loglik: float
    log_scale: float
    code: int
    estimated: bool
    iterations: int


def in_callers_units(
    nt: Newton, spread: np.ndarray, centre: np.ndarray, *, intercept: bool, firth: bool
) -> OneFit:
    """Undo centre (k,) and spread (k,) of the columns; the intercept, if any, stands before them.

    Without estimates coefficients and covariance are NaN. A column without information has coefficient
    0, NaN in its row and column of the covariance, and makes the code 1 (spread 0) or 4.
    """
    shift = 1 if intercept else 0
    size = shift + spread.size
    live = nt.live[:size, 0] == 1
    code = int(nt.status[0])
    estimated = code == OK
    iterations = int(nt.iterations[0])
    scale = np.ones(size)
    scale[shift:] = np.where(spread > 0, spread, 1.0)
    log_scale = float(np.log(scale[live]).sum()) if firth else 0.0
    loglik = float(nt.loglik[0]) + log_scale
    if not estimated:
        blank = np.full((size, size), np.nan)
        return OneFit(np.full(size, np.nan), blank, loglik, log_scale, code, False, iterations)
    turn = np.diag(1.0 / scale)
    if intercept:
        turn[0, 1:] = -centre / scale[1:] * live[1:]
    coef = turn @ np.where(live, nt.beta[:size, 0], 0.0)
    covariance = turn @ _inverse(nt, size) @ turn.T
    covariance[~live] = np.nan
    covariance[:, ~live] = np.nan
    if not live.all():
        code = CONSTANT if (spread[~live[shift:]] == 0).any() else COLLINEAR
    return OneFit(coef, covariance, loglik, log_scale, code, True, iterations)


def _inverse(nt: Newton, size: int) -> np.ndarray:
    """Inverse of the information of the live columns among the first `size`; 0 elsewhere."""
    low = np.zeros((size, size))
    factor(np.ascontiguousarray(nt.info), 0, size, nt.live, 0.0, low)
    inverse = np.zeros((size, size))
    for a in range(size):
        if low[a, a] > 0:
            inverse[a, a] = 1.0
            solve(low, size, inverse[a])
    return inverse
