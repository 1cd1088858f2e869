"""Empirical-Bayes shrinkage against closed forms, numeric integration and its limits."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy import integrate, stats

from discovery.markers.shrinkage import (
    independent_features,
    running_mean_of_sorted,
    shrink_effects,
    stretch_to_profile,
)


def spread_of_effects(seed=0, p=60, se=0.1, tau=0.3, null_share=0.5):
    rng = np.random.default_rng(seed)
    truth = np.where(rng.random(p) < null_share, 0.0, rng.normal(0, tau, p))
    return truth, truth + rng.normal(0, se, p), np.full(p, se)


def test_huge_standard_errors_shrink_to_nothing():
    _, b, _ = spread_of_effects()
    found = shrink_effects(b, np.full(b.size, 50.0))
    # priors with a spread of a quarter of an SE are still weighed: 1 / 17 of the estimate at most
    assert (np.abs(found.mean) < np.abs(b) / 17).all()
    assert found.lfsr.min() > 0.4


def test_tiny_standard_errors_leave_the_estimate():
    _, b, _ = spread_of_effects()
    found = shrink_effects(b, np.full(b.size, 1e-6))
    large = np.abs(b) > 1e-3
    np.testing.assert_allclose(found.mean[large], b[large], rtol=1e-5)
    assert found.lfsr[large].max() < 1e-12
    np.testing.assert_allclose(found.low[large], b[large] - 1.96e-6, rtol=1e-4)


@pytest.mark.parametrize("independent", [None, 12.0])
def test_posterior_equals_numeric_integration_over_every_prior_weighed(independent):
    _, b, se = spread_of_effects(1)
    se = se * np.random.default_rng(2).uniform(0.6, 1.6, se.size)
    found = shrink_effects(b, se, independent=independent)
    sizes = found.prior_sd[(found.prior_mean == 0) & (found.prior_sd > 0)]
    peak, spread, share = (
        a.ravel() for a in np.meshgrid([0.0, 1.0], sizes, np.arange(1, 40, 2) / 40, indexing="ij")
    )
    peak, spread = peak * spread, np.where(peak > 0, spread / 2, spread)

    def others(t, error):
        return (stats.norm.pdf(t, peak, np.hypot(error, spread)) + stats.norm.pdf(
            t, -peak, np.hypot(error, spread))) / 2  # fmt: skip

    nothing = stats.norm.pdf(b[:, None], 0, se[:, None])
    marginal = share * nothing + (1 - share) * others(b[:, None], se[:, None])
    likelihood = np.log(marginal).sum(axis=0) * (1 if independent is None else independent / b.size)
    weighed = share * np.exp(likelihood - likelihood.max())
    zeros = (found.prior_mean == 0) & (found.prior_sd == 0)
    assert found.prior_share.sum() == pytest.approx(1)
    assert found.prior_share[zeros].sum() == pytest.approx((weighed * share).sum() / weighed.sum(), rel=1e-9)
    every = weighed / weighed.sum()
    shapes = [np.where(which, weighed, 0) / weighed[which].sum() for which in (peak > 0, peak == 0)]
    for j in (0, int(np.argmax(np.abs(b))), int(np.argmin(np.abs(b)))):

        def of(belief, j=j):
            """The posterior's mass at 0, and its density elsewhere."""
            own = belief / marginal[j]

            def density(t):
                return (own * (1 - share) * others(t, 0.0)).sum() * stats.norm.pdf(b[j], t, se[j])

            return (own * share).sum() * nothing[j, 0], density

        def over(g, low, high, j=j):
            # break points on both scales, for the narrow components at 0 and the likelihood at b
            points = np.unique(np.concatenate([[low, high], found.prior_sd, -found.prior_sd, [0.0, b[j]]]))
            points = points[(points >= low) & (points <= high)]
            return sum(integrate.quad(g, a, c, limit=200)[0] for a, c in pairwise(points))

        zero, smooth = of(every)
        below, above = over(smooth, -4, 0), over(smooth, 0, 4)
        assert zero + below + above == pytest.approx(1, abs=1e-6)
        assert found.mean[j] == pytest.approx(over(lambda t, g=smooth: t * g(t), -4, 4), abs=1e-6)
        assert found.lfsr[j] == pytest.approx(zero + min(below, above), abs=1e-6)
        second = over(lambda t, g=smooth: t * t * g(t), -4, 4)
        assert found.sd[j] == pytest.approx(np.sqrt(second - found.mean[j] ** 2), abs=1e-5)
        # the lower end is that of one shape, and the other's is not lower
        reached = []
        for zero, smooth in map(of, shapes):
            least = over(smooth, -4, found.low[j])
            reached.append((least, least + zero * (found.low[j] >= 0)))
        assert max(low for low, _ in reached) <= 0.025 + 1e-6
        assert max(high for _, high in reached) >= 0.025 - 1e-6


