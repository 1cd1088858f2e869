"""The map for drawing beside the library by the method's authors (umap-learn)."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from scipy.optimize import brentq, curve_fit
from sklearn.datasets import load_wine
from sklearn.decomposition import PCA
from sklearn.manifold import trustworthiness
from sklearn.preprocessing import scale

from discovery.phenotypes import embedding


@pytest.fixture(scope="module")
def scores():
    return scale(load_wine().data)


def test_each_patient_belongs_to_its_neighbours_as_the_paper_defines(scores):
    """Equations of arXiv 1802.03426, section 3.1, by a root finder and full matrices."""
    n, k = len(scores), 15
    distance = np.sqrt(((scores[:, None] - scores[None]) ** 2).sum(axis=2))
    belongs = np.zeros((n, n))
    for i in range(n):
        near = np.argsort(distance[i])[1:k]
        over = distance[i, near] - distance[i, near].min()

        def excess(width, over=over):
            return np.exp(-over / width).sum() - np.log2(k)

        belongs[i, near] = np.exp(-over / brentq(excess, 1e-3, 1e3))
    either = belongs + belongs.T - belongs * belongs.T
    np.testing.assert_allclose(embedding.likeness_graph(scores, k).toarray(), either, atol=1e-5)


def test_neighbours_are_kept_better_than_in_the_plane_it_starts_from(scores):
    drawn = embedding.embed(scores, seed=0)
    start = PCA(2).fit_transform(scores)
    assert drawn.trustworthiness > trustworthiness(scores, start, n_neighbors=15) + 0.02


@pytest.mark.validity
def test_neighbours_are_kept_as_well_as_by_the_library(scores, full_validity):
    """The library compiles for twenty seconds, so the reduced run holds the map to what it gave once."""
    theirs = 0.9474  # umap-learn 0.5.12, random_state 1
    if full_validity:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            from umap import UMAP

            model = UMAP(random_state=1, n_jobs=1)
            points = np.asarray(model.fit_transform(scores), float)
        assert abs(embedding.likeness_graph(scores, 15) - model.graph_).max() < 1e-5
        theirs = trustworthiness(scores, points, n_neighbors=15)
    assert embedding.embed(scores, seed=0).trustworthiness > theirs - 0.01


def test_the_curve_is_the_nearest_to_its_goal():
    d = np.linspace(0, 3, 300)
    goal = np.where(d < 0.1, 1.0, np.exp(0.1 - d))
    (a, b), _ = curve_fit(lambda x, a, b: 1 / (1 + a * x ** (2 * b)), d, goal)
    np.testing.assert_allclose([a, b], [embedding.CURVE_A, embedding.CURVE_B], rtol=1e-4)


def test_the_same_seed_draws_the_same_bytes_and_another_seed_another_map(scores):
    first, again, other = (embedding.embed(scores, seed=seed).points for seed in (3, 3, 4))
    assert first.tobytes() == again.tobytes()
    assert not np.allclose(first, other)


@pytest.mark.parametrize(("n", "d"), [(3, 1), (4, 2), (30, 1)])
def test_few_patients_one_axis_and_twins_are_drawn(n, d):
    twins = np.repeat(np.random.default_rng(0).normal(size=(n, d)), 2, axis=0)
    drawn = embedding.embed(twins, seed=1)
    assert drawn.points.shape == (2 * n, 2)
    assert np.isfinite(drawn.points).all()
    assert np.isfinite(embedding.embed(np.zeros((n, d)), seed=1).points).all()
