"""The compiled loops against a linear programme, scikit-learn and each other."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linprog
from sklearn.cluster import KMeans
from sklearn.metrics import adjusted_rand_score, silhouette_score

from discovery.kernels.dip import dip, dips
from discovery.kernels.kmeans import kmeans, silhouettes
from discovery.phenotypes.separation import null_dips


def dip_by_linear_programme(x):
    """The dip from its definition: for each place of the mode, the unimodal distribution nearest to the
    empirical one (convex before the mode, concave after it, a jump allowed at it)."""
    n, best = len(x), 1.0
    for mode in range(n):
        rows, limits = [], []
        after, distance = n, n + 1

        def add(terms, limit, rows=rows, limits=limits):
            row = np.zeros(n + 2)
            for place, value in terms:
                row[place] += value
            rows.append(row)
            limits.append(limit)

        right = [after if i == mode else i for i in range(n)]
        for i in range(n):
            add([(right[i], -1), (distance, -1)], -(i + 1) / n)
            add([(i, 1), (distance, -1)], i / n)
        add([(mode, 1), (after, -1)], 0)
        for i in range(n - 1):
            add([(i + 1, -1), (right[i], 1)], 0)
        for i in range(n - 2):
            w, v = x[i + 1] - x[i], x[i + 2] - x[i + 1]
            slopes = [(i + 1, 1 / w), (right[i], -1 / w), (i + 2, -1 / v), (right[i + 1], 1 / v)]
            if i + 1 <= mode - 1:
                add(slopes, 0)
            if i >= mode:
                add([(place, -value) for place, value in slopes], 0)
        cost = np.zeros(n + 2)
        cost[distance] = 1
        best = min(best, linprog(cost, A_ub=np.array(rows), b_ub=limits, bounds=[(0, 1)] * (n + 2)).fun)
    return best


@pytest.mark.parametrize("run", range(10))
def test_dip_is_the_distance_to_the_nearest_unimodal_distribution(run):
    rng = np.random.default_rng(run)
    n = int(rng.integers(5, 16))
    x = np.sort(rng.normal(size=n) + (run % 2) * 4 * (rng.random(n) < 0.5))
    assert dip(x) == pytest.approx(dip_by_linear_programme(x), abs=1e-7)


def test_dip_of_evenly_spaced_values_and_of_two_points():
    assert dip(np.arange(50.0)) == pytest.approx(1 / 100)  # the least there can be: 1 / 2n
    two = np.repeat([0.0, 1.0], 500) + np.linspace(0, 1e-9, 1000)
    assert dip(two) == pytest.approx(0.25, abs=0.001)  # two point masses of a half: 1/4


def test_dip_ignores_place_scale_and_direction():
    x = np.sort(np.random.default_rng(3).normal(size=200))
    assert dip(x) == pytest.approx(dip(3 * x + 7), rel=1e-9)
    assert dip(x) == pytest.approx(dip(np.sort(-x)), rel=1e-9)


# 95 % points of the dip of n uniform values, table qDiptab of R's diptest (a million samples each); 2,000
# draws of our own leave about 1.5 % of the quantile
@pytest.mark.parametrize(("n", "quantile"), [(50, 0.07027), (200, 0.03684), (500, 0.02373)])
def test_uniform_dips_have_the_published_quantile(n, quantile):
    assert np.quantile(null_dips(n, "uniform"), 0.95) == pytest.approx(quantile, rel=0.04)


def test_dips_are_row_by_row():
    rows = np.sort(np.random.default_rng(4).normal(size=(5, 40)), axis=1)
    np.testing.assert_array_equal(dips(rows), [dip(row) for row in rows])


@pytest.mark.parametrize("k", [2, 3, 5])
def test_kmeans_reaches_the_inertia_of_scikit_learn(k):
    rng = np.random.default_rng(k)
    x = rng.normal(size=(200, 4)) + 6 * np.eye(4)[rng.integers(0, 4, 200)]
    labels, centres, inertia = kmeans(np.ascontiguousarray(x.T), k, rng.random((100, k)))
    other = KMeans(k, n_init=100, random_state=0, tol=0).fit(x)
    assert inertia == pytest.approx(other.inertia_, rel=1e-9)
    assert adjusted_rand_score(labels, other.labels_) == 1
    for c in range(k):
        np.testing.assert_allclose(centres[c], x[labels == c].mean(axis=0))


def test_kmeans_with_as_many_groups_as_distinct_points():
    x = np.repeat(np.eye(3), 4, axis=0)
    labels, _, inertia = kmeans(np.ascontiguousarray(x.T), 3, np.random.default_rng(0).random((20, 3)))
    assert inertia == pytest.approx(0, abs=1e-12)
    assert len(set(labels.tolist())) == 3


def test_silhouettes_are_those_of_scikit_learn():
    rng = np.random.default_rng(8)
    x = rng.normal(size=(120, 3))
    labels = np.array([rng.integers(0, k, 120) for k in (2, 3, 6)])
    labels[2, labels[2] == 5] = 4
    labels[2, 7] = 5  # a patient alone
    found = silhouettes(np.ascontiguousarray(x.T), labels, labels.max(axis=1) + 1)
    np.testing.assert_allclose(found, [silhouette_score(x, one) for one in labels], atol=1e-12)
