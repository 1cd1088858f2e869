"""Bent clouds: the test for a bend, the circle, the place along it, and the verdict on a gap."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from discovery.phenotypes.bend import TURNED, along_the_bend, bend_p, fitted_circle, turned_pieces_p
from discovery.phenotypes.cluster import cut
from discovery.phenotypes.model import by_size
from discovery.phenotypes.separation import IN_BENT, margins_of, separation_test


@pytest.fixture
def rng():
    return np.random.default_rng(21)


def half_circle(rng, n, *, radius=2.0, noise=0.3, d=4):
    angle = np.sort(rng.uniform(0, np.pi, n))
    around = np.zeros((n, d))
    around[:, :2] = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    turn = np.linalg.qr(rng.normal(size=(d, d)))[0]
    return (around + noise * rng.normal(size=(n, d))) @ turn, angle


def in_two(scores, rng):
    return by_size(cut(scores, 2, rng, method="kmeans", starts=10))


def test_circle_through_points_of_a_circle_and_the_known_answer_for_an_arc(rng):
    angle = rng.uniform(0, 2, 40)
    points = np.array([3.0, -1.0]) + 2.5 * np.column_stack([np.cos(angle), np.sin(angle)])
    centre, radius = fitted_circle(points)
    np.testing.assert_allclose(centre, [3, -1], atol=1e-9)
    assert radius == pytest.approx(2.5)
    # the worked example of Gander, Golub & Strebel 1994, geometric fit (printed to four digits)
    example = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], dtype=float)
    centre, radius = fitted_circle(example)
    np.testing.assert_allclose(centre, [4.7398, 2.9835], atol=1e-4)
    assert radius == pytest.approx(4.7142, abs=1e-4)


def test_p_of_a_bend_is_the_f_test_of_a_regression_of_the_square_on_the_other_directions(rng):
    from statsmodels.api import OLS, add_constant

    scores = rng.normal(size=(60, 4))
    along, others = scores[:, 0], scores[:, 1:]
    whole = OLS(along**2, add_constant(np.column_stack([along, others]))).fit()
    straight = OLS(along**2, add_constant(along)).fit()
    assert bend_p(scores, along) == pytest.approx(whole.compare_f_test(straight)[1], rel=1e-9)


def test_p_of_a_bend_is_uniform_on_normal_clouds_and_small_on_an_arc(rng):
    p = [bend_p(x, x[:, 0]) for x in (rng.normal(size=(80, 5)) * [3, 2, 1, 1, 1] for _ in range(300))]
    assert stats.kstest(p, "uniform").pvalue > 0.01
    arc, _ = half_circle(rng, 150)
    assert bend_p(arc, margins_of(arc, in_two(arc, rng), 2)(arc)[:, 0]) < 1e-10
    assert bend_p(np.arange(30.0)[:, None], np.arange(30.0)) == 1


def test_p_of_pieces_that_lie_alike_is_uniform_for_groups_of_one_covariance(rng):
    root = rng.normal(size=(3, 3))
    labels = np.arange(60) % 2
    p = [
        turned_pieces_p(rng.normal(size=(60, 3)) @ root + 5.0 * labels[:, None], labels, 2, rng)
        for _ in range(200)
    ]
    assert stats.kstest(p, "uniform").pvalue > 0.01


def test_pieces_turned_against_each_other_are_seen_in_any_scale(rng):
    labels = np.arange(120) % 3
    turn = np.deg2rad(60 * labels)
    long, wide = 2.0 * rng.normal(size=120), 0.5 * rng.normal(size=120)
    pieces = np.column_stack(
        [long * np.cos(turn) - wide * np.sin(turn), long * np.sin(turn) + wide * np.cos(turn)]
    ) + 4.0 * np.column_stack([labels, labels == 1])  # fmt: skip
    p = [turned_pieces_p(x, labels, 3, np.random.default_rng(4)) for x in (pieces, pieces * [1, 1e4])]
    assert p == [0.005, 0.005]


@pytest.mark.parametrize("k", [2, 3])
def test_a_curve_cut_in_pieces_is_bent_though_no_line_between_its_groups_shows_it(k, rng):
    """A parabola whose pieces pass the dip against normal samples must show their gap in the second test."""
    missed = passed = 0
    for _ in range(20):
        along = rng.uniform(-np.sqrt(3), np.sqrt(3), 150)
        curve = 2 * np.column_stack([along, (along**2 - 1) / np.sqrt(0.8), 0 * along])
        curve = curve + 0.6 * rng.normal(size=(150, 3))
        labels = by_size(cut(curve, k, rng, method="kmeans", starts=10))
        missed += turned_pieces_p(curve, labels, k, rng) > TURNED
        passed += separation_test(curve, labels, k, seed=1).p_separation <= 0.05
    assert missed <= 1
    assert passed <= 1


def test_places_along_the_bend_are_the_angles_of_a_half_circle(rng):
    arc, angle = half_circle(rng, 300, noise=0.2)
    place = along_the_bend(arc, in_two(arc, rng))(arc)
    assert abs(stats.pearsonr(place, angle).statistic) > 0.99
    assert np.ptp(place) == pytest.approx(2 * np.pi, rel=0.1)


def test_an_even_half_circle_has_no_gap_along_its_bend_though_its_chord_has_two_humps(rng):
    arc, _ = half_circle(rng, 400)
    found = separation_test(arc, in_two(arc, rng), 2, seed=1)
    assert found.p_group.min() <= 0.01
    assert found.p_bent > 0.05
    assert found.p_separation == min(1.0, IN_BENT * found.p_bent)


@pytest.mark.parametrize("groups", [2, 3])
def test_groups_on_a_bend_keep_their_gap(groups, rng):
    # on a half circle too, where the gaps are wide
    angle = np.pi * (np.arange(240) % groups) / (groups - 1) + 0.15 * rng.normal(size=240)
    arc = 4 * np.column_stack([np.cos(angle), np.sin(angle), 0 * angle]) + 0.4 * rng.normal(size=(240, 3))
    labels = by_size(cut(arc, groups, rng, method="kmeans", starts=10))
    found = separation_test(arc, labels, groups, seed=1)
    assert found.p_separation <= 0.01


def test_a_straight_cloud_is_not_asked_for_a_second_gap(rng):
    where = np.arange(150) % 2
    cloud = rng.normal(size=(150, 4)) + 5.0 * where[:, None] * [1, 0, 0, 0]
    found = separation_test(cloud, in_two(cloud, rng), 2, seed=1)
    assert found.p_bend > 0.1
    assert found.p_turned > 0.05
    assert np.isnan(found.p_bent)
    assert found.p_separation == found.p_group.min() <= 0.01
