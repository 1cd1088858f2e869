"""Phenotypes frozen in one half of an open table, looked for in the other and in noise; bad files."""

from __future__ import annotations

import json
import stat
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

import discovery
from discovery.pipeline.second_phenotypes import read_phenotypes, replicate_phenotypes
from discovery.pipeline.second_shapes import other_shapes
from discovery.problems import InputError

BILL = ["bill_length_mm", "bill_depth_mm", "flipper_length_mm", "body_mass_g"]
TEXT = """[study]
name = "{name}"
seed = 5
[patients]
file = "patients.csv"
id = "patient_id"
[features]
file = "features.csv"
labels = "labels.csv"
[[outcomes]]
name = "year"
kind = "continuous"
column = "year"
[analysis]
replicates = 0
permutations = 0
workers = 1
"""


def write_study(folder, features: pd.DataFrame, *, unit="mm"):
    folder.mkdir(parents=True, exist_ok=True)
    ids = [f"bird_{k:04d}" for k in range(len(features))]
    features.assign(patient_id=ids).to_csv(folder / "features.csv", index=False)
    year = np.random.default_rng(3).normal(size=len(features))
    pd.DataFrame({"patient_id": ids, "year": year}).to_csv(folder / "patients.csv", index=False)
    (folder / "labels.csv").write_text(f"feature,label,unit\nbill_depth_mm,Bill depth,{unit}\n")
    (folder / "study.toml").write_text(TEXT.format(name=folder.name))
    return folder / "study.toml"


@pytest.fixture(scope="module")
def halves(dataset):
    """Two random halves of the penguins, whose largest species stands apart from the two others."""
    table = dataset("penguins.csv").dropna().reset_index(drop=True)
    first = np.random.default_rng(8).permutation(len(table)) < len(table) // 2
    return table[first].reset_index(drop=True), table[~first].reset_index(drop=True)


@pytest.fixture(scope="module")
def frozen(halves, tmp_path_factory):
    folder = tmp_path_factory.mktemp("first_half")
    discovery.run(write_study(folder, halves[0][BILL]), out=folder / "out")
    return folder / "out" / "frozen.json"


@pytest.fixture(scope="module")
def second(halves, frozen, tmp_path_factory):
    folder = tmp_path_factory.mktemp("second_half")
    return folder, discovery.replicate(frozen, write_study(folder, halves[1][BILL]), out=folder / "out")


def edited(frozen, tmp_path, edit):
    content = json.loads(frozen.read_text())
    edit(content["phenotypes"])
    path = tmp_path / "frozen.json"
    path.write_text(json.dumps(content))
    return path


def test_phenotypes_of_one_half_are_those_of_the_other(second):
    folder, result = second
    groups = result.tables["phenotype_replication"]
    assert groups["verdict"].tolist() == ["replicated", "replicated"]
    assert (groups["prediction_strength"] > 0.95).all()
    assert "replicated phenotypes. 2 of 2 came back" in (folder / "out" / "index.html").read_text()
    assert "Tibshirani" in (folder / "out" / "methods.md").read_text()
    assert pd.read_csv(folder / "out" / "phenotype_replication.csv").shape == groups.shape


