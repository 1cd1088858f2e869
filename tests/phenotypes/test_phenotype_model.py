"""The fitted object: open data with known classes, sites, new patients, a second cohort, freezing."""

from __future__ import annotations

import json
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
from sklearn.base import clone
from sklearn.cluster import KMeans
from sklearn.metrics import adjusted_rand_score

from discovery.phenotypes import Phenotypes
from discovery.phenotypes.cluster import cut, mixture
from discovery.phenotypes.reduce import learn_components
from discovery.phenotypes.verdict import NO_GROUPS, SITE_DRIVEN, SUPPORTED, UNSTABLE, judge
from discovery.problems import InputError

FEW = {"draws": 39, "bootstraps": 20}


def three_groups(rng, n, *, distance=7.0, p=9):
    where = rng.permutation(np.arange(n) % 3)
    centres = distance / np.sqrt(2) * np.linalg.qr(np.random.default_rng(0).normal(size=(p, 3)))[0].T
    names = [f"f{j}" for j in range(p)]
    return pd.DataFrame(rng.normal(size=(n, p)) + centres[where], columns=names), where


@pytest.fixture(scope="module")
def planted():
    features, where = three_groups(np.random.default_rng(1), 150)
    features.index = [f"p{i:03d}" for i in range(150)]
    features = features.mask(np.random.default_rng(2).random(features.shape) < 0.03)
    features.iloc[7, :6] = np.nan
    return features, where, Phenotypes(seed=3, **FEW).fit(features)


def measures(dataset, file, truth, leave_out=()):
    table = dataset(file)
    return table.drop(columns=[truth, *leave_out]), table[truth].to_numpy()


# Known structure: two clouds in iris (Setosa, and Versicolor with Virginica, which no published test
# separates without labels), three cultivars, three species.
@pytest.mark.parametrize(
    ("file", "truth", "leave_out", "k", "least_rand"),
    [
        ("iris.csv", "class", (), 2, 0.54),
        # k-means of the 13 standardised columns: adjusted Rand .897 (widely printed; from memory)
        ("wine.csv", "class", (), 3, 0.87),
        # Gentoo, and Adelie with Chinstrap, which differ in one measure only
        ("penguins.csv", "species", ("island", "sex", "year"), 2, 0.63),
    ],
)
def test_known_structure_of_open_data(dataset, file, truth, leave_out, k, least_rand):
    features, species = measures(dataset, file, truth, leave_out)
    found = Phenotypes(seed=1, bootstraps=50, compare=False).fit(features)
    assert found.k_ == k
    assert found.verdict_.word == SUPPORTED
    placed = found.labels_ >= 0
    assert adjusted_rand_score(species[placed], found.labels_[placed]) >= least_rand


def test_two_clouds_are_setosa_and_the_rest_and_gentoo_and_the_rest(dataset):
    for file, truth, leave_out, apart in (
        ("iris.csv", "class", (), "setosa"),
        ("penguins.csv", "species", ("island", "sex", "year"), "Gentoo"),
    ):
        features, species = measures(dataset, file, truth, leave_out)
        found = Phenotypes(seed=1, ks=(2,), compare=False, **FEW).fit(features)
        placed = found.labels_ >= 0
        assert adjusted_rand_score(species[placed] == apart, found.labels_[placed]) >= 0.97


def test_three_groups_of_penguins_are_the_species(dataset):
    features, species = measures(dataset, "penguins.csv", "species", ("island", "sex", "year"))
    found = Phenotypes(seed=1, ks=(3,), compare=False, **FEW).fit(features)
    placed = found.labels_ >= 0
    # no published value found; scikit-learn's k-means of the same two components does as well
    complete = features.dropna()
    x = ((complete - complete.mean()) / complete.std()).to_numpy()
    other = KMeans(3, n_init=50, random_state=0).fit_predict(learn_components(x).scores(x))
    least = adjusted_rand_score(species[features.notna().all(axis=1)], other) - 0.05
    assert adjusted_rand_score(species[placed], found.labels_[placed]) >= least > 0.6


