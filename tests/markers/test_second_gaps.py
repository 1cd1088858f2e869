"""Missing covariates of a second cohort: completed for models, imputed for tests, nobody lost in silence."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from sklearn.experimental import enable_iterative_imputer  # noqa: F401
from sklearn.impute import IterativeImputer
from sklearn.linear_model import LinearRegression

from discovery.markers.frozen import FrozenCompletion, FrozenTerm
from discovery.markers.frozen_completion import complete_base, learn_completion, not_a_covariance
from discovery.markers.frozen_file import read_frozen, write_frozen
from discovery.markers.second_cohort import replicate_findings
from discovery.markers.second_signature import judge_signatures
from discovery.pipeline.analysis import analyse
from discovery.pipeline.masking import masked_frozen
from discovery.pipeline.progress import Silent
from discovery.problems import InputError
from discovery.study import read_study

NUMBERS = [FrozenTerm(name=name, covariate=name) for name in ("a", "b", "c")]
SPREAD = np.array([[1.0, 0.6, -0.3], [0.6, 2.0, 0.2], [-0.3, 0.2, 0.5]])
MEAN = np.array([0.5, -1.0, 2.0])
EFFECT = {"age": 0.6, "sex": 0.5, "x": 0.7}  # log odds ratios, age and x per unit
N = 2500
DIED = '[[outcomes]]\nname = "died"\nkind = "binary"\ncolumn = "died"\n'
SETTINGS = {"replicates": 20, "permutations": 0, "phenotypes": False, "workers": 1, "freeze": ["x", "noise"]}


def test_a_gap_is_filled_as_by_the_iterative_imputer_of_scikit_learn():
    """With one gap a patient its chained regressions are one regression on everything known."""
    rng = np.random.default_rng(5)
    learned = rng.multivariate_normal(MEAN, SPREAD, 80)
    asked = rng.multivariate_normal(MEAN, SPREAD, 30)
    asked[np.arange(30), np.arange(30) % 3] = np.nan
    theirs = IterativeImputer(LinearRegression(), max_iter=1, tol=1e9).fit(learned).transform(asked)
    ours, completed = complete_base(learn_completion([learned]), NUMBERS, asked)
    np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-10)
    assert completed.all()


@pytest.mark.parametrize("gone", [[0], [1, 2], [0, 2], [0, 1, 2]])
def test_several_gaps_are_filled_by_the_regression_on_what_is_known(gone):
    rng = np.random.default_rng(6)
    learned, asked = rng.multivariate_normal(MEAN, SPREAD, (2, 80))
    known = np.setdiff1d(np.arange(3), gone)
    wanted = asked.copy()
    if known.size:
        fit = LinearRegression().fit(learned[:, known], learned[:, gone])
        wanted[:, gone] = fit.predict(asked[:, known]).reshape(80, len(gone))
    else:
        wanted[:] = learned.mean(axis=0)
    asked[:, gone] = np.nan
    filled, _ = complete_base(learn_completion([learned]), NUMBERS, asked)
    np.testing.assert_allclose(filled, wanted, rtol=0, atol=1e-10)


def test_the_conditional_normal_mean_of_known_parameters():
    """E[a | b, c] = mean + S_ab S_bb^-1 (x - mean), the textbook form."""
    frozen = FrozenCompletion(mean=tuple(MEAN), covariance=tuple(map(tuple, SPREAD)))
    filled, _ = complete_base(frozen, NUMBERS, np.array([[np.nan, 1.0, 2.5], [np.nan, np.nan, 2.5]]))
    both = 0.5 + np.array([0.6, -0.3]) @ np.linalg.solve(SPREAD[1:, 1:], [2.0, 0.5])
    assert filled[0, 0] == pytest.approx(both, abs=1e-12)
    np.testing.assert_allclose(filled[1, :2], MEAN[:2] + np.array([-0.3, 0.2]) / 0.5 * 0.5, atol=1e-12)


def test_a_missing_category_becomes_the_probability_of_each_level():
    """Where the covariates are categories alone the linear prediction is the share of the level, exactly."""
    rng = np.random.default_rng(7)
    ward = rng.choice(3, 6000)
    sex = (rng.random(6000) < np.array([0.2, 0.5, 0.9])[ward]).astype(float)
    learned = np.column_stack([ward == 1, ward == 2, sex]).astype(float)
    terms = [
        FrozenTerm(name="ward=b", covariate="ward", level="b", reference="a"),
        FrozenTerm(name="ward=c", covariate="ward", level="c", reference="a"),
        FrozenTerm(name="sex=f", covariate="sex", level="f", reference="m"),
    ]
    asked = np.array([[np.nan, np.nan, 1.0], [0.0, 1.0, np.nan], [np.nan, np.nan, np.nan]])
    filled, _ = complete_base(learn_completion([learned]), terms, asked)
    women = learned[sex == 1].mean(axis=0)
    np.testing.assert_allclose(filled[0, :2], women[:2], atol=1e-9)
    assert filled[1, 2] == pytest.approx(sex[ward == 2].mean(), abs=1e-9)
    np.testing.assert_allclose(filled[2], learned.mean(axis=0), atol=1e-9)
    steep = FrozenCompletion(
        mean=(0.5, 0.4, 0.0), covariance=((0.25, -0.2, 0.5), (-0.2, 0.24, -0.4), (0.5, -0.4, 1))
    )
    far, _ = complete_base(steep, terms[:2] + NUMBERS[:1], np.array([[np.nan, np.nan, 3.0]]))
    assert (far[0, :2] >= 0).all()
    assert far[0, :2].sum() <= 1


def write_cohort(study_text, folder, rng, gaps):
    """Age, sex and x go with death and with each other. `gaps`: where age and sex are missing, "first" by
    chance and "second" above all in the dead, as where the sickest arrive without records."""
    age = rng.normal(size=N)
    sex = np.where(rng.random(N) < 1 / (1 + np.exp(-0.8 * age)), "m", "f")
    ward = np.where(rng.random(N) < 0.3 + 0.3 * (sex == "m"), "upper", "lower")
    x = 0.5 * age + rng.normal(size=N)
    eta = -0.5 + EFFECT["age"] * age + EFFECT["sex"] * (sex == "m") + EFFECT["x"] * x
    died = (rng.random(N) < 1 / (1 + np.exp(-eta))).astype(int)
    patients = pd.DataFrame({"patient_id": [f"Q{k:04d}" for k in range(N)], "died": died})
    chance = {"first": 0.15, "second": 0.05 + 0.4 * died}[gaps]
    patients["age"] = np.where(rng.random(N) < chance, np.nan, age)
    patients["sex"] = pd.Series(sex).where(rng.random(N) >= chance)
    patients["ward"] = ward
    folder.mkdir(parents=True)
    patients.to_csv(folder / "patients.csv", index=False)
    features = pd.DataFrame({"patient_id": patients["patient_id"], "x": x, "noise": rng.normal(size=N)})
    features.to_csv(folder / "features.csv", index=False)
    text = study_text(DIED, name=folder.name, seed=4, adjust_for=["age", "sex", "ward"], **SETTINGS)
    (folder / "study.toml").write_text(text)
    return read_study(folder / "study.toml")


@pytest.fixture(scope="module")
def cohorts(tmp_path_factory, study_text):
    folder, rng = tmp_path_factory.mktemp("gaps"), np.random.default_rng(11)
    first = write_cohort(study_text, folder / "one", rng, "first")
    done = analyse(first, workers=1, progress=Silent())
    return first, done, write_cohort(study_text, folder / "two", rng, "second")


def incomplete(study):
    return int(study.covariates[["age", "sex"]].isna().any(axis=1).sum())


def test_the_rule_of_imputation_is_written_down_without_a_patient(cohorts, tmp_path):
    _, done, _ = cohorts
    path = write_frozen(done.frozen, tmp_path / "frozen.json")
    assert "Q00" not in path.read_text()
    rule = read_frozen(path).outcomes[0].imputation
    assert (rule.imputations, rule.outcome, rule.site) == (20, True, False)
    table = done.tables["imputation"].set_index("feature")
    found = {column.name: column for column in rule.columns}
    assert set(found) == {"age", "sex"}
    for name, column in found.items():
        row = table.loc[f"covariate {name}"]
        assert (column.role, column.method) == ("covariate", row["model"])
        assert len(column.predictors) + 1 == row["predictors"]  # and the outcome
    assert {"ward=upper", "sex", "x"} <= set(found["age"].predictors)


def test_the_frozen_base_model_is_the_pooled_one_of_the_tables(cohorts):
    _, done, _ = cohorts
    outcome = done.frozen.outcomes[0]
    rows = done.tables["associations"].query("model == 'base'").set_index("term")
    np.testing.assert_allclose(
        outcome.base.coefficients, [rows.loc[term.name, "estimate"] for term in outcome.terms], rtol=1e-9
    )
    truth = {"age": EFFECT["age"] + 0.5 * EFFECT["x"], "sex=m": EFFECT["sex"]}
    for term, coefficient in zip(outcome.terms, outcome.base.coefficients):
        if term.name in truth:  # without x, which goes with age
            assert coefficient / term.sd == pytest.approx(truth[term.name], abs=0.2)


def test_frozen_models_are_right_on_average_though_covariates_are_missing_in_the_dead(cohorts):
    """Both cohorts come from one truth, so that a frozen model expects the events that happen. Among complete
    cases it cannot: the dead are the ones left out."""
    _, done, second = cohorts
    models = replicate_findings(done.frozen, second).models
    row = models[(models["feature"] == "x") & (models["step"] == "as frozen")].iloc[0]
    assert (row["n"], row["n_imputed"], row["n_left_out"]) == (N, incomplete(second), 0)
    assert row["level"] == pytest.approx(1, abs=0.06)
    assert row["slope"] == pytest.approx(1, abs=0.12)
    old = done.frozen.model_copy(
        update={"outcomes": tuple(o.model_copy(update={"completion": None}) for o in done.frozen.outcomes)}
    )
    models = replicate_findings(old, second).models
    without = models[(models["feature"] == "x") & (models["step"] == "as frozen")].iloc[0]
    assert (without["n"], without["n_imputed"]) == (N - incomplete(second), 0)
    assert without["level"] < 0.8


def test_the_tests_are_of_all_patients_and_find_the_true_effect(cohorts):
    _, done, second = cohorts
    found = replicate_findings(done.frozen, second).findings.set_index("feature")
    assert (found["n"] == N).all()
    assert (found["n_left_out"] == 0).all()
    assert (found["n_imputed"] == incomplete(second)).all()
    assert found["method"].str.contains("20 imputations|imputations pooled").all()
    row, sd = found.loc["x"], done.frozen.feature("x").sd
    assert row["ci_low"] < EFFECT["x"] * sd < row["ci_high"]
    assert row["verdict"] == "replicated"
    assert found.loc["noise", "verdict"] != "replicated"
    assert np.isfinite(found["estimate_complete_cases"]).all()
    assert (found["se"] < 1.4 * found["se_first"]).all()


def test_the_signature_is_judged_in_all_patients(cohorts):
    first, done, second = cohorts
    table = judge_signatures(done.frozen, second).table
    assert (table["n"] == N).all()
    assert (table["n_imputed"] == incomplete(second)).all()
    assert (table["n_left_out"] == 0).all()
    own = done.tables["signature_performance"]
    assert list(own.columns[-2:]) == ["n_left_out", "note"]
    assert (own["n_left_out"] == incomplete(first)).all()
    assert (own["n"] + own["n_left_out"] == N).all()


@pytest.mark.parametrize("version", [2, 1])
def test_a_file_that_says_nothing_of_it_leaves_patients_out_and_counts_them(cohorts, tmp_path, version):
    _, done, second = cohorts
    content = json.loads(write_frozen(done.frozen, tmp_path / "now.json").read_text())
    content["schema_version"] = version
    for outcome in content["outcomes"]:
        for name in ("imputation", "completion", "landmark", *(["signature"] if version == 1 else [])):
            del outcome[name]
        for term in outcome["terms"] if version == 1 else ():
            del term["share"]
    path = tmp_path / "frozen.json"
    path.write_text(json.dumps(content))
    found = replicate_findings(read_frozen(path), second)
    assert (found.findings["n_left_out"] == incomplete(second)).all()
    assert (found.findings["n_imputed"] == 0).all()
    signatures = judge_signatures(read_frozen(path), second).table
    assert len(signatures) == (3 if version == 2 else 0)
    for table in (found.models, *([signatures] if version == 2 else [])):
        assert (table["n_left_out"] == incomplete(second)).all()
        assert (table["n"] + table["n_left_out"] == N).all()
    said = "; ".join(found.remarks)
    assert "older schema version" in said
    age = int(second.covariates["age"].isna().sum())
    assert f"covariate age is missing: {age} patients" in said


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (lambda c: c["mean"].pop(), "rows for 3 terms"),
        (lambda c: c["covariance"].pop(), "rows for 3 terms"),
        (lambda c: c["covariance"][0].__setitem__(1, 0.7), "not symmetric"),
        (lambda c: c["covariance"][0].__setitem__(0, -1.0), "negative eigenvalue"),
        (lambda c: c["mean"].__setitem__(0, 1e30), "above 100"),
        (lambda c: c.update(covariance=[[0.0] * 3] * 3), "a variance of 0"),
    ],
)
def test_what_is_wrong_with_edited_numbers_is_told(cohorts, tmp_path, edit, words):
    content = json.loads(write_frozen(cohorts[1].frozen, tmp_path / "now.json").read_text())
    edit(content["outcomes"][0]["completion"])
    path = tmp_path / "frozen.json"
    path.write_text(json.dumps(content))
    with pytest.raises(InputError, match=words):
        read_frozen(path)


def test_a_covariance_of_few_patients_one_far_out_is_one_that_is_read_back():
    """The outcome known in 15 of 2000 patients, one of them as far out as he can be: sqrt(2000) SDs."""
    base = np.r_[np.zeros(14), np.sqrt(2000)][:, None]
    learned = learn_completion([base])
    assert learned.covariance[0][0] > 100
    assert not_a_covariance(learned, 1) == ""


def problems_of(content, path):
    path.write_text(json.dumps(content))
    with pytest.raises(InputError) as caught:
        read_frozen(path)
    return {problem.column: (problem.found, problem.wanted) for problem in caught.value.problems}


def test_everything_wrong_with_an_edited_file_is_told_at_once_with_its_place(cohorts, tmp_path):
    path = write_frozen(cohorts[1].frozen, tmp_path / "frozen.json")
    content = json.loads(path.read_text())
    outcome = content["outcomes"][0]
    content["outcomes"].append(json.loads(json.dumps(outcome)) | {"name": "other", "kind": "mortal"})
    content["outcomes"][1]["candidates"][0]["n"] = "90"
    content["outcomes"][1]["imputation"]["columns"][0]["method"] = "magic"
    del content["outcomes"][1]["terms"][0]["covariate"]
    content |= {"seed": "7", "colour": "red"}
    content["features"][0]["mean"] = True
    outcome["completion"]["covariance"] = [[0] * 3] * 3
    outcome["imputation"]["columns"][0]["predictors"].append("age")
    feature = content["features"][0]["name"]
    candidate = outcome["candidates"][0]["feature"]
    term = content["outcomes"][1]["terms"][0]["name"]
    column = outcome["imputation"]["columns"][0]["name"]
    assert column == "age"
    found = problems_of(content, path)
    assert found.keys() == {
        "seed", "colour", f"features.{feature}.mean", "outcomes.other.kind",
        f"outcomes.other.candidates.{candidate}.n", f"outcomes.other.imputation.columns.{column}.method",
        f"outcomes.other.terms.{term}.covariate", "outcomes.died.completion",
        f"outcomes.died.imputation.columns.{column}.predictors",
    }  # fmt: skip
    assert found["seed"] == ('"7"', "a whole number is wanted")
    assert found[f"features.{feature}.mean"] == ("true", "a number is wanted")
    assert found["colour"] == ("", "a run writes no key of this name here")
    magic, methods = found[f"outcomes.other.imputation.columns.{column}.method"]
    assert magic == '"magic"'
    assert "'predictive mean matching', 'normal' or" in methods
    assert not any("Input should" in wanted or "Field" in wanted for _, wanted in found.values())


@pytest.mark.parametrize(
    ("edit", "place", "wanted"),
    [
        (lambda c: c.update(winsor=[0.9, 0.1]), "winsor", "a lower limit below"),
        (lambda c: c["features"][0].update(low=2.0, high=1.0), "features.x", "a lower limit below"),
        (
            lambda c: c["outcomes"][0]["terms"][1].update(reference=""),
            "outcomes.died.terms.",
            "a level and its",
        ),
        (
            lambda c: c["outcomes"][0]["base"].update(times=[1, 2], hazard=[0.2, 0.1]),
            ".base",
            "rising from 0",
        ),
        (lambda c: c["outcomes"][0]["base"].update(times=[1, 2], hazard=[-1, 0.1]), ".base", "rising from 0"),
    ],
)
def test_numbers_that_contradict_each_other_are_told(cohorts, tmp_path, edit, place, wanted):
    path = write_frozen(cohorts[1].frozen, tmp_path / "frozen.json")
    content = json.loads(path.read_text())
    edit(content)
    [(found, (_, words))] = problems_of(content, path).items()
    assert place in found
    assert wanted in words


def edited(content, part: str):
    """The outcome, or its first candidate, signature, imputation or feature, to be edited."""
    outcome = content["outcomes"][0]
    parts = {"outcome": outcome, "candidate": outcome["candidates"][0], "feature": content["features"][0]}
    return parts[part] if part in parts else outcome[part]


@pytest.mark.parametrize(
    ("part", "edit", "wanted"),
    [
        ("candidate", {"estimate": 0.0}, "an effect other than 0 is wanted"),
        ("candidate", {"estimate": -1e30}, "effects per SD, 100 at most, are wanted"),
        ("candidate", {"shrunk_estimate": 101.0}, "effects per SD, 100 at most, are wanted"),
        ("candidate", {"shrunk_estimate": None, "shrunk_sd": 0.1}, "its SD are wanted, or neither"),
        ("candidate", {"shrunk_estimate": 0.1, "shrunk_sd": None}, "its SD are wanted, or neither"),
        ("candidate", {"shrunk_sd": -1.0}, "a number of 0 or more is wanted"),
        ("candidate", {"se": 1e30}, "a number of 100 or less is wanted"),
        ("candidate", {"se": 0.0}, "a number of 1e-100 or more is wanted"),
        ("candidate", {"tau": 1e30}, "a number of 100 or less is wanted"),
        ("candidate", {"tau": -0.1}, "a number of 0 or more is wanted"),
        ("candidate", {"gain": 1e30}, "a number of 1 or less is wanted"),
        ("candidate", {"n": 0}, "a number above 0 is wanted"),
        ("candidate", {"n": 10**9}, f"at most n_patients, {N}, is wanted"),
        ("candidate", {"events": 10**6}, "as many events as patients"),
        ("feature", {"n": 0}, "a number above 0 is wanted"),
        ("feature", {"n": 10**9}, f"at most n_patients, {N}, is wanted"),
        ("feature", {"sd": 0.0}, "a number of 1e-100 or more is wanted"),
        ("feature", {"sd": 1e30}, "between the limits is wanted"),
        ("feature", {"mean": 1e30}, "a mean between the limits"),
        ("outcome", {"horizon": -1.0}, "a number of 1e-100 or more is wanted"),
        ("outcome", {"sd": 0.0}, "a number of 1e-100 or more is wanted"),
        ("signature", {"value": 0.1}, "a value inside its interval"),
        ("signature", {"gain_high": -0.5}, "a gain inside its interval"),
        ("signature", {"value": -0.1, "value_low": -0.2}, "a number from 0 to 1 is wanted for AUC"),
        ("signature", {"gain": 1.5, "gain_high": 2.0}, "a number from -1 to 1 is wanted for AUC"),
        ("signature", {"value": 1.5, "value_high": 2.0}, "a number of 1 or less is wanted"),
        ("signature", {"value_high": 1e30}, "a number of 100 or less is wanted"),
        ("signature", {"measure": "C"}, "the gain_measure of the outcome, AUC, is wanted"),
        ("imputation", {"imputations": 0}, "no imputed column is wanted where nothing is imputed"),
        ("imputation", {"method": "hot deck"}, "'chained equations' is wanted"),
    ],
)
def test_numbers_that_no_run_writes_are_told(cohorts, tmp_path, part, edit, wanted):
    path = write_frozen(cohorts[1].frozen, tmp_path / "frozen.json")
    content = json.loads(path.read_text())
    edited(content, part).update(edit)
    [(found, (_, words))] = problems_of(content, path).items()
    assert found.split(".")[-1] in {*edit, "value", "gain", "columns", "x"}
    assert wanted in words


def test_an_imputed_covariate_that_no_term_is_of_is_told(cohorts, tmp_path):
    path = write_frozen(cohorts[1].frozen, tmp_path / "frozen.json")
    content = json.loads(path.read_text())
    edited(content, "imputation")["columns"][0]["name"] = "agee"
    assert problems_of(content, path) == {
        "outcomes.died.imputation.columns.agee.name": (
            "agee", "a covariate of the terms is wanted; did you mean 'age'?",
        )
    }  # fmt: skip


def test_a_part_with_a_fault_does_not_hide_contradictions_of_the_others(cohorts, tmp_path):
    path = write_frozen(cohorts[1].frozen, tmp_path / "frozen.json")
    content = json.loads(path.read_text())
    outcome = content["outcomes"][0]
    outcome["label"], outcome["terms"][0]["sd"] = 7, 0
    outcome["candidates"][0] |= {"estimate": 0.0, "n": "many", "se": -1.0, "tau": 1e30}
    outcome["candidates"][1]["events"] = 10**6
    outcome["signature"]["value"] = 0.0
    outcome["imputation"]["columns"][0]["predictors"].append("age")
    outcome["base"]["intercept"] = None
    content["features"][1]["mean"] = 1e30
    assert len(problems_of(content, path)) == 11


@pytest.mark.parametrize(
    ("version", "keys"),
    [
        (3, {"landmark"}),
        (2, {"landmark", "imputation", "completion"}),
        (1, {"landmark", "imputation", "completion", "signature", "share"}),
    ],
)
def test_keys_that_the_version_of_a_file_did_not_have_are_told(cohorts, tmp_path, version, keys):
    path = write_frozen(cohorts[1].frozen, tmp_path / "frozen.json")
    found = problems_of(json.loads(path.read_text()) | {"schema_version": version}, path)
    assert {place.split(".")[-1] for place in found} == keys
    assert found["outcomes.died.landmark"][1] == (
        f"schema version {version} has no such key, which came with version 4"
    )


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('{"schema": "frozen findings",\n x}', "row 2: found 'x}'; .*this is not JSON"),
        ('{"schema": "frozen findings", "schema_version": true}', "found 'true'; schema version 4 or older"),
        ('{"schema": "frozen findings", "schema_version": 3, "seed": 1, "seed": 2}', "'seed'; each key once"),
        ('{"schema": "frozen findings", "schema_version": 3, "seed": 1}', "'outcomes'; this key is needed"),
    ],
)
def test_a_file_that_is_cut_or_mended_by_hand_is_told_in_our_words(tmp_path, text, words):
    (tmp_path / "frozen.json").write_text(text)
    with pytest.raises(InputError, match=words):
        read_frozen(tmp_path / "frozen.json")


def test_what_predicted_missing_values_and_is_not_here_is_remarked(cohorts, tmp_path):
    path = write_frozen(cohorts[1].frozen, tmp_path / "frozen.json")
    content = json.loads(path.read_text())
    content["outcomes"][0]["imputation"]["columns"][0]["predictors"].append("rv_elsewhere")
    path.write_text(json.dumps(content))
    said = "; ".join(replicate_findings(read_frozen(path), cohorts[2]).remarks)
    assert "missing values were imputed from rv_elsewhere too, which are no features here" in said


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (
            lambda c: c["features"][0].update(mean=1e99, low=None, high=None),
            "features.csv, column 'x'.*mean 1e.99",
        ),
        (
            lambda c: c["outcomes"][0]["terms"][0].update(sd=1e-99),
            "patients.csv, row .*, column 'age'.*SD 1e-99",
        ),
    ],
)
def test_numbers_of_another_scale_altogether_are_refused(cohorts, tmp_path, edit, words):
    path = write_frozen(cohorts[1].frozen, tmp_path / "frozen.json")
    content = json.loads(path.read_text())
    assert content["outcomes"][0]["terms"][0]["name"] == "age"
    edit(content)
    path.write_text(json.dumps(content))
    with pytest.raises(InputError, match=words):
        replicate_findings(read_frozen(path), cohorts[2])


def test_where_small_counts_are_masked_no_covariance_is_written(cohorts):
    masked = masked_frozen(cohorts[1].frozen, 5, cohorts[0].features)
    assert masked.outcomes[0].completion is None
    assert masked.outcomes[0].imputation == cohorts[1].frozen.outcomes[0].imputation


def test_one_new_patient_is_completed_from_the_file_alone_as_among_many(cohorts, tmp_path):
    _, done, second = cohorts
    outcome = read_frozen(write_frozen(done.frozen, tmp_path / "frozen.json")).outcomes[0]
    coded = outcome.coding().apply(second.covariates)
    many, lacked = complete_base(outcome.completion, outcome.terms, coded)
    assert lacked.sum() == incomplete(second)
    for place in np.flatnonzero(lacked)[:5]:
        alone = outcome.coding().apply(second.covariates.iloc[[place]])
        one, _ = complete_base(outcome.completion, outcome.terms, alone)
        np.testing.assert_allclose(one[0], many[place], rtol=1e-12)
