"""The loops of a neighbourhood map: how near is near for each point, and pull and push in the plane."""

from __future__ import annotations

import numpy as np

from discovery.kernels.compiled import compiled

ROUNDS, CLOSE = 64, 1e-5
NARROWEST = 1e-3  # of the mean distance: no neighbourhood is narrower
FARTHEST_STEP = 4.0
PUSHES = 5  # points pushed away for each pull


@compiled
def memberships(distances):
    """How far each neighbour belongs, exp(-(distance - nearest) / width), with one width a point.

    distances : float64 (n, m), to the m nearest other points, rising. The widths make each row sum to
    log2(m + 1). Returns float64 (n, m).

    References
    ----------
    McInnes, Healy & Melville, arXiv 1802.03426, algorithm 3.
    """
    n, m = distances.shape
    goal = np.log2(m + 1.0)
    everywhere = distances.sum() / (n * (m + 1.0))
    out = np.empty((n, m))
    for i in range(n):
        nearest = 0.0
        for j in range(m):
            if distances[i, j] > 0.0:
                nearest = distances[i, j]
                break
        low, high, width = 0.0, np.inf, 1.0
        for _ in range(ROUNDS):
            total = 0.0
            for j in range(m):
                over = distances[i, j] - nearest
                total += np.exp(-over / width) if over > 0.0 else 1.0
            if abs(total - goal) < CLOSE:
                break
            if total > goal:
                high = width
                width = (low + high) / 2.0
            else:
                low = width
                width = width * 2.0 if high == np.inf else (low + high) / 2.0
        own = distances[i].sum() / (m + 1.0)
        width = max(width, NARROWEST * (own if nearest > 0.0 else everywhere))
        for j in range(m):
            over = distances[i, j] - nearest
            out[i, j] = np.exp(-over / width) if over > 0.0 and width > 0.0 else 1.0
    return out


@compiled
def spread_out(points, head, tail, weight, a, b, epochs, seed):
    """Move `points` until those that belong together lie together: a sampled gradient descent.

    Parameters
    ----------
    points : float64 (n, 2), the start; left as it is
    head, tail : int64 (e,), the pairs; weight : float64 (e,), how far they belong together, above 0
    a, b : shape of the likeness 1 / (1 + a d^(2b)) in the plane
    epochs : int; seed : uint64, of the pushes

    Returns float64 (n, 2). A pair is pulled as often as its weight says, the step falling to nothing.

    References
    ----------
    McInnes, Healy & Melville, arXiv 1802.03426, algorithm 5; Vigna, arXiv 1410.0530 (random numbers).
    """
    at = points.copy()
    n = at.shape[0]
    every = weight.max() / weight
    due = every.copy()
    push_every = every / PUSHES
    push_due = push_every.copy()
    state = np.uint64(seed)
    for epoch in range(epochs):
        step = 1.0 - epoch / epochs
        for e in range(head.size):
            if due[e] > epoch:
                continue
            i, j = head[e], tail[e]
            x, y = at[i, 0] - at[j, 0], at[i, 1] - at[j, 1]
            square = x * x + y * y
            if square > 0.0:
                power = square**b
                pull = -2.0 * a * b * power / square / (a * power + 1.0)
                for dim, gap in ((0, x), (1, y)):
                    move = step * max(-FARTHEST_STEP, min(FARTHEST_STEP, pull * gap))
                    at[i, dim] += move
                    at[j, dim] -= move
            due[e] += every[e]
            times = int((epoch - push_due[e]) / push_every[e])
            for _ in range(times):
                state ^= state >> np.uint64(12)
                state ^= state << np.uint64(25)
                state ^= state >> np.uint64(27)
                other = np.int64((state * np.uint64(2685821657736338717)) >> np.uint64(33)) % n
                if other == i:
                    continue
                x, y = at[i, 0] - at[other, 0], at[i, 1] - at[other, 1]
                square = x * x + y * y
                if square > 0.0:
                    push = 2.0 * b / ((0.001 + square) * (a * square**b + 1.0))
                    for dim, gap in ((0, x), (1, y)):
                        at[i, dim] += step * max(-FARTHEST_STEP, min(FARTHEST_STEP, push * gap))
            push_due[e] += times * push_every[e]
    return at