def test_every_patient_is_assigned_with_a_probability_in_a_private_file(frozen, halves, second, tmp_path):
    path = second[0] / "out" / "patient_level" / "phenotypes.parquet"
    table = pd.read_parquet(path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    columns = ["patient_id", "phenotype", "probability", "outlier", "p_unlike", "verdict", "PC1"]
    assert list(table.columns[:7]) == columns
    gentoo = (halves[1]["species"] == "Gentoo").to_numpy()
    assert pd.crosstab(gentoo, table["phenotype"]).to_numpy().min() == 0
    assert table["probability"].between(0, 1).all()
    # one new patient, and one like nobody, in a cohort too small to look for groups
    few = halves[1][BILL].iloc[:6].copy()
    few.iloc[0] = [90.0, 5.0, 300.0, 900.0]
    few.iloc[1, :3] = np.nan
    discovery.replicate(frozen, write_study(tmp_path / "few", few), out=tmp_path / "out")
    own = pd.read_parquet(tmp_path / "out" / "patient_level" / "phenotypes.parquet")
    assert own["verdict"].iloc[:2].tolist() == ["unlike anyone seen", "too little measured"]
    assert own["outlier"].tolist() == [True, False, *table["outlier"].iloc[2:6]]
    assert table["outlier"].mean() < 0.05
    assert own["phenotype"].iloc[2:].tolist() == table["phenotype"].iloc[2:6].tolist()


def test_prediction_strength_is_that_of_k_means_of_scikit_learn(frozen, halves, second):
    from sklearn.cluster import KMeans

    kept = json.loads(frozen.read_text())["phenotypes"]
    scale = pd.DataFrame(kept["preparation"]["features"]).set_index("feature")
    z = (halves[1][scale.index].clip(scale["low"], scale["high"], axis=1) - scale["mean"]) / scale["sd"]
    loadings = np.array(kept["components"]["loadings"])
    scores = (z.to_numpy() * scale["weight"].to_numpy() - np.array(kept["components"]["centre"])) @ loadings
    own = KMeans(2, n_init=20, random_state=1).fit(scores)
    assigned = ((scores[:, None, :] - np.array(kept["centres"])) ** 2).sum(axis=2).argmin(axis=1)
    strength = []
    for group in range(2):
        labels = assigned[own.labels_ == group]
        pairs = labels[:, None] == labels[None, :]
        strength.append((pairs.sum() - len(labels)) / (len(labels) * (len(labels) - 1)))
    found = second[1].tables["phenotype_replication"]["prediction_strength"]
    assert sorted(found) == pytest.approx(sorted(strength), abs=1e-12)


def test_the_first_axis_is_alike_by_numpy_as_well(frozen, halves, second):
    kept = json.loads(frozen.read_text())["phenotypes"]
    scale = pd.DataFrame(kept["preparation"]["features"]).set_index("feature")
    z = (halves[1][scale.index].clip(scale["low"], scale["high"], axis=1) - scale["mean"]) / scale["sd"]
    own = np.linalg.svd(z - z.mean(), full_matrices=False)[2][0]
    frozen_axis = np.array(kept["components"]["loadings"])[:, 0]
    row = second[1].tables["axis_replication"].iloc[0]
    assert row["congruence"] == pytest.approx(abs(own @ frozen_axis), abs=1e-9)
    assert row["verdict"] == "replicated"
    assert row["p_chance"] <= 0.05
    scores = abs(np.corrcoef(z @ frozen_axis, z @ own)[0, 1])
    assert row["score_agreement"] == pytest.approx(scores, abs=1e-9)


def test_columns_shuffled_apart_seldom_give_groups_or_axes_back(frozen, halves):
    """An axis comes back by chance in at most 5 % of such cohorts; its words rest on shuffles of its own."""
    model = read_phenotypes(json.loads(frozen.read_text())["phenotypes"])
    rng, axes, groups, cohorts = np.random.default_rng(2), 0, 0, 80
    for _ in range(cohorts):
        noise = halves[1][BILL].apply(lambda column: rng.permutation(column.to_numpy()))
        found = replicate_phenotypes(
            model, SimpleNamespace(features=noise, settings=SimpleNamespace(recordings=None))
        )
        axes += found.axes["verdict"].iloc[0] == "replicated"
        groups += (found.groups["verdict"] == "replicated").all()
    assert axes <= binom.ppf(0.999, cohorts, 0.05)
    assert groups <= binom.ppf(0.999, cohorts, 0.01)
    assert "first cohort: not replicated" in found.sentences[0]


def test_a_cohort_without_a_feature_or_with_few_patients_is_told_not_refused(frozen, halves, tmp_path):
    for name, features, words in (
        ("less", halves[1][BILL[:3]], "not assessable: this cohort has no body_mass_g"),
        ("few", halves[1][BILL].iloc[:8], "not assessable: features: found"),
    ):
        result = discovery.replicate(
            frozen, write_study(tmp_path / name, features), out=tmp_path / "o" / name
        )
        assert result.tables["axis_replication"].empty
        assert words in (tmp_path / "o" / name / "index.html").read_text().replace("&#39;", "'")


def test_a_feature_that_does_not_vary_here_is_applied_all_the_same(frozen, halves, tmp_path):
    flat = halves[1][BILL].assign(bill_depth_mm=halves[1]["bill_depth_mm"].median())
    result = discovery.replicate(frozen, write_study(tmp_path / "flat", flat), out=tmp_path / "out")
    kept = json.loads(frozen.read_text())["phenotypes"]
    scale = pd.DataFrame(kept["preparation"]["features"]).set_index("feature")
    z = (flat[scale.index].clip(scale["low"], scale["high"], axis=1) - scale["mean"]) / scale["sd"]
    centred = z.to_numpy() * scale["weight"].to_numpy() - np.array(kept["components"]["centre"])
    scores = centred @ np.array(kept["components"]["loadings"])
    nearest = ((scores[:, None, :] - np.array(kept["centres"])) ** 2).sum(axis=2).argmin(axis=1)
    assert result.tables["phenotype_replication"]["n"].tolist() == np.bincount(nearest, minlength=2).tolist()
    assert len(result.tables["axis_replication"])
    with pytest.raises(InputError, match=r"bill_depth_mm.*the unit of the first cohort, 'mm'"):
        discovery.replicate(frozen, write_study(tmp_path / "in", flat, unit="in"), out=tmp_path / "no")


def test_another_unit_of_a_feature_of_the_phenotypes_is_refused(frozen, halves, tmp_path):
    study = write_study(tmp_path / "inches", halves[1][BILL], unit="in")
    with pytest.raises(InputError, match=r"bill_depth_mm.*the unit of the first cohort, 'mm'"):
        discovery.replicate(frozen, study, out=tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_file_without_phenotypes_is_no_fault(frozen, halves, tmp_path):
    content = json.loads(frozen.read_text())
    content["phenotypes"] = None
    path = tmp_path / "frozen.json"
    path.write_text(json.dumps(content))
    result = discovery.replicate(path, write_study(tmp_path / "s", halves[1][BILL]), out=tmp_path / "out")
    assert result.tables["axis_replication"].empty
    assert "Phenotypes and axes" not in (tmp_path / "out" / "index.html").read_text()


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (dict.clear, "frozen phenotypes 1"),
        (lambda kept: kept.pop("centres"), "column 'centres'"),
        (lambda kept: kept["centres"].pop(), "column 'centres'.*2 x"),
        (lambda kept: kept.update(centres="near"), "the numbers as the run wrote them"),
        (lambda kept: kept["components"]["loadings"].pop(), "column 'loadings'"),
        (lambda kept: kept["preparation"].update(covariance=[[1.0]]), "column 'covariance'"),
        (lambda kept: kept["preparation"]["features"][0].update(sd=None), "column 'scales'"),
        (lambda kept: kept["preparation"]["features"][0].update(sd=0.0), "above 0"),
        (lambda kept: kept["verdict"].pop("word"), "column 'word'"),
        (lambda kept: kept.update(axes=[]), "column 'axes'"),
        (lambda kept: kept.update(k=0), "2 or more groups"),
        (lambda kept: kept.update(units=["mm"]), "column 'units'"),
        (lambda kept: kept["settings"].update(colour="red"), "the numbers as the run wrote them"),
        (lambda kept: kept["settings"].update(method="magic"), "kmeans, ward"),
        (lambda kept: kept["settings"].update(seed=3.5), "a seed, and"),
        (lambda kept: kept["axes"][0].update(congruence="near"), "the numbers as the run wrote them"),
        (lambda kept: kept["centres"][0].__setitem__(0, 1e308), "column 'centres'"),
        (lambda kept: kept["centres"][0].__setitem__(0, "0.5"), "column 'centres.1..1.': found '\"0.5\"'"),
        (lambda kept: kept["axes"][0].update(share=True), "column 'axes.1..share': found 'true'"),
    ],
)
def test_a_bad_block_is_told_in_words_before_anything_is_written(frozen, halves, tmp_path, edit, words):
    path = edited(frozen, tmp_path, edit)
    with pytest.raises(InputError, match=words) as caught:
        discovery.replicate(path, write_study(tmp_path / "s", halves[1][BILL]), out=tmp_path / "out")
    assert all("wanted" in problem.wanted for problem in caught.value.problems)
    assert not (tmp_path / "out").exists()


