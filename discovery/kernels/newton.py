"""Newton's method for several small models side by side, one in each lane.

A block of features is fitted at once: arrays carry the lane as their last axis, so the inner loops
run over neighbouring numbers and the compiler can use vector instructions without changing the
order of any sum. The model supplies log likelihood, score and information at `trial`; `advance`
accepts or halves the step, judges each lane and sets the next `trial`.

Symmetric k x k matrices are packed by rows of the lower triangle: entry (a, b <= a) at
a (a + 1) / 2 + b. The feature is always the last column, so its pivot in the Cholesky factor is the
information left for it by the others.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .compiled import compiled
from .screen_fit import COLLINEAR, CONSTANT, NOT_CONVERGED, OK, SEPARATED

LANES = 16  # widest block
RUNNING = -1
MAX_STEP = 50.0  # columns have unit spread; longer steps are only taken towards infinity
MAX_ITERATIONS = 60
MAX_ITERATIONS_FIRTH = 500  # scoring with the unpenalised information: slow when columns nearly separate
MAX_HALVINGS = 30
RUNAWAY = 8.0  # per standard deviation, where a fit cannot go on
CONVERGED = 1e-12  # squared length of the step in standard errors
STEEPEST_FALL = 1e-3  # of the decrement in one step towards infinity: about e-fold; convergence is steeper
LIMIT = 1e-10  # about what the likelihood has still to gain from a covariate that runs away
LOOSE = 100.0  # standard error, per standard deviation, of a column that only seems to have converged
NEAR_LIMIT = 1e-6  # the same, enough where floating point allows no more steps
CONVERGED_FIRTH = 1e-15  # converges linearly, so the last step must be smaller
CONVERGED_DRAW = 1e-6  # enough for a bootstrap draw: what is left after that step is its square
CONVERGED_FIRTH_DRAW = 1e-8  # the same with Firth's penalty: a step of 1e-4 standard errors
COLLINEAR_PIVOT = 1e-9  # 1 - R^2 of a column on those before it
CONSTANT_INFORMATION = 1e-11  # information of a unit-spread column per unit weight of events
EXHAUSTED_PIVOT = 1e-15
AT_BOUND = 1e-12  # squared length in standard errors of the step that ends at a bound: wrong by about that


class Newton(NamedTuple):
    """State of a block of fits; every array ends with the lane."""

    beta: np.ndarray  # (k, lanes) accepted coefficients
    trial: np.ndarray  # (k, lanes) where the model is to be evaluated next
    step: np.ndarray  # (k, lanes) from beta to trial
    loglik: np.ndarray  # (lanes,) at beta
    info: np.ndarray  # (k (k + 1) / 2, lanes) at beta
    new_loglik: np.ndarray  # the model writes these three at trial
    new_score: np.ndarray
    new_info: np.ndarray
    screen: bool  # only the last column, the feature, is watched
    converged: float  # squared length of the last step in standard errors
    converged_firth: float  # the same with Firth's penalty
    live: np.ndarray  # (k, lanes) 0: the column carries no information, its coefficient stays
    status: np.ndarray  # (lanes,) RUNNING or a code
    halvings: np.ndarray
    iterations: np.ndarray
    full: np.ndarray  # (k, lanes) last step before it was cut or stretched
    scale: np.ndarray  # (lanes,) what the last full step was multiplied with
    last_move: np.ndarray  # (lanes,) size of the watched part of the last full step
    last_length: np.ndarray  # (lanes,) size of the whole of it
    last_decrement: np.ndarray
    side: np.ndarray  # (lanes,) 0: the lane seeks the maximum; -1, 1: the feature's bound on that side
    level: np.ndarray  # (lanes,) log likelihood at that bound
    low: np.ndarray  # (k, k) scratch
    vector: np.ndarray  # (k,) scratch


@compiled
def new_newton(k, lanes, screen, draw=False):
    kk = k * (k + 1) // 2
    return Newton(
        np.zeros((k, lanes)),
        np.zeros((k, lanes)),
        np.zeros((k, lanes)),
        np.zeros(lanes),
        np.zeros((kk, lanes)),
        np.zeros(lanes),
        np.zeros((k, lanes)),
        np.zeros((kk, lanes)),
        screen,
        CONVERGED_DRAW if draw else CONVERGED,
        CONVERGED_FIRTH_DRAW if draw else CONVERGED_FIRTH,
        np.ones((k, lanes), dtype=np.int8),
        np.zeros(lanes, dtype=np.int8),
        np.zeros(lanes, dtype=np.int64),
        np.zeros(lanes, dtype=np.int64),
        np.zeros((k, lanes)),
        np.ones(lanes),
        np.zeros(lanes),
        np.zeros(lanes),
        np.zeros(lanes),
        np.zeros(lanes),
        np.zeros(lanes),
        np.zeros((k, k)),
        np.zeros(k),
    )


@compiled
def restart(nt):
    """Every lane runs from its `beta`; a lane whose status is set afterwards stays out."""
    for j in range(nt.status.size):
        nt.status[j] = RUNNING
        nt.halvings[j] = 0
        nt.iterations[j] = 0
        nt.last_move[j] = np.inf
        nt.last_length[j] = np.inf
        nt.scale[j] = 1.0
        nt.last_decrement[j] = np.inf
        nt.loglik[j] = -np.inf
        for a in range(nt.beta.shape[0]):
            nt.full[a, j] = 0.0
            nt.live[a, j] = 1
            nt.step[a, j] = 0.0
            nt.trial[a, j] = nt.beta[a, j]


@compiled
def factor(info, j, k, live, tolerance, low):
    """Cholesky factor of lane `j` in `low`; a dead or exhausted column has a 0 on the diagonal."""
    for a in range(k):
        row = a * (a + 1) // 2
        if live[a, j] == 0:
            for b in range(a + 1):
                low[a, b] = 0.0
            continue
        for b in range(a):
            total = info[row + b, j]
            for c in range(b):
                total -= low[a, c] * low[b, c]
            low[a, b] = total / low[b, b] if low[b, b] > 0.0 else 0.0
        diagonal = info[row + a, j]
        total = diagonal
        for c in range(a):
            total -= low[a, c] * low[a, c]
        low[a, a] = np.sqrt(total) if total > tolerance * diagonal and total < np.inf else 0.0


@compiled
def solve(low, k, vector):
    """Solve in place; the coefficient of a column without a pivot is 0."""
    solve_forward(low, k, vector)
    solve_backward(low, k, vector)


@compiled
def solve_forward(low, k, vector):
    for a in range(k):
        total = vector[a]
        for b in range(a):
            total -= low[a, b] * vector[b]
        vector[a] = total / low[a, a] if low[a, a] > 0.0 else 0.0


@compiled
def solve_backward(low, k, vector):
    for a in range(k - 1, -1, -1):
        total = vector[a]
        for b in range(a + 1, k):
            total -= low[b, a] * vector[b]
        vector[a] = total / low[a, a] if low[a, a] > 0.0 else 0.0


@compiled
def inverse_and_log_determinant(info, j, k, live, low, inverse):
    """Packed inverse of lane `j` into `inverse[:, j]`; columns without a pivot are left out."""
    factor(info, j, k, live, EXHAUSTED_PIVOT, low)
    log_determinant = 0.0
    for a in range(k):
        if low[a, a] > 0.0:
            log_determinant += 2.0 * np.log(low[a, a])
        elif live[a, j] == 1:
            log_determinant = -np.inf
    for b in range(k - 1, -1, -1):  # the factor's inverse in its place
        low[b, b] = 1.0 / low[b, b] if low[b, b] > 0.0 else 0.0
        for a in range(k - 1, b, -1):
            total = 0.0
            for c in range(b + 1, a + 1):
                total += low[a, c] * low[c, b]
            low[a, b] = -total * low[b, b]
    for a in range(k):
        for b in range(a + 1):
            total = 0.0
            for c in range(a, k):
                total += low[c, a] * low[c, b]
            inverse[a * (a + 1) // 2 + b, j] = total
    return log_determinant


@compiled
def find_live(nt, event_weight, free):
    """At the first evaluation: leave out columns without information.

    In a screen whose feature is free (`free` = k) a feature without information ends its lane.
    """
    k = nt.beta.shape[0]
    judged = nt.screen and free == k
    for j in range(nt.status.size):
        if nt.status[j] != RUNNING:
            continue
        for a in range(k):
            at = a * (a + 1) // 2 + a
            if not nt.new_info[at, j] > CONSTANT_INFORMATION * event_weight[j]:
                nt.live[a, j] = 0
                if a == k - 1 and judged:
                    nt.status[j] = CONSTANT
        factor(nt.new_info, j, k, nt.live, COLLINEAR_PIVOT, nt.low)
        for a in range(k):
            if nt.live[a, j] == 1 and not nt.low[a, a] > 0.0:
                nt.live[a, j] = 0
                if a == k - 1 and judged:
                    nt.status[j] = COLLINEAR


@compiled
def exhausted(nt, j, free):
    """Whether a watched column that began with information has none left: the estimate ran away."""
    for a in range(nt.beta.shape[0] - 1 if nt.screen else 0, free):
        if nt.live[a, j] == 1 and not nt.low[a, a] > 0.0:
            return True
    return False


@compiled
def reason_to_stop(nt, j, free, firth):
    """Code of a lane that cannot go on: separated when a watched coefficient has become very large.

    A covariate that runs away can exhaust the range of floating point just before its limit; the fit
    then counts, if information on the feature is left or was not asked for.
    """
    k = nt.beta.shape[0]
    for a in range(k - 1 if nt.screen else 0, free):
        if abs(nt.beta[a, j]) > RUNAWAY and not firth:
            return SEPARATED
    if nt.screen and not firth and nt.last_decrement[j] < NEAR_LIMIT:
        factor(nt.info, j, k, nt.live, EXHAUSTED_PIVOT, nt.low)
        if free < k or nt.low[k - 1, k - 1] > 0.0:
            return OK
    return NOT_CONVERGED


@compiled
def stretch(nt, j, free, decrement):
    """Factor for the step with Firth's penalty, whose steps use the unpenalised information.

    Near the maximum they are too long or too short by a factor that the last two tell (secant).
    """
    if nt.iterations[j] < 3 or decrement > 1e-2:
        return 1.0
    cross, square = 0.0, 0.0
    for a in range(free):
        cross += nt.vector[a] * nt.full[a, j]
        square += nt.full[a, j] * nt.full[a, j]
    if not square > 0.0:
        return 1.0
    left = 1.0 - cross / square
    return min(max(nt.scale[j] / left, 0.25), 4.0) if left > 0.0 else 1.0


@compiled
def approach(nt, j):
    """Newton's next step of lane `j` to where the profile likelihood of the feature has come down to `level`.

    Venzon & Moolgavkar, Appl Stat 1988;37:87-94. Multiplied by the Cholesky factor, in which the feature is
    last, steps are in standard errors: those of the other coefficients are the solved score, and the
    feature's ends where the quadratic that is left has the level. A lane that does not close in fast is given
    up as not converged.
    """
    k = nt.beta.shape[0]
    nt.status[j] = NOT_CONVERGED
    nt.iterations[j] += 1
    factor(nt.new_info, j, k, nt.live, EXHAUSTED_PIVOT, nt.low)
    for a in range(k):
        nt.vector[a] = nt.new_score[a, j]
    solve_forward(nt.low, k, nt.vector)
    length = 0.0
    for a in range(k - 1):
        length += nt.vector[a] * nt.vector[a]
    above = nt.new_loglik[j] + 0.5 * length - nt.level[j]
    slope = nt.side[j] * nt.vector[k - 1]
    root = slope * slope + 2.0 * above
    if not (nt.low[k - 1, k - 1] > 0.0 and slope < 0.0 and root >= 0.0):
        return
    move = 2.0 * above / (np.sqrt(root) - slope)
    length += move * move
    if not length < 0.25 * nt.last_decrement[j]:
        return
    nt.last_decrement[j] = length
    nt.vector[k - 1] = nt.side[j] * move
    solve_backward(nt.low, k, nt.vector)
    for a in range(k):
        nt.trial[a, j] += nt.vector[a]
        nt.beta[a, j] = nt.trial[a, j]
    nt.status[j] = OK if length < AT_BOUND else RUNNING


@compiled
def advance(nt, free, firth):
    """Judge the values at `trial` lane by lane and set the next trial; False when all lanes are done.

    The first `free` coefficients move, the others stay. A screen watches the feature alone, otherwise
    every column is watched: it counts as separating when the likelihood has flattened out while its
    full Newton steps do not shrink, for then score and information fall together and the estimate runs
    away at a constant pace. A column that is not watched may run away: the likelihood and the other
    estimates have their limits nevertheless. A lane with a `side` seeks a bound in place of the maximum.
    """
    k = nt.beta.shape[0]
    watched = k - 1 if nt.screen else 0
    running = False
    for j in range(nt.status.size):
        if nt.status[j] != RUNNING:
            continue
        if nt.side[j] != 0.0:
            approach(nt, j)
            running = running or nt.status[j] == RUNNING
            continue
        slack = 1e-10 * (1.0 + abs(nt.loglik[j]))
        better = nt.new_loglik[j] >= nt.loglik[j] - slack and nt.new_loglik[j] < np.inf
        if nt.iterations[j] > 0 and not better:
            nt.halvings[j] += 1
            if nt.halvings[j] > MAX_HALVINGS:
                nt.status[j] = reason_to_stop(nt, j, free, firth)
                continue
            for a in range(free):
                nt.step[a, j] *= 0.5
                nt.trial[a, j] = nt.beta[a, j] + nt.step[a, j]
            running = True
            continue
        if not abs(nt.new_loglik[j]) < np.inf:
            nt.status[j] = reason_to_stop(nt, j, free, firth)
            continue
        nt.halvings[j] = 0
        nt.iterations[j] += 1
        nt.loglik[j] = nt.new_loglik[j]
        for a in range(k):
            nt.beta[a, j] = nt.trial[a, j]
        for t in range(nt.info.shape[0]):
            nt.info[t, j] = nt.new_info[t, j]
        factor(nt.info, j, k, nt.live, EXHAUSTED_PIVOT, nt.low)
        for a in range(free):
            nt.vector[a] = nt.new_score[a, j]
        solve(nt.low, free, nt.vector)
        decrement, longest, move = 0.0, 0.0, 0.0
        for a in range(free):
            decrement += nt.vector[a] * nt.new_score[a, j]
            longest = max(longest, abs(nt.vector[a]))
            if a >= watched:
                move = max(move, abs(nt.vector[a]))
        if not decrement < np.inf:
            nt.status[j] = reason_to_stop(nt, j, free, firth)
            continue
        shrink = MAX_STEP / longest if longest > MAX_STEP else 1.0
        if firth:
            shrink *= stretch(nt, j, free, decrement)
        for a in range(free):
            nt.full[a, j] = nt.vector[a]
            nt.step[a, j] = shrink * nt.vector[a]
        nt.scale[j] = shrink
        if not firth and nt.iterations[j] > 2:
            flat = STEEPEST_FALL * nt.last_decrement[j] < decrement < 1e-4
            steady = flat and move > 1e-6 and move > 0.5 * nt.last_move[j]
            if steady or exhausted(nt, j, free):
                nt.status[j] = SEPARATED
                continue
            if decrement < LIMIT and longest > 1e-6 and longest > 0.5 * nt.last_length[j]:
                # a column that is not watched runs away, the rest has its limit; unless it is a watched one
                nt.status[j] = SEPARATED if move > LOOSE * np.sqrt(LIMIT) else OK
                continue
        stalled = decrement >= 0.5 * nt.last_decrement[j] and decrement < 1e-9
        if decrement < (nt.converged_firth if firth else nt.converged) or stalled:
            if not firth:
                for a in range(free):
                    nt.beta[a, j] += nt.step[a, j]
                nt.loglik[j] += 0.5 * decrement
            loose = not firth and decrement < nt.converged and move > LOOSE * np.sqrt(nt.converged)
            nt.status[j] = SEPARATED if loose or exhausted(nt, j, free) else OK
            continue
        if nt.iterations[j] >= (MAX_ITERATIONS_FIRTH if firth else MAX_ITERATIONS):
            nt.status[j] = reason_to_stop(nt, j, free, firth)
            continue
        nt.last_move[j] = move
        nt.last_length[j] = longest
        nt.last_decrement[j] = decrement
        for a in range(free):
            nt.trial[a, j] = nt.beta[a, j] + nt.step[a, j]
        running = True
    return running


@compiled
def resume(nt, given):
    """Start every lane from its `beta`, except those that `given` (lanes,) does not call RUNNING."""
    restart(nt)
    for j in range(nt.status.size):
        if given[j] != RUNNING:
            nt.status[j] = given[j]


@compiled
def standard_error(nt, j):
    """Standard error of the feature's scaled coefficient in lane `j`."""
    k = nt.beta.shape[0]
    factor(nt.info, j, k, nt.live, 0.0, nt.low)
    return 1.0 / nt.low[k - 1, k - 1]
