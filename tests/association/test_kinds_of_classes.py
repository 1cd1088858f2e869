"""Ordered and unordered classes: null models, permutation, proportional odds, gains, what limits them."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats
from sklearn.metrics import roc_auc_score
from statsmodels.api import MNLogit

from discovery.association.kind_multiclass import MeanPairwise, probabilities
from discovery.association.kinds import MODULES, kind_of
from discovery.association.maxt import max_t
from discovery.association.null_model import fit_null
from discovery.association.outcome_models import fit_columns
from discovery.association.proportional_odds import _wald, brant_tests
from discovery.association.screen import screen
from discovery.association.spline import default_knots, restricted_cubic_spline
from discovery.association.spline_curve import shape_of_effects
from discovery.markers.stability import stability_shares
from discovery.problems import InputError


def classes(kind, rng, n=300, p=3, effect=0.0, flexible=False):
    """Base of one covariate that drives the outcome; the first feature has `effect`."""
    base = rng.normal(size=(n, 1))
    features = 0.4 * base + rng.normal(size=(n, p))
    pull = 0.8 * base[:, 0] + effect * features[:, 0]
    if kind == "ordinal":
        latent = pull + rng.logistic(size=n)
        y = np.digitize(latent, [-1.5, 0.0, 1.0]).astype(float)
        if flexible:  # the feature moves patients over the upper cuts and none over the lowest
            y = np.where(rng.random(n) < 0.4, 0.0, 1.0 + np.digitize(1.5 * features[:, 0] + latent, [0, 1.5]))
    else:
        scores = np.column_stack([np.zeros(n), pull, -0.5 * pull]) + rng.gumbel(size=(n, 3))
        y = scores.argmax(axis=1).astype(float)
    return base, features, y


def test_every_kind_says_what_it_is():
    for name in MODULES:
        kind = kind_of(name)
        assert kind.name == name
        assert all([kind.effect, kind.model, kind.counted, kind.gain_measure])
        assert kind.effect_text("per 1 SD")
    with pytest.raises(InputError, match="one of survival, binary, continuous, ordinal, multiclass"):
        kind_of("graded")


def test_ordinal_residual_is_the_derivative_of_the_likelihood(design_from_arrays):
    rng = np.random.default_rng(1)
    base, features, y = classes("ordinal", rng)
    design = design_from_arrays("ordinal", base, features, y=y)
    null = fit_null(design)
    assert null.residual.sum() == pytest.approx(0, abs=1e-6)
    assert base[:, 0] @ null.residual == pytest.approx(0, abs=1e-6)
    # a feature's slope at 0 of the log likelihood, the other parameters held, by differences
    from scipy.special import expit

    from discovery.kernels.ordinal import fit_ordinal

    fit = fit_ordinal(y, base)

    def loglik(b):
        eta = base @ fit.coef + b * features[:, 1]
        reached = np.column_stack([np.zeros(300), expit(fit.cuts - eta[:, None]), np.ones(300)])
        at = np.arange(300)
        return np.log(reached[at, y.astype(int) + 1] - reached[at, y.astype(int)]).sum()

    assert features[:, 1] @ null.residual == pytest.approx((loglik(1e-5) - loglik(-1e-5)) / 2e-5, rel=1e-5)


def test_an_ordered_class_without_patients_changes_nothing(design_from_arrays):
    rng = np.random.default_rng(4)
    base, features = rng.normal(size=(60, 2)), rng.normal(size=(60, 3))
    y = rng.integers(0, 3, 60)
    full = fit_null(design_from_arrays("ordinal", base, features, y=y.astype(float)))
    gap = fit_null(design_from_arrays("ordinal", base, features, y=np.array([0.0, 2.0, 3.0])[y]))
    for name in ("residual", "clean", "coef", "predictor"):
        np.testing.assert_array_equal(getattr(gap, name), getattr(full, name))


def test_ordinal_null_errors_are_the_models_own_where_there_is_no_effect(design_from_arrays):
    from discovery.markers.detectable import null_standard_errors

    base, features, y = classes("ordinal", np.random.default_rng(2), n=4000)
    features[:40, 1] = np.nan
    design = design_from_arrays("ordinal", base, features, y=y)
    fit = fit_columns(design.response, design.base, design.features, observed=design.observed).fit
    np.testing.assert_allclose(null_standard_errors(design), fit.se, rtol=2e-3)


def test_multinomial_residuals_sum_to_nothing_over_rows_and_covariates(design_from_arrays):
    base, features, y = classes("multiclass", np.random.default_rng(3))
    null = fit_null(design_from_arrays("multiclass", base, features, y=y))
    assert null.residual.shape == (300, 2)
    np.testing.assert_allclose(null.residual.sum(axis=0), 0, atol=1e-8)
    np.testing.assert_allclose(base.T @ null.residual, 0, atol=1e-8)


def test_the_multiclass_permutation_statistic_is_the_same_for_any_first_class(design_from_arrays):
    base, features, y = classes("multiclass", np.random.default_rng(4), effect=0.5)
    found = [
        max_t(design_from_arrays("multiclass", base, features, y=(y + turn) % 3), permutations=50,
              rng=np.random.default_rng(1))
        for turn in range(3)
    ]  # fmt: skip
    for other in found[1:]:
        np.testing.assert_allclose(other.statistic, found[0].statistic, rtol=1e-6)
    # squared it is close to the likelihood ratio
    fit = fit_columns(design_from_arrays("multiclass", base, features, y=y).response, base, features).fit
    np.testing.assert_allclose(
        found[0].statistic ** 2, 2 * (fit.loglik - fit.loglik_base), rtol=0.15, atol=0.3
    )


def test_two_classes_have_the_binary_permutation_test(design_from_arrays):
    base, features, y = classes("multiclass", np.random.default_rng(5), effect=0.3)
    y = (y > 0).astype(float)
    draws = [
        max_t(design_from_arrays(kind, base, features, y=y), permutations=400, rng=np.random.default_rng(1))
        for kind in ("binary", "multiclass", "ordinal")
    ]
    for other in draws[1:]:
        np.testing.assert_allclose(np.abs(other.statistic), np.abs(draws[0].statistic), rtol=1e-5)
        np.testing.assert_allclose(other.p_familywise, draws[0].p_familywise, atol=0.06)


def test_the_proportional_odds_test_keeps_its_level_and_finds_what_is_not(design_from_arrays):
    held, broken, one = [], [], np.ones(1, dtype=bool)
    for run in range(150):
        rng = np.random.default_rng([6, run])
        base, features, y = classes("ordinal", rng, n=250, p=1, effect=0.5)
        held.append(brant_tests(design_from_arrays("ordinal", base, features, y=y), one).p_value[0])
        base, features, y = classes("ordinal", rng, n=250, p=1, effect=0.5, flexible=True)
        broken.append(brant_tests(design_from_arrays("ordinal", base, features, y=y), one).p_value[0])
    low, high = stats.binom.ppf([0.0005, 0.9995], 150, 0.05) / 150
    assert low <= np.mean(np.array(held) <= 0.05) <= high
    assert np.mean(np.array(broken) <= 0.05) > 0.8


def test_odds_that_differ_between_cuts_are_flagged(design_from_arrays):
    base, features, y = classes("ordinal", np.random.default_rng(8), n=600, effect=0.5, flexible=True)
    found = screen(design_from_arrays("ordinal", base, features, y=y), permutations=0)
    assert kind_of("ordinal").flags(found.table) == {"f0": ["odds not proportional"]}


def test_cuts_whose_fitted_chances_cross_have_no_test_of_proportional_odds():
    columns = np.linspace(-1, 1, 30)[:, None]
    # the chance to lie above the second cut is fitted larger than that to lie above the first
    fits = [SimpleNamespace(coef=np.array([at, 0.0]), covariance=np.eye(2)) for at in (-2.0, 2.0)]
    statistic, _ = _wald(columns, fits)  # warnings are errors here
    assert np.isnan(statistic)


def test_what_limits_classes():
    y = np.repeat([0.0, 1.0, 2.0], [50, 30, 20])
    rows = np.ones((100, 2), dtype=bool)
    rows[:40, 1] = False
    from discovery.association.response import Response

    assert Response(kind="ordinal", y=y).effective_sizes(rows).tolist() == [50, 30]
    assert Response(kind="multiclass", y=y).effective_sizes(rows).tolist() == [20, 10]


def test_mean_pairwise_auc_is_that_of_a_library_and_of_two_classes_the_auc():
    rng = np.random.default_rng(9)
    y = rng.integers(0, 4, 200).astype(float)
    scores = rng.normal(size=(200, 2, 3)) + (y[:, None, None] == np.arange(1, 4)) * 0.8
    whole = np.ones((200, 1))
    got = MeanPairwise(y)(scores, whole, False)[:, 0]
    chance = probabilities(scores)
    for m in range(2):
        want = roc_auc_score(y, chance[:, m], multi_class="ovo", average="macro")
        assert got[m] == pytest.approx(want, abs=1e-12)
    binary = MeanPairwise((y > 1).astype(float))(scores[:, :, :1], whole, False)[:, 0]
    assert binary[0] == pytest.approx(roc_auc_score(y > 1, scores[:, 0, 0]), abs=1e-12)


def test_weights_of_the_mean_pairwise_auc_are_repeated_rows():
    rng = np.random.default_rng(10)
    y = rng.integers(0, 3, 60).astype(float)
    scores = rng.normal(size=(60, 1, 2))
    w = rng.integers(0, 3, 60)
    many = np.repeat(np.arange(60), w)
    got = MeanPairwise(y)(scores, w[:, None].astype(float), False)
    want = MeanPairwise(y[many])(scores[many], np.ones((many.size, 1)), False)
    assert got[0, 0] == pytest.approx(want[0, 0], abs=1e-12)


@pytest.mark.parametrize("kind", ["ordinal", "multiclass"])
def test_a_flexible_shape_finds_a_bend(design_from_arrays, kind):
    rng = np.random.default_rng(11)
    base, features, _ = classes(kind, rng, n=400)
    bend = features[:, 0] ** 2
    if kind == "ordinal":
        y = np.digitize(bend + rng.logistic(size=400), [0.0, 1.5]).astype(float)
    else:
        y = (np.column_stack([np.zeros(400), bend, -bend]) + rng.gumbel(size=(400, 3))).argmax(axis=1)
    found = screen(design_from_arrays(kind, base, features, y=y), shape="flexible", permutations=0)
    assert found.nonlinear.tolist() == [True, False, False]
    assert found.shapes.df[0] == (2 if kind == "ordinal" else 4)


def test_shape_tests_of_classes_are_those_of_nested_models(design_from_arrays):
    """Reference: statsmodels' multinomial likelihoods. A curve would need one effect; there is none."""
    base, features, y = classes("multiclass", np.random.default_rng(21), n=400, effect=0.4)
    features[::9, 1] = np.nan
    design = design_from_arrays("multiclass", base, features, y=y)
    tests, curves = shape_of_effects(design, design.feature_names)
    assert curves.empty
    for j, row in enumerate(tests.itertuples()):
        seen = design.observed[:, j]
        x, z = design.features[seen, j], np.column_stack([np.ones(seen.sum()), design.base[seen]])
        basis = restricted_cubic_spline(x, default_knots(x, events=1000))
        heights = [
            MNLogit(y[seen], np.column_stack([z, basis[:, :k]])).fit(disp=0, maxiter=200, tol=1e-12).llf
            for k in (0, 1, 3)
        ]
        line, whole = 2 * (heights[1] - heights[0]), 2 * (heights[2] - heights[0])
        both = [stats.chi2.sf(line, 2), stats.chi2.sf(whole, 6)]
        assert row.df == 4
        assert row.p_linear == pytest.approx(both[0], rel=1e-6)
        assert row.p_nonlinear == pytest.approx(stats.chi2.sf(whole - line, 4), rel=1e-6)
        assert row.p_spline == pytest.approx(both[1], rel=1e-6)
        assert row.p_combined == pytest.approx(stats.cauchy.sf(np.mean(stats.cauchy.isf(both))), rel=1e-6)


def test_the_sparse_path_takes_the_feature_that_counts(design_from_arrays):
    base, features, y = classes("multiclass", np.random.default_rng(12), n=400, p=9, effect=0.9)
    share = stability_shares(
        design_from_arrays("multiclass", base, features, y=y), np.arange(9), rng=np.random.default_rng(1),
        pairs=5,
    )  # fmt: skip
    assert share[0] == 1.0
    assert share.sum() == pytest.approx(3.0)


def test_a_class_that_a_feature_separates_is_said(design_from_arrays):
    rng = np.random.default_rng(13)
    base, features, y = classes("multiclass", rng)
    features[:, 1] = y + 0.01 * rng.random(300)
    found = screen(design_from_arrays("multiclass", base, features, y=y), permutations=0).table
    row = found[(found["feature"] == "f1") & (found["term"] == "f1")].iloc[0]
    assert np.isnan(row["p_value"])
    assert "separates the outcome" in row["note"]