def test_correlated_features_count_for_fewer():
    rng = np.random.default_rng(8)
    one = rng.normal(size=(400, 12))
    assert independent_features(np.repeat(one, 5, axis=1)) == pytest.approx(independent_features(one))
    # 12 blocks of 5 with a correlation of .8: 3600 / (60 + 60 * 4 * .64)
    many = rng.normal(size=(40_000, 12))
    blocks = np.sqrt(0.8) * np.repeat(many, 5, axis=1) + np.sqrt(0.2) * rng.normal(size=(40_000, 60))
    assert independent_features(blocks) == pytest.approx(3600 / (60 + 240 * 0.64), rel=0.02)
    gaps = np.where(rng.random(one.shape) < 0.1, np.nan, one)
    assert independent_features(gaps) == pytest.approx(independent_features(one), rel=0.05)
    # more spreads of the true effects stay open
    _, b, se = spread_of_effects(9)
    sure, unsure = (
        answer.prior_share[answer.prior_sd > 0]
        for answer in (shrink_effects(b, se, independent=k) for k in (60, 6))
    )
    assert ((sure / sure.sum()) ** 2).sum() > 1.5 * ((unsure / unsure.sum()) ** 2).sum()


def test_one_normal_component_has_the_closed_form():
    # truth N(0, tau^2) without zeros, many features: shrinkage tends to tau^2 / (tau^2 + se^2)
    tau, se = 0.4, 0.2
    _, b, s = spread_of_effects(3, p=6000, se=se, tau=tau, null_share=0.0)
    found = shrink_effects(b, s)
    wanted = b * tau**2 / (tau**2 + se**2)
    common = np.abs(b) < 2 * np.hypot(tau, se)
    assert np.sqrt(np.mean((found.mean - wanted)[common] ** 2)) < 0.02
    width = 2 * 1.959964 * se * tau / np.hypot(tau, se)
    assert np.median((found.high - found.low)[common]) == pytest.approx(width, rel=0.05)


def test_no_effect_grows():
    # effects that all lie about .6 or -.6: a smaller estimate belongs further out, and is left where it is
    rng = np.random.default_rng(10)
    truth = rng.choice([-1.0, 1.0], 60) * rng.normal(0.6, 0.05, 60)
    b, se = truth + rng.normal(0, 0.15, 60), np.full(60, 0.15)
    found = shrink_effects(b, se)
    assert (np.abs(found.mean) <= np.abs(b)).all()
    small = np.abs(b) < 0.45
    np.testing.assert_array_equal(found.mean[small], b[small])
    assert small.any()
    large = np.abs(b) > 0.8
    assert (np.abs(found.mean[large]) < 0.97 * np.abs(b[large])).all()


