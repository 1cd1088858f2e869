"""K-means from many starts, and the silhouette of several labellings at once.

Points come as columns, (d, n): the loops run along patients, where they vectorise without changing the
order of any sum. The random numbers are handed in, so a draw has the same bytes on any thread.
"""

from __future__ import annotations

import numpy as np

from discovery.kernels.compiled import compiled

MOST_ITERATIONS = 300


@compiled
def kmeans(points, k, uniforms):
    """The best of many runs of Lloyd's k-means, each begun by careful (D squared) seeding.

    Parameters
    ----------
    points : float64 (d, n), one column a patient
    k : int, from 1 to n
    uniforms : float64 (starts, k), in [0, 1): where the seeding of each start looks

    Returns
    -------
    labels : int64 (n,)
    centres : float64 (k, d)
    inertia : float, the sum of squared distances to the centres

    References
    ----------
    Arthur & Vassilvitskii, Proc SODA 2007:1027-1035 (seeding).
    """
    d, n = points.shape
    best = np.inf
    best_labels = np.zeros(n, dtype=np.int64)
    best_centres = np.zeros((k, d))
    labels = np.zeros(n, dtype=np.int64)
    nearest = np.empty(n)
    rows = points.T.copy()
    for start in range(uniforms.shape[0]):
        centres = _seeds(points, k, uniforms[start])
        inertia = np.inf
        for _ in range(MOST_ITERATIONS):
            moved = _assign(points, centres, labels, nearest)
            now = nearest.sum()
            if not moved and inertia < np.inf:
                inertia = now
                break
            inertia = now
            _recentre(rows, labels, nearest, centres)
        if inertia < best * (1.0 - 1e-12):
            best = inertia
            best_labels[:] = labels
            best_centres[:] = centres
    return best_labels, best_centres, best


@compiled
def _seeds(points, k, uniform):
    d, n = points.shape
    centres = np.empty((k, d))
    nearest = np.full(n, np.inf)
    first = min(int(uniform[0] * n), n - 1)
    centres[0] = points[:, first]
    away = np.empty(n)
    for c in range(1, k):
        _squared_distance(points, centres[c - 1], away)
        total = 0.0
        for i in range(n):
            if away[i] < nearest[i]:
                nearest[i] = away[i]
            total += nearest[i]
        goal, reached, chosen = uniform[c] * total, 0.0, n - 1
        for i in range(n):
            reached += nearest[i]
            if reached > goal:
                chosen = i
                break
        centres[c] = points[:, chosen]
    return centres


@compiled
def _squared_distance(points, centre, away):
    d, n = points.shape
    away[:] = 0.0
    blocks = d - d % 4
    for j in range(0, blocks, 4):  # four dimensions in one pass, added in their order
        a, b, c, e = points[j], points[j + 1], points[j + 2], points[j + 3]
        at_a, at_b, at_c, at_e = centre[j], centre[j + 1], centre[j + 2], centre[j + 3]
        for i in range(n):
            total = away[i] + (a[i] - at_a) * (a[i] - at_a)
            total += (b[i] - at_b) * (b[i] - at_b)
            total += (c[i] - at_c) * (c[i] - at_c)
            away[i] = total + (e[i] - at_e) * (e[i] - at_e)
    for j in range(blocks, d):
        row, at = points[j], centre[j]
        for i in range(n):
            away[i] += (row[i] - at) * (row[i] - at)


@compiled
def _assign(points, centres, labels, nearest):
    n = points.shape[1]
    k = centres.shape[0]
    away = np.empty(n)
    new = np.zeros(n, dtype=np.int64)
    _squared_distance(points, centres[0], nearest)
    for c in range(1, k):
        _squared_distance(points, centres[c], away)
        for i in range(n):
            closer = away[i] < nearest[i]
            new[i] = c if closer else new[i]
            nearest[i] = away[i] if closer else nearest[i]
    moved = False
    for i in range(n):
        if new[i] != labels[i]:
            moved = True
        labels[i] = new[i]
    return moved


@compiled
def _recentre(rows, labels, nearest, centres):
    n, d = rows.shape
    k = centres.shape[0]
    size = np.zeros(k)
    sums = np.zeros((k, d))
    for i in range(n):
        own, row = sums[labels[i]], rows[i]
        size[labels[i]] += 1.0
        for j in range(d):
            own[j] += row[j]
    for c in range(k):
        if size[c] > 0:
            centres[c] = sums[c] / size[c]
        else:  # an empty group begins anew at the patient worst served
            worst = np.argmax(nearest)
            centres[c] = rows[worst]
            nearest[worst] = 0.0


@compiled
def silhouettes(points, labellings, counts):
    """Mean silhouette width (Euclidean) of several labellings of the same points.

    points : float64 (d, n); labellings : int64 (m, n), values 0 to counts - 1; counts : int64 (m,).
    A patient alone in its group has width 0. Returns float64 (m,).

    References
    ----------
    Rousseeuw, J Comput Appl Math 1987;20:53-65.
    """
    d, n = points.shape
    m = labellings.shape[0]
    most = counts.max()
    sizes = np.zeros((m, most))
    for a in range(m):
        for i in range(n):
            sizes[a, labellings[a, i]] += 1.0
    by_patient = np.empty((n, m), dtype=np.int64)
    for i in range(n):
        for a in range(m):
            by_patient[i, a] = labellings[a, i] + a * most
    total = np.zeros(m)
    away = np.empty(n)
    centre = np.empty(d)
    sums = np.empty(m * most)
    for i in range(n):
        for j in range(d):
            centre[j] = points[j, i]
        _squared_distance(points, centre, away)
        for other in range(n):
            away[other] = np.sqrt(away[other])
        sums[:] = 0.0
        for other in range(n):
            for a in range(m):
                sums[by_patient[other, a]] += away[other]
        for a in range(m):
            own = labellings[a, i]
            if sizes[a, own] < 2:
                continue
            inside = sums[a * most + own] / (sizes[a, own] - 1.0)
            outside = np.inf
            for c in range(counts[a]):
                if c != own and sizes[a, c] > 0:
                    outside = min(outside, sums[a * most + c] / sizes[a, c])
            larger = max(inside, outside)
            if larger > 0 and outside < np.inf:
                total[a] += (outside - inside) / larger
    return total / n