def test_diabetes_by_a_mixture_and_the_plain_verdict(dataset):
    # full covariances, three components: adjusted Rand .664 against the clinical classes (Scrucca et al.,
    # R J 2016;8:289-317; from memory). The three arms run into each other, and once the skewed margins are
    # allowed for there is no evidence of groups by k-means: classes cut from a continuum.
    features, clinical = measures(dataset, "diabetes_reaven.csv", "class")
    x = features.to_numpy(float)
    x = (x - x.mean(axis=0)) / x.std(axis=0, ddof=1)
    labels = mixture(x, 3, np.random.default_rng(1)).predict(x)
    assert adjusted_rand_score(clinical, labels) == pytest.approx(0.664, abs=0.03)
    found = Phenotypes(seed=1, compare=False, **FEW).fit(features)
    assert not found.verdict_.groups


def test_columns_shuffled_apart_give_no_evidence_of_groups(dataset):
    features, _ = measures(dataset, "penguins.csv", "species", ("island", "sex", "year"))
    rng = np.random.default_rng(5)
    shuffled = features.apply(lambda column: rng.permutation(column.to_numpy()))
    found = Phenotypes(seed=1, compare=False, **FEW).fit(shuffled)
    assert found.verdict_.word == NO_GROUPS


def test_a_pure_site_shift_is_site_driven_and_goes_with_centring():
    rng = np.random.default_rng(6)
    site = np.repeat(["a", "b"], 80)
    x = rng.normal(size=(160, 12))
    x[site == "b", :6] += 2.0
    found = Phenotypes(seed=1, compare=False, **FEW).fit(x, site=site)
    assert found.verdict_.word == SITE_DRIVEN
    assert found.site_.cramer_v >= 0.8
    centred = Phenotypes(seed=1, compare=False, site_centred=True, **FEW).fit(x, site=site)
    assert not centred.verdict_.groups
    assert centred.site_.cramer_v < 0.3


def test_planted_groups_that_every_site_has_are_not_site_driven(planted):
    features, _, _ = planted
    site = np.random.default_rng(8).integers(0, 3, len(features)).astype(str)
    found = Phenotypes(seed=3, compare=False, **FEW).fit(features, site=site)
    assert found.verdict_.word == SUPPORTED
    assert found.site_.adjusted_rand > 0.9


def test_a_feature_without_spread_among_the_patients_searched_is_left_out_and_named():
    x, _ = three_groups(np.random.default_rng(4), 60)
    x["windows"] = 1.0
    x.iloc[:2] = np.nan  # hardly anything measured of two patients: no window, and nothing else
    x.iloc[:2, -1] = 0.0
    found = Phenotypes(seed=1, compare=False, transforms={"windows": "none"}, **FEW).fit(x)
    left_out = found.preparation_.left_out.set_index("feature")["reason"]
    assert left_out["windows"] == "no spread among the patients with enough measured"
    assert found.labels_[:2].tolist() == [-1, -1]
    assert found.k_ == 3


def test_planted_groups_are_found_with_gaps_in_the_data(planted):
    _, where, found = planted
    placed = found.labels_ >= 0
    assert found.verdict_.text == "supported phenotypes, clearly separated"
    assert adjusted_rand_score(where[placed], found.labels_[placed]) > 0.97
    assert list(np.flatnonzero(~placed)) == [7]
    assert found.sizes_.tolist() == sorted(found.sizes_, reverse=True)
    np.testing.assert_array_equal(found.predict(planted[0]), found.labels_)
    np.testing.assert_allclose(found.predict_proba(planted[0])[placed].sum(axis=1), 1)
    np.testing.assert_allclose(found.predict_proba(planted[0]), found.probability_, atol=1e-12)
    np.testing.assert_allclose(found.transform(planted[0]), found.scores_, atol=1e-9)


def test_consensus_is_high_inside_groups_and_low_between(planted):
    _, _, found = planted
    labels, consensus = found.labels_[found.labels_ >= 0], found.stability_.consensus()
    same = labels[:, None] == labels[None, :]
    assert np.nanmean(consensus[same]) > 0.95
    assert np.nanmean(consensus[~same]) < 0.05
    some = np.array([40, 3, 77])
    np.testing.assert_array_equal(found.stability_.consensus(some), consensus[np.ix_(some, some)])


