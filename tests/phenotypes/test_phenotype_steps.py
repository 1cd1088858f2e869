"""Preparation, reduction, nulls, sites and novelty, each against a closed form, a law or planted truth."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2_contingency, spearmanr

from discovery.phenotypes.axes import congruence
from discovery.phenotypes.filling import Filling, learn_covariance
from discovery.phenotypes.prepare import Preparation, as_table, learn_preparation
from discovery.phenotypes.reduce import learn_components, parallel_analysis, varimax
from discovery.phenotypes.replication import prediction_strengths, profile_orders
from discovery.phenotypes.site_check import check_sites, without_site_means
from discovery.phenotypes.stability import best_jaccard
from discovery.phenotypes.structure import NullCohorts, fewest_groups, largest_standardised
from discovery.problems import InputError


@pytest.fixture
def rng():
    return np.random.default_rng(11)


def blocks(rng, n=300, count=3, size=4, loading=0.8):
    common = np.repeat(rng.normal(size=(n, count)), size, axis=1)
    return loading * common + np.sqrt(1 - loading**2) * rng.normal(size=common.shape)


def test_declared_transforms_and_families(rng):
    table = as_table(np.exp(blocks(rng)))
    found = learn_preparation(
        table,
        transforms={"x0": "log", "x1": "rank-normal"},
        families={f"x{j}": f"f{j // 4}" for j in range(8)},
        winsor=False,
    )
    z = found.scaled(table)
    np.testing.assert_allclose(z.mean(axis=0), 0, atol=1e-12)
    np.testing.assert_allclose(z.std(axis=0, ddof=1), 1)
    logged = np.log(table["x0"])
    np.testing.assert_allclose(z[:, 0], (logged - logged.mean()) / logged.std())
    assert spearmanr(z[:, 1], table["x1"]).statistic > 0.99999
    assert abs(pd.Series(z[:, 1]).skew()) < 0.05
    np.testing.assert_allclose(found.weight, [0.5] * 8 + [1.0] * 4)


def test_correlated_features_can_be_taken_as_families(rng):
    found = learn_preparation(as_table(blocks(rng, loading=0.95)), families="correlated")
    assert found.table["family"].nunique() == 3
    np.testing.assert_allclose(found.weight, 0.5)


def test_preparation_survives_json_and_replays_on_new_patients(rng):
    table = as_table(np.exp(blocks(rng)))
    table.loc[:20, "x5"] = np.nan
    found = learn_preparation(table, transforms={"x0": "log", "x1": "rank-normal"})
    again = Preparation.from_dict(json.loads(json.dumps(found.to_dict(), allow_nan=False)))
    new = as_table(np.exp(blocks(rng, n=20)))[table.columns[::-1]]
    np.testing.assert_array_equal(again.scaled(new), found.scaled(new))


def test_useless_features_are_left_out_and_named(rng):
    table = as_table(blocks(rng))
    table["flat"], table["empty"] = 3.0, np.nan
    table["seldom"] = np.where(rng.random(len(table)) < 0.5, np.nan, 1.0 * np.arange(len(table)))
    left_out = learn_preparation(table).left_out.set_index("feature")["reason"]
    assert left_out["flat"] == "no spread"
    assert left_out["empty"] == "no value"
    assert left_out["seldom"].endswith("% missing")


def test_every_fault_of_the_features_is_named_at_once():
    table = pd.DataFrame({"a": ["x", "y"], "b": [1.0, np.inf]})
    with pytest.raises(InputError) as caught:
        as_table(table)
    assert {problem.column for problem in caught.value.problems} == {"a", "b"}


def test_wrong_transforms_are_named(rng):
    table = as_table(blocks(rng))
    with pytest.raises(InputError) as caught:
        learn_preparation(table, transforms={"x0": "sqare", "y9": "log"})
    assert len(caught.value.problems) == 2
    with pytest.raises(InputError, match="above 0 for a log"):
        learn_preparation(table, transforms={"x0": "log"})


def test_a_gap_is_filled_with_its_regression_on_the_rest():
    # two standard normals with correlation .6: E(y | x) = .6 x, Var(y | x) = .64
    covariance = np.array([[1.0, 0.6], [0.6, 1.0]])
    z = np.array([[2.0, np.nan], [1.0, -1.0]])
    filling = Filling(np.isnan(z), covariance)
    np.testing.assert_allclose(filling.expected(z), [[2.0, 1.2], [1.0, -1.0]])
    draws = np.array([filling.drawn(z, np.random.default_rng(i))[0, 1] for i in range(4000)])
    assert draws.mean() == pytest.approx(1.2, abs=0.04)
    assert draws.var() == pytest.approx(0.64, abs=0.05)


def test_covariance_with_gaps_is_near_that_without(rng):
    z = blocks(rng, n=2000)
    z = (z - z.mean(axis=0)) / z.std(axis=0, ddof=1)
    gaps = z.copy()
    gaps[rng.random(z.shape) < 0.15] = np.nan
    np.testing.assert_allclose(learn_covariance(gaps), learn_covariance(z), atol=0.06)


def test_components_are_the_same_from_features_or_from_patients(rng):
    wide = blocks(rng, n=30, count=10)
    found = learn_components(wide, exactly=5)
    value, vector = np.linalg.eigh(np.cov(wide.T))
    np.testing.assert_allclose(found.variance[:5], value[::-1][:5])
    np.testing.assert_allclose(np.abs((found.loadings * vector[:, ::-1][:, :5]).sum(axis=0)), 1, atol=1e-9)
    np.testing.assert_allclose(np.cov(found.scores(wide).T), np.diag(found.variance[:5]), atol=1e-9)


def test_parallel_analysis_finds_the_number_of_factors(rng):
    x = blocks(rng)
    found = learn_components(x)
    _, high = parallel_analysis(x, rng, draws=49)
    assert int((found.variance > high).sum()) == 3


def test_varimax_turns_blocks_back_to_simple_axes(rng):
    simple = np.repeat(np.eye(3), 4, axis=0) / 2
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    found, rotation = varimax(simple @ turn)
    np.testing.assert_allclose(rotation @ rotation.T, np.eye(3), atol=1e-9)
    np.testing.assert_allclose(np.sort(np.abs(found), axis=1)[:, :2], 0, atol=1e-5)
    np.testing.assert_allclose(congruence(simple, found), 1, atol=1e-9)


@pytest.mark.parametrize("kind", ["gaussian", "copula"])
def test_null_cohorts_keep_correlation_and_the_copula_the_margins(kind, rng):
    z = np.exp(0.7 * blocks(rng, n=1500))
    z = (z - z.mean(axis=0)) / z.std(axis=0, ddof=1)
    drawn = np.concatenate([NullCohorts(z, kind).draw(rng) for _ in range(10)])
    if kind == "gaussian":
        np.testing.assert_allclose(np.cov(drawn.T), np.cov(z.T), atol=0.06)
        assert abs(pd.DataFrame(drawn).skew()).max() < 0.15
    else:
        np.testing.assert_allclose(spearmanr(drawn).statistic, spearmanr(z).statistic, atol=0.06)
        np.testing.assert_allclose(np.quantile(drawn, 0.9, axis=0), np.quantile(z, 0.9, axis=0), atol=0.12)


def test_a_draw_is_standardised_by_the_others(rng):
    null = rng.normal(size=(30, 2))
    _, found = largest_standardised(null.mean(axis=0), null)
    rest = np.delete(null, 4, axis=0)
    assert found[4] == pytest.approx(((null[4] - rest.mean(axis=0)) / rest.std(axis=0, ddof=1)).max())


def test_a_larger_k_has_to_lead_by_more_than_chance(rng):
    null = rng.normal(size=(4000, 3))  # unrelated: the lead of one over another has sd sqrt(2)
    level = 1.645 * np.sqrt(2)
    assert fewest_groups(np.array([5.0, 5.0 + level - 0.3, 0.0]), null) == 0
    assert fewest_groups(np.array([5.0, 5.0 + level + 0.3, 0.0]), null) == 1
    # chance is that of the pair: the same lead between two that rise and fall together is no chance
    null[:, 1] = null[:, 0] + 0.1 * null[:, 1]
    assert fewest_groups(np.array([5.0, 5.0 + level - 0.3, 0.0]), null) == 1
    # a smaller k is taken although a k in between falls short, and never a larger one than the best
    assert fewest_groups(np.array([5.0, 1.0, 5.2]), rng.normal(size=(99, 3))) == 0
    assert fewest_groups(np.array([9.0, 8.9, 8.9]), null) == 0


def test_site_association_is_cramers_v_and_shares_of_variance(rng):
    site, labels = rng.integers(0, 3, 200), rng.integers(0, 2, 200)
    labels[site == 0] = 0
    scores = rng.normal(size=(200, 2)) + site[:, None]
    found = check_sites(scores, labels, labels, site, rng)
    chi2 = chi2_contingency(pd.crosstab(labels, site), correction=False).statistic
    assert found.cramer_v == pytest.approx(np.sqrt(chi2 / 200))
    centred = without_site_means(scores, site)
    total = ((scores - scores.mean(axis=0)) ** 2).sum()
    assert found.r2 == pytest.approx(1 - (centred**2).sum() / total)
    assert found.p_value <= 0.002
    assert found.adjusted_rand == 1


def test_jaccard_by_hand():
    labels = np.array([0, 0, 0, 1, 1, 1])
    sampled = np.array([0, 0, 1, 1, 1, -1])  # the last patient is not in the draw
    np.testing.assert_allclose(best_jaccard(labels, sampled, 2), [2 / 3, 2 / 3])


def test_prediction_strength_and_profile_order_by_hand():
    own, assigned = np.array([0, 0, 0, 1, 1]), np.array([0, 0, 1, 1, 1])
    np.testing.assert_allclose(prediction_strengths(own, assigned, 2), [1 / 3, 1.0])
    np.testing.assert_allclose(profile_orders(np.array([[1, 2, 3.0]]), np.array([[5, 9, 7.0]])), [0.5])
