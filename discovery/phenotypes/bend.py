"""Does a cloud of patients bend, and where along the bend is each of them.

A bent cloud without gaps, seen along its chord, is dense at both ends: a projection shows two humps that
nobody would see who walked along the bend. So a bent cloud is walked along, on the circle that fits it best.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from discovery.phenotypes.cluster import centres_of

BENT = 0.1  # level of the test below, at which a cloud counts as bent
# level at which pieces count as turned against each other; the second test costs two groups next to nothing
TURNED_TWO, TURNED = 0.05, 0.01
TURNED_DRAWS = 199
ROUNDS = 50


def bend_p(scores: np.ndarray, along: np.ndarray) -> float:
    """p of no bend: whether the mean of scores (n, d) given `along` (n,), one direction of them, is straight.

    The square of `along`, less its straight part, against all other directions at once (F with d - 1 and
    n - d - 1 degrees of freedom, as in a regression with d - 1 predictors). 1 where there is one direction.
    """
    from scipy.stats import f

    n = len(scores)
    line = np.column_stack([np.ones(n), along])
    square = _without(along**2, line)
    left, value, _ = np.linalg.svd(_without(scores, line), full_matrices=False)
    left = left[:, value > 1e-8 * np.linalg.norm(scores - scores.mean(axis=0))]
    r, size = left.shape[1], float(square @ square)
    if not 0 < r < n - 2 or size <= 0:
        return 1.0
    explained = min(float(((left.T @ square) ** 2).sum()) / size, 1 - 1e-15)
    return float(f.sf(explained / (1 - explained) * (n - 2 - r) / r, r, n - 2 - r))


def turned_pieces_p(scores: np.ndarray, labels: np.ndarray, k: int, rng: np.random.Generator) -> float:
    """p of pieces that lie alike: whether the groups `labels` (n,) of scores (n, d) have one covariance.

    A bent cloud cut in pieces has pieces turned against each other, whatever line one looks along. The
    deviations from the groups' means, in the scale of their pooled covariance, are handed round between the
    groups at random (199 times); the statistic is the squared distance of the groups' covariances from it.
    """
    means = centres_of(scores, labels, k)
    size = np.bincount(labels, minlength=k).astype(float)
    away = (scores - means[labels]) * np.sqrt(size / np.maximum(size - 1, 1))[labels][:, None]
    n = len(away)
    value, vector = np.linalg.eigh(away.T @ away / n)
    keep = value > value[-1] * 1e-9
    if not keep.any() or value[-1] <= 0:
        return 1.0
    away = away @ (vector[:, keep] / np.sqrt(value[keep]))
    round_ = np.eye(away.shape[1])
    of = [np.flatnonzero(labels == c) for c in range(k) if size[c] > 0]

    def turned(order: np.ndarray) -> float:
        covariances = [away[order[rows]].T @ away[order[rows]] / len(rows) for rows in of]
        return sum(len(rows) * float(((s - round_) ** 2).sum()) for rows, s in zip(of, covariances))

    observed = turned(np.arange(n)) * (1 - 1e-12)  # the same but for rounding counts as a tie
    as_far = sum(turned(rng.permutation(n)) >= observed for _ in range(TURNED_DRAWS))
    return float((1 + as_far) / (TURNED_DRAWS + 1))


def along_the_bend(scores: np.ndarray, labels: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
    """The rule x (m, d) -> places (m,) along the circle through scores (n, d), cut in two by `labels` (n,).

    The circle lies in the plane of the line between the two means and of the direction into which the cloud
    bends away from it; it minimises the squared distances of the patients from it.
    """
    middle = scores.mean(axis=0)
    chord = scores[labels == 0].mean(axis=0) - scores[labels == 1].mean(axis=0)
    chord = chord / np.linalg.norm(chord)
    away = scores - middle
    line = np.column_stack([np.ones(len(scores)), away @ chord])
    bow = _without(away, line).T @ _without(line[:, 1] ** 2, line)
    bow = bow - chord * (chord @ bow)
    bow = bow / max(np.linalg.norm(bow), np.finfo(float).tiny)
    plane = np.column_stack([chord, bow])
    centre, radius = fitted_circle(away @ plane)
    start = np.arctan2(-centre[1], -centre[0])

    def rule(x: np.ndarray) -> np.ndarray:
        seen = (x - middle) @ plane - centre
        angle = np.arctan2(seen[:, 1], seen[:, 0]) - start
        return radius * ((angle + np.pi) % (2 * np.pi) - np.pi)

    return rule


def fitted_circle(points: np.ndarray) -> tuple[np.ndarray, float]:
    """Centre (2,) and radius of the circle with the least squared distances from points (n, 2).

    Gauss-Newton from the algebraic fit. A straight cloud gets a very large circle.

    References
    ----------
    Gander, Golub & Strebel, BIT 1994;34:558-578.
    """
    n = len(points)
    system = np.column_stack([2 * points, np.ones(n)])
    found = np.linalg.lstsq(system, (points**2).sum(axis=1), rcond=None)[0]
    centre = found[:2]
    radius = float(np.sqrt(max(found[2] + centre @ centre, np.finfo(float).tiny)))
    for _ in range(ROUNDS):
        out = points - centre
        distance = np.maximum(np.sqrt((out**2).sum(axis=1)), np.finfo(float).tiny)
        slope = np.column_stack([-out / distance[:, None], -np.ones(n)])
        step = np.linalg.lstsq(slope, radius - distance, rcond=None)[0]
        centre, radius = centre + step[:2], radius + float(step[2])
        if np.abs(step).max() <= 1e-8 * abs(radius):
            break
    return centre, abs(radius)


def _without(values: np.ndarray, line: np.ndarray) -> np.ndarray:
    """`values` less their regression on the columns of `line`."""
    return values - line @ np.linalg.lstsq(line, values, rcond=None)[0]
