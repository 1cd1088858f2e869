"""Turned axes: they rest on the features of one source each, leave the groups alone, and are frozen."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from discovery.phenotypes import Phenotypes
from discovery.phenotypes.axes import find_axes
from discovery.phenotypes.profiles import axis_columns, axis_mix_table, loading_table
from discovery.phenotypes.reduce import learn_components
from discovery.phenotypes.turned import turned
from discovery.problems import InputError

FEW = {"draws": 19, "bootstraps": 20, "ks": (2, 3), "compare": False}
FIRST = [f"f{j}" for j in range(6)]  # of the first source; f6 to f11 are of the second


def two_sources(seed, n=200):
    """Twelve features, six of each of two correlated sources of nearly the same variance."""
    rng = np.random.default_rng(seed)
    sources = rng.multivariate_normal([0, 0], [[1, 0.2], [0.2, 1]], n)
    x = 0.85 * np.repeat(sources, 6, axis=1) + 0.5 * rng.normal(size=(n, 12))
    return pd.DataFrame(x, columns=[f"f{j}" for j in range(12)]), sources


@pytest.fixture(scope="module")
def cohort():
    features, sources = two_sources(1)
    plain = Phenotypes(seed=2, **FEW).fit(features)
    return features, sources, plain, Phenotypes(seed=2, rotation="varimax", **FEW).fit(features)


def test_each_turned_axis_is_one_source(cohort):
    _, sources, plain, found = cohort
    assert found.axis_names[:3] == ["RC1", "RC2", "PC3"]
    places = axis_columns(found)
    alike = np.abs(np.corrcoef(sources.T, places[["RC1", "RC2"]].T))[:2, 2:]
    assert np.sort(alike.max(axis=1))[0] > 0.9
    straight = np.abs(np.corrcoef(sources.T, axis_columns(plain)[["PC1", "PC2"]].T))[:2, 2:]
    assert straight.max() < alike.max(axis=1).min()
    table = loading_table(found).set_index(["axis", "feature"])["correlation"].abs()
    one, other = table["RC1"][FIRST], table["RC1"].drop(FIRST)
    assert min(one.min(), other.min()) < 0.35 < 0.8 < max(one.min(), other.min())


def test_turning_keeps_groups_distances_and_variance(cohort):
    _, _, plain, found = cohort
    np.testing.assert_array_equal(found.labels_, plain.labels_)
    assert found.verdict_ == plain.verdict_
    assert found.axes_["variance"].sum() == pytest.approx(plain.axes_["variance"].sum())
    pattern, turn = found.directions_.pattern, found.directions_.turn
    np.testing.assert_allclose(pattern @ pattern.T, plain.directions_.pattern @ plain.directions_.pattern.T)
    np.testing.assert_allclose(turn.T @ turn, np.eye(2), atol=1e-12)


def test_places_on_turned_axes_are_the_factor_scores_by_hand(cohort):
    features, _, _, found = cohort
    scores, d = found.transform(features), found.components_.kept
    standard = scores / np.sqrt(found.components_.variance[:d])
    by_hand = standard[:, :2] @ found.directions_.turn
    places = found.axis_scores(features)
    np.testing.assert_allclose(places.std(axis=0, ddof=1) ** 2, found.axes_["variance"], rtol=1e-9)
    np.testing.assert_allclose(places[:, :2] / places[:, :2].std(axis=0, ddof=1), by_hand, atol=1e-9)
    np.testing.assert_allclose(np.corrcoef(places.T), np.eye(d), atol=1e-9)  # turned ones stay uncorrelated
    z = found.preparation_.scaled(features)
    direct = np.corrcoef(z.T, places.T)[: z.shape[1], z.shape[1] :]
    np.testing.assert_allclose(found.axis_search_.correlation, direct, atol=1e-9)


def test_turned_axes_are_frozen_and_replicate(cohort):
    features, _, _, found = cohort
    frozen = Phenotypes.from_dict(json.loads(json.dumps(found.to_dict(), allow_nan=False)))
    np.testing.assert_array_equal(frozen.axis_scores(features), found.axis_scores(features))
    again = frozen.replicate(two_sources(3)[0]).axes
    assert again["axis"].tolist()[:2] == ["RC1", "RC2"]
    assert (again["congruence"].iloc[:2] > 0.95).all()
    assert (again["score_agreement"].iloc[:2] > 0.95).all()


def test_a_frozen_file_of_before_has_axes_that_are_not_turned(cohort):
    kept = cohort[2].to_dict()
    del kept["axis_turn"]
    assert Phenotypes.from_dict(kept).axis_names[0] == "PC1"


def test_an_axis_alone_is_not_turned():
    x = np.random.default_rng(4).normal(size=(60, 5))
    components = learn_components(x)
    assert turned(components, 1).turn is None
    assert turned(components, 0).names[0] == "PC1"


def test_intervals_of_correlations_hold_the_truth():
    """The correlation of a feature with the first component of many patients, in 19 of 20 intervals or so."""
    rng, covered = np.random.default_rng(6), []
    noise = np.sqrt(1 - np.linspace(0.5, 0.9, 6) ** 2)

    def draw(n):
        return np.linspace(0.5, 0.9, 6) * rng.normal(size=(n, 1)) + noise * rng.normal(size=(n, 6))

    large = draw(200_000)
    truth = np.corrcoef(large.T, learn_components(large).scores(large)[:, 0])[:6, 6]
    for seed in range(40):
        x = draw(120)
        x = (x - x.mean(axis=0)) / x.std(axis=0, ddof=1)
        found = find_axes(x, learn_components(x), draws=19, bootstraps=100, seed=seed)
        covered.append((found.low[:, 0] <= truth) & (truth <= found.high[:, 0]))
    assert 0.88 <= np.mean(covered) <= 0.99


def test_etiologies_along_an_axis_are_t_intervals(cohort):
    from scipy.stats import t

    places = axis_columns(cohort[3])[["RC1"]]
    kind = pd.Series(np.where(np.arange(200) % 4 == 0, "a;b", "b"), index=places.index)
    table = axis_mix_table(places, kind).set_index("etiology")
    standard = ((places["RC1"] - places["RC1"].mean()) / places["RC1"].std())[::4]
    low, high = t.interval(0.95, 49, standard.mean(), standard.std() / np.sqrt(50))
    assert table.loc["a", ["n", "mean", "ci_low", "ci_high"]].tolist() == pytest.approx(
        [50, standard.mean(), low, high]
    )
    assert table.loc["b", "n"] == 200


def test_another_rotation_is_refused(cohort):
    with pytest.raises(InputError, match="none, varimax"):
        Phenotypes(rotation="oblique").fit(cohort[0])
