"""The flat map: its compiled loops stay on disk, and it is the same map with and without that."""

from __future__ import annotations

import warnings

import numpy as np

from discovery.phenotypes.embedding import embed


def test_the_compiled_loops_are_kept_and_change_nothing():
    from umap import UMAP, layouts

    scores = np.random.default_rng(1).normal(size=(60, 4))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        plain = UMAP(n_neighbors=15, min_dist=0.1, random_state=3, n_jobs=1).fit_transform(scores)
    drawn = embed(scores, seed=3)
    np.testing.assert_array_equal(drawn.points, plain)
    loop = layouts._get_optimize_layout_euclidean_single_epoch_fn(False)
    assert loop.stats.cache_path
