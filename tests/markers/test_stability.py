"""Distinctness by complementary halves: planted truth and the lasso path of another routine."""

from __future__ import annotations

import numpy as np
import pytest

from discovery.markers.stability import DISTINCT, first_on_path, stability_shares


def test_first_features_are_those_of_the_lasso_path():
    from sklearn.linear_model import lasso_path

    rng = np.random.default_rng(1)
    x = rng.normal(size=(120, 15))
    x[:, 3] += 0.7 * x[:, 2]
    y = 2 * x[:, 2] - x[:, 7] + 0.5 * x[:, 11] + rng.normal(size=120)
    scaled = (x - x.mean(axis=0)) / x.std(axis=0)
    largest = np.abs(scaled.T @ (y - y.mean())).max() / y.size
    penalties = np.geomspace(largest, 1e-3 * largest, 4000)
    _, coefs, _ = lasso_path(scaled, y - y.mean(), alphas=penalties, tol=1e-8)
    entered = []
    for column in coefs.T:
        entered += [j for j in np.flatnonzero(column) if j not in entered]
    assert set(first_on_path(x, y, 4)) == set(entered[:4])


def test_near_doubles_on_the_joint_path_of_classes_give_no_warning():
    rng = np.random.default_rng(86)
    first = rng.standard_t(2, 46)
    second = first + 0.04 * rng.normal(size=46)
    x = np.column_stack([first, second, first + 0.4 * rng.normal(size=46), rng.normal(size=46)])
    classes = (second > first).astype(int) + (rng.random(46) < 0.3)  # told by the difference of the doubles
    assert first_on_path(x, np.eye(3)[classes][:, :2], 2).size == 2  # warnings are errors here


@pytest.mark.parametrize("kind", ["survival", "binary", "continuous"])
def test_planted_features_are_kept_and_their_doubles_are_not_all(planted_design, kind):
    design = planted_design(kind, 3, n=600, missing=0.02)
    share = stability_shares(design, np.arange(12), rng=np.random.default_rng(4))
    assert share[0] >= DISTINCT
    assert share[3] >= DISTINCT
    assert (share[9:] < DISTINCT).all()  # the block without effect
    assert (share[[1, 2, 4, 5]] < share[[0, 0, 3, 3]]).all()


def test_noise_is_hardly_ever_distinct(planted_design):
    from dataclasses import replace

    design = planted_design("continuous", 5, n=300, p=60, block=5)
    false = 0
    for seed in range(10):
        noise = replace(design, y=np.random.default_rng(seed).normal(size=design.n))
        share = stability_shares(noise, np.arange(60), rng=np.random.default_rng(seed), pairs=25)
        false += (share >= DISTINCT).sum()
    # Shah & Samworth's bound for 8 of 60 at .75 is about 2 a run; in practice far fewer
    assert false <= 10


def test_order_of_rows_and_untested_features(planted_design):
    shuffle = np.random.default_rng(6).permutation
    straight, moved = planted_design("survival", 7), planted_design("survival", 7, order=shuffle)
    which = np.array([0, 2, 3, 6, 9])
    a = stability_shares(straight, which, rng=np.random.default_rng(8))
    b = stability_shares(moved, which, rng=np.random.default_rng(8))
    np.testing.assert_array_equal(a, b)
    assert np.isnan(np.delete(a, which)).all()