def test_turning_the_sign_or_changing_the_unit_turns_and_rescales_the_answer():
    _, b, se = spread_of_effects(4)
    found, turned = shrink_effects(b, se), shrink_effects(-1000 * b, 1000 * se)
    np.testing.assert_allclose(turned.mean, -1000 * found.mean, rtol=1e-9)
    np.testing.assert_allclose(turned.low, -1000 * found.high, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(turned.lfsr, found.lfsr, rtol=1e-9)


def test_false_sign_rate_is_calibrated_on_planted_effects():
    # among the effects with lfsr <= .05 the sign is wrong (or the effect 0) in at most 5 %
    wrong = chosen = 0
    for seed in range(60):
        truth, b, se = spread_of_effects(seed + 100, p=60)
        found = shrink_effects(b, se)
        pick = found.lfsr <= 0.05
        chosen += pick.sum()
        wrong += (np.sign(found.mean[pick]) != np.sign(truth[pick])).sum()
    assert chosen > 300
    assert wrong / chosen <= 0.05


def test_intervals_of_the_largest_effects_cover_the_truth():
    covered = []
    for seed in range(200):
        truth, b, se = spread_of_effects(seed + 500, p=60)
        found = shrink_effects(b, se)
        top = np.argmax(np.abs(b) / se)
        covered.append(found.low[top] <= truth[top] <= found.high[top])
    # 200 runs: standard error .015 at .95; methods.md's table has .925 to .958 at the top
    assert np.mean(covered) >= 0.90


def test_s_value_is_the_running_mean_and_ties_share():
    np.testing.assert_allclose(running_mean_of_sorted([0.4, 0.1, np.nan, 0.1]), [0.2, 0.1, np.nan, 0.1])


def test_s_values_of_one_feature_in_two_units_are_one_and_those_of_sure_ones_are_not():
    found = running_mean_of_sorted([0.3, 0.1 * (1 + 1e-13), 0.1, 4.1e-11, 4.2e-11])
    assert found[1] == found[2]
    assert found[3] == 4.1e-11
    assert found[4] == pytest.approx(4.15e-11, rel=1e-12)
    assert running_mean_of_sorted([np.nan, np.nan]).shape == (2,)


def test_few_features_are_refused_in_words_and_missing_effects_change_nothing():
    _, b, se = spread_of_effects(5)
    few = shrink_effects(b[:19], se[:19])
    assert np.isnan(few.mean).all()
    assert "19 features" in few.note
    assert "1 feature," in shrink_effects(b[:1], se[:1]).note
    padded = shrink_effects([*b, np.nan, 1.0], [*se, 0.1, np.nan])
    np.testing.assert_array_equal(padded.mean[:-2], shrink_effects(b, se).mean)
    assert np.isnan(padded.mean[-2:]).all()


def test_sides_are_stretched_to_a_lopsided_likelihood_and_never_shortened():
    estimate = np.concatenate([[6.0, 0.4], np.linspace(-0.3, 0.3, 28)])
    se = np.full(30, 0.25)
    shrunk = shrink_effects(estimate, se)
    half = 1.959964 * se
    low, high = estimate - half, estimate + half
    low[0], high[0] = estimate[0] - 1.1, estimate[0] + 1.4  # flatter than 0.25 says, more so above
    high[1] = estimate[1] + 0.1  # steeper
    got_low, got_high = stretch_to_profile(shrunk, estimate, low, high, se)
    assert got_low[0] == pytest.approx(
        shrunk.mean[0] - (shrunk.mean - shrunk.low)[0] * 1.1 / half[0], rel=1e-6
    )
    assert got_high[0] == pytest.approx(
        shrunk.mean[0] + (shrunk.high - shrunk.mean)[0] * 1.4 / half[0], rel=1e-6
    )
    np.testing.assert_allclose(got_low[1:], shrunk.low[1:], rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(got_high[1:], shrunk.high[1:], rtol=1e-6, atol=1e-9)
    open_side = stretch_to_profile(shrunk, estimate, low, np.full(30, np.inf), se)[1]
    np.testing.assert_allclose(open_side, shrunk.high, rtol=1e-6)


def test_a_limit_at_zero_stays_there():
    _, b, se = spread_of_effects(6)
    found = shrink_effects(b, se)
    low, high = stretch_to_profile(found, b, b - 0.3, b + 0.3, se)
    for limit, moved in ((found.low, low), (found.high, high)):
        assert (limit == 0).any()
        assert (moved[limit == 0] == 0).all()
