"""Ranks, tops and confirmed order: closed forms and planted truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from discovery.markers.confirmed_order import confirmed_order, order_sentence
from discovery.markers.rank_agreement import kendall_w, mean_jaccard, selection_stability
from discovery.markers.ranks import (
    FIRST_TAIL,
    joint_rank_interval,
    posterior_share_in_top,
    rank_descending,
    rank_draws,
    rank_interval,
    share_in_top,
    size_of_top,
)


def test_ranks_average_ties_and_skip_what_was_not_fitted():
    np.testing.assert_array_equal(rank_descending([2.0, 5.0, np.nan, 2.0]), [2.5, 1.0, np.nan, 2.5])
    nan = np.nan
    drawn = rank_draws([[2.0, nan, 3.0, nan], [nan] * 4])
    np.testing.assert_array_equal(drawn, [[2.0, 3.5, 1.0, 3.5]])
    assert np.isnan(rank_interval(rank_draws([[nan, nan]]))).all()
    assert np.isnan(share_in_top(rank_draws([[nan, nan]]), 1)).all()


def test_interval_and_top_share_by_hand():
    ranks = np.array([[1.0, 2.0], [1.5, 1.5], [2.0, 1.0], [1.0, 2.0]])
    low, high = rank_interval(ranks, conf_level=0.5)
    np.testing.assert_allclose(low, [1.0, 1.375])
    np.testing.assert_allclose(high, [1.625, 2.0])
    np.testing.assert_allclose(share_in_top(ranks, 1), [0.5, 0.25])
    longer, same = rank_interval(ranks, conf_level=0.5, first_tail=0.0)
    np.testing.assert_allclose(longer, [1.0, 1.0])
    np.testing.assert_array_equal(same, high)


def test_the_true_place_of_a_strong_feature_is_held_by_the_longer_low_end():
    # 12 blocks of 5 features (correlation .8), normal z with known means: five lead, their siblings follow
    rng, blocks = np.random.default_rng(5), 12
    true = np.zeros((blocks, 5))
    true[:5] = 0.8 * np.array([3.3, 3.0, 2.6, 2.2, 2.2])[:, None]
    true[:5, 0] /= 0.8
    place = rank_descending(true.ravel())[:25:5]

    def noise(*size):
        common = rng.normal(size=(*size, blocks, 1))
        return np.sqrt(0.8) * common + np.sqrt(0.2) * rng.normal(size=(*size, blocks, 5))

    held, length = {None: 0.0, FIRST_TAIL: 0.0}, {None: 0.0, FIRST_TAIL: 0.0}
    for _ in range(300):
        drawn = rank_draws(np.abs(true + noise() + noise(200)).reshape(200, -1))
        for tail in held:
            low, high = (ends[:25:5] for ends in rank_interval(drawn, first_tail=tail))
            held[tail] += ((low <= place) & (place <= high)).mean() / 300
            length[tail] += (high - low).mean() / 300
    assert held[FIRST_TAIL] > 0.922 > 0.9 > held[None]
    assert length[FIRST_TAIL] < length[None] + 1.5


@pytest.mark.parametrize(
    ("p", "usual", "k"), [(60, 10, 10), (30, 10, 10), (29, 10, 9), (2, 10, 1), (9, 3, 3), (8, 3, 2)]
)
def test_top_is_a_third_when_there_are_few(p, usual, k):
    assert size_of_top(p, usual) == k


def test_posterior_share_of_two_features_is_the_normal_probability():
    # P(|N(1, .5)| > |N(.5, .5)|) = via sum and difference, which are independent: closed form
    mean, sd, se = np.array([1.0, 0.5]), np.array([0.5, 0.5]), np.array([0.2, 0.2])
    s = np.hypot(*sd)
    plus, minus = stats.norm.cdf(1.5 / s), stats.norm.cdf(0.5 / s)
    want = plus * minus + (1 - plus) * (1 - minus)
    got = posterior_share_in_top(mean, sd, se, 1, rng=np.random.default_rng(1), draws=200_000)
    np.testing.assert_allclose(got, [want, 1 - want], atol=0.005)
    with_gap = posterior_share_in_top(
        [1.0, np.nan], [0.5, np.nan], [0.2, 0.2], 1, rng=np.random.default_rng(1)
    )
    np.testing.assert_array_equal(with_gap, [1.0, np.nan])


def test_joint_intervals_hold_for_all_ranks_at_once():
    rng = np.random.default_rng(2)
    truth, se = np.array([0.6, 0.5, 0.5, 0.2, 0.1, 0.0]), np.full(6, 0.1)
    true_low = 1 + (truth[None, :] > truth[:, None]).sum(axis=1)
    true_high = 6 - (truth[None, :] < truth[:, None]).sum(axis=1)
    held = 0
    for _ in range(400):
        low, high = joint_rank_interval(truth + rng.normal(0, se), se)
        held += bool(((low <= true_high) & (high >= true_low)).all())
    assert held / 400 >= 0.95


def test_kendall_w_is_one_for_agreement_and_friedman_with_ties():
    ranks = np.array([[1, 2.5, 2.5, 4], [1, 2, 3, 4], [2, 1, 3.5, 3.5]])
    assert kendall_w(np.tile([1, 2, 3], (4, 1))) == pytest.approx(1.0)
    chi2 = stats.friedmanchisquare(*ranks.T).statistic  # W = chi2 / (m (k - 1)), both corrected for ties
    assert kendall_w(ranks) == pytest.approx(chi2 / (3 * 3), rel=1e-12)
    assert np.isnan(kendall_w(np.ones((3, 4))))


def test_selection_stability_at_its_ends():
    assert selection_stability([[1, 1, 0, 0]] * 5) == pytest.approx(1.0)
    rng = np.random.default_rng(3)
    chance = [rng.permutation([1] * 3 + [0] * 17) for _ in range(400)]
    assert abs(selection_stability(chance)) < 0.02
    assert np.isnan(selection_stability(np.zeros((3, 4))))
    assert mean_jaccard([[0, 0], [0, 0]]) == 1.0


def test_order_is_confirmed_for_the_far_apart_and_not_for_neighbours():
    rng = np.random.default_rng(4)
    truth = np.array([0.9, -0.85, 0.3, 0.0, 0.0])
    estimate = truth + rng.normal(0, 0.03, 5)
    found = confirmed_order(estimate, estimate + rng.normal(0, 0.05, (2000, 5)))
    assert found.above[0, 2:].all()
    assert found.above[1, 2:].all()
    assert not found.above[0, 1]
    assert not found.above[1, 0]
    assert found.low.tolist()[:3] == [1, 1, 3]
    assert found.high.tolist()[:3] == [2, 2, 3]
    assert order_sentence(found, 1) == "confirmed to rank above at least 3 of 5 features"


def test_confirmed_order_is_wrong_in_at_most_five_percent_even_of_equal_effects():
    rng = np.random.default_rng(5)
    truth, se = np.array([0.3, -0.3, 0.3, 0.0, 0.0]), 0.1
    wrong = 0
    for _ in range(150):
        estimate = truth + rng.normal(0, se, 5)
        found = confirmed_order(estimate, estimate + rng.normal(0, se, (400, 5)), joint=True)
        claims = found.above & (np.abs(truth)[:, None] <= np.abs(truth)[None, :])
        wrong += bool(claims.any())
    # 150 runs at .05: two standard errors above is .086
    assert wrong / 150 <= 0.086