def test_other_methods_agree_on_clear_groups(planted):
    agree = planted[2].comparison_.set_index("method")["adjusted_rand"]
    assert (agree[["kmeans", "mixture"]] > 0.97).all()
    assert agree["ward"] > 0.85


@pytest.mark.parametrize("method", ["ward", "mixture"])
def test_the_search_by_other_methods(planted, method):
    features, where, _ = planted
    found = Phenotypes(method=method, seed=3, draws=19, bootstraps=10, ks=(3,), starts=2, compare=False).fit(
        features.iloc[:75]
    )
    placed = found.labels_ >= 0
    assert found.k_ == 3
    assert adjusted_rand_score(where[:75][placed], found.labels_[placed]) > 0.95
    assert adjusted_rand_score(found.predict(features.iloc[:75])[placed], found.labels_[placed]) > 0.95


def test_any_number_of_workers_gives_the_same_bytes(planted):
    features, _, found = planted
    again = Phenotypes(seed=3, workers=3, **FEW).fit(features)
    assert json.dumps(again.to_dict()) == json.dumps(found.to_dict())
    for kind in ("gaussian", "copula"):
        assert again.structure_.null[kind].tobytes() == found.structure_.null[kind].tobytes()
    assert again.stability_.sampled.tobytes() == found.stability_.sampled.tobytes()


def test_frozen_model_assigns_as_the_fitted_one_and_holds_no_patients(planted):
    features, _, found = planted
    text = json.dumps(found.to_dict(), allow_nan=False)
    assert not any(name in text for name in features.index)
    frozen = Phenotypes.from_dict(json.loads(text))
    new, _ = three_groups(np.random.default_rng(12), 40)
    pd.testing.assert_frame_equal(frozen.assign(new), found.assign(new))
    np.testing.assert_array_equal(frozen.transform(new), found.transform(new))
    with pytest.raises(InputError, match="frozen phenotypes"):
        Phenotypes.from_dict({"schema": "something else"})


def test_new_patients_like_the_old_ones_are_assigned_and_a_stranger_is_named(planted):
    _, _, found = planted
    new, where = three_groups(np.random.default_rng(9), 600)
    table = found.assign(new)
    assert adjusted_rand_score(where, table["group"]) > 0.97
    assert (table["verdict"] == "unlike anyone seen").mean() < 0.03
    strange = new.iloc[:2].copy()
    strange.iloc[0] += 6 * np.sign(strange.iloc[0])  # far out
    strange.iloc[1, :] = np.nan
    verdicts = found.assign(strange)["verdict"].tolist()
    assert verdicts == ["unlike anyone seen", "too little measured"]


def test_a_patient_half_way_is_between_groups(planted):
    features, _, found = planted
    middle = found.centres_[:2].mean(axis=0) @ found.components_.loadings.T / found.preparation_.weight
    scale = found.preparation_.table
    raw = pd.DataFrame([scale["mean"] + scale["sd"] * middle], columns=features.columns)
    assert found.assign(raw)["verdict"].item() == "between groups"


def test_groups_and_axes_replicate_in_a_like_cohort_and_not_in_noise(planted):
    _, _, found = planted
    same, _ = three_groups(np.random.default_rng(10), 120)
    good = found.replicate(same)
    assert good.verdict == "replicated phenotypes"
    assert good.prediction_strength > 0.9
    assert (good.axes["congruence"].iloc[:2] > 0.9).all()
    noise = pd.DataFrame(np.random.default_rng(11).normal(size=(120, 9)), columns=same.columns)
    bad = found.replicate(noise)
    assert bad.verdict == "not replicated"
    assert not bad.replicated