def test_arrays_of_another_size_are_told_together(frozen, halves, tmp_path):
    path = edited(frozen, tmp_path, lambda kept: (kept["centres"].pop(), kept["profile"].pop()))
    with pytest.raises(InputError) as caught:
        discovery.replicate(path, write_study(tmp_path / "s", halves[1][BILL]), out=tmp_path / "out")
    assert [problem.column for problem in caught.value.problems] == ["centres", "profile"]


def test_faults_of_the_file_and_of_the_study_are_told_together(frozen, halves, tmp_path):
    path = edited(frozen, tmp_path, lambda kept: kept.update(k="2"))
    study = write_study(tmp_path / "s", halves[1][BILL])
    study.write_text(f"{study.read_text()}\n[figures]\ncolour = 1\n")
    with pytest.raises(InputError) as caught:
        discovery.replicate(path, study, out=tmp_path / "out")
    assert [problem.column for problem in caught.value.problems] == ["k", "figures"]


@pytest.mark.parametrize("kept", [None, "first/shape_components.json"])
def test_shape_components_learned_anew_are_other_features(kept):
    recordings = SimpleNamespace(shape_components=kept)
    study = SimpleNamespace(settings=SimpleNamespace(recordings=recordings))
    found = SimpleNamespace(
        candidates=[SimpleNamespace(feature="rv_shape_component_2"), SimpleNamespace(feature="rv_tau_ms")],
        signature=None,
    )
    findings = SimpleNamespace(outcomes=[found])
    said = [problem.sentence() for problem in other_shapes(findings, study)]
    assert len(said) == (0 if kept else 1)
    assert all(
        "'rv_shape_component_2'; the components of the first cohort are wanted" in text for text in said
    )