def test_axes_replicate_without_groups_by_loadings_and_by_scores():
    def cohort(seed, shared=True):
        rng = np.random.default_rng(seed)
        common = np.repeat(rng.normal(size=(250, 2)) * [1.6, 1.0], [6, 4], axis=1) if shared else 0.0
        return pd.DataFrame(common + 0.6 * rng.normal(size=(250, 10)), columns=[f"f{j}" for j in range(10)])

    found = Phenotypes(seed=1, compare=False, **FEW).fit(cohort(1))
    assert found.verdict_.word == NO_GROUPS
    frozen = Phenotypes.from_dict(json.loads(json.dumps(found.to_dict())))
    second = cohort(2)
    same, noise = frozen.replicate(second).axes, frozen.replicate(cohort(3, shared=False)).axes
    assert (same["congruence"].iloc[:2] > 0.95).all()
    assert (same["score_agreement"].iloc[:2] > 0.9).all()
    assert noise["congruence"].iloc[0] < 0.85
    # the scores by hand: frozen loadings, and the components of the second cohort by numpy
    table = found.preparation_.table
    z = second.clip(table["low"], table["high"], axis=1).sub(table["mean"]).div(table["sd"])
    x = (z * table["weight"]).to_numpy()
    own = (x - x.mean(axis=0)) @ np.linalg.eigh(np.cov(x.T))[1][:, ::-1]
    by_hand = abs(np.corrcoef(frozen.transform(second)[:, 0], own[:, 0])[0, 1])
    assert same["score_agreement"].iloc[0] == pytest.approx(by_hand, rel=1e-9)


def test_axes_of_a_cohort_without_groups():
    rng = np.random.default_rng(13)
    common = np.repeat(rng.normal(size=(200, 2)) * [1.0, 1.0], [6, 4], axis=1)
    x = 0.85 * common + np.sqrt(1 - 0.85**2) * rng.normal(size=(200, 10))
    found = Phenotypes(seed=1, compare=False, **FEW).fit(x)
    assert found.axes_["beyond_chance"].sum() == 2
    assert (found.axes_["congruence_low"].iloc[:2] > 0.9).all()
    assert found.axes_["share"].iloc[0] == pytest.approx(found.components_.ratio[0])


def test_words_follow_the_rules_in_order():
    passing = {"p_structure": 0.01, "p_separation": 0.01, "p_strict": 0.5, "jaccard": [0.9, 0.9]}
    assert judge(**passing, sizes=[50, 50], site=None).word == SUPPORTED
    assert judge(**passing, sizes=[91, 9], site=None).word == UNSTABLE
    assert judge(**{**passing, "jaccard": [0.9, 0.7]}, sizes=[50, 50], site=None).word == UNSTABLE
    stratum = judge(**{**passing, "p_separation": 0.06}, sizes=[50, 50], site=None)
    assert stratum.word == "a continuum cut into strata"
    assert judge(**{**passing, "p_structure": 0.06}, sizes=[50, 50], site=None).word == NO_GROUPS
    clear = judge(**{**passing, "p_strict": 0.04}, sizes=[50, 50], site=None)
    assert clear.text == "supported phenotypes, clearly separated"


def test_every_wrong_setting_is_named_at_once():
    with pytest.raises(InputError) as caught:
        Phenotypes(method="magic", ks=(1, 2), draws=3, workers=0, variance=2).fit(
            np.zeros((8, 3)), site=["a"]
        )
    named = {problem.file for problem in caught.value.problems}
    assert named == {"method", "ks", "draws", "workers", "variance", "features", "site"}


def test_it_is_an_estimator_of_scikit_learn_and_keeps_the_table(planted):
    features = planted[0].copy()
    model = Phenotypes(seed=4, ks=(2, 3), draws=19, bootstraps=10)
    assert clone(model).get_params() == model.get_params()
    labels = model.fit_predict(features)
    assert labels.shape == (150,)
    pd.testing.assert_frame_equal(features, planted[0])
    assert model.get_feature_names_out()[0] == "PC1"


def test_cut_is_deterministic_for_a_generator(planted):
    scores = planted[2].scores_[planted[2].measured_]
    first, second = (cut(scores, 4, np.random.default_rng(2), method="kmeans", starts=3) for _ in range(2))
    np.testing.assert_array_equal(first, second)


def test_importing_the_package_loads_no_heavy_library():
    code = "import sys, discovery.phenotypes; assert 'sklearn' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_the_map_says_how_far_to_trust_it(planted):
    _, _, found = planted
    drawn = found.embedding()
    assert drawn.points.shape == (149, 2)
    assert 0.8 < drawn.trustworthiness <= 1
    assert 0 < drawn.seed_overlap < 1
    for piece in ("seed 3", "15 neighbours", "trustworthiness", "second seed", "are not evidence"):
        assert piece in drawn.caption
