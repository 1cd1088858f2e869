"""Verdicts of a replication, and the numbers behind them, against closed forms and lifelines."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from discovery.association.design import design_of
from discovery.association.screen import screen
from discovery.markers.freeze import freeze
from discovery.markers.frozen_file import read_frozen, write_frozen
from discovery.markers.outcome_rows import CONTRACT, EXTRA
from discovery.markers.replication import (
    CONSISTENT,
    CONTRADICTED,
    NOT_ASSESSABLE,
    NOT_REPLICATED,
    REPLICATED,
    SMALLER,
    one_sided_p,
    power_for,
    prediction_interval,
    replication_verdict,
    sceptical_p,
)
from discovery.problems import InputError
from discovery.study import read_study


def test_sceptical_p_solves_its_defining_equation():
    """Held 2020: (z1^2 / zS^2 - 1)(z2^2 / zS^2 - 1) = c, and zS^2 = harmonic mean / 2 at c = 1."""
    rng = np.random.default_rng(3)
    first, second, ratio = rng.uniform(1, 6, 50), rng.uniform(0.5, 6, 50), rng.uniform(0.1, 8, 50)
    square = norm.isf(sceptical_p(first, second, ratio)) ** 2
    np.testing.assert_allclose((first**2 / square - 1) * (second**2 / square - 1), ratio, rtol=1e-8)
    equal = norm.isf(sceptical_p(2.0, 3.0, 1.0)) ** 2
    assert equal == pytest.approx(1 / (1 / 4 + 1 / 9))
    assert sceptical_p(3.0, -2.0, 1.5) > 0.5


def test_one_sided_p_and_power_are_the_normal_ones():
    assert one_sided_p(2.0, 1) == pytest.approx(norm.sf(2.0))
    assert one_sided_p(2.0, -1) == pytest.approx(norm.cdf(2.0))
    assert power_for(0.5, 0.2, 0.025) == pytest.approx(norm.sf(norm.isf(0.025) - 2.5))


def test_prediction_interval_holds_the_second_estimate_as_often_as_it_says():
    rng = np.random.default_rng(8)
    tau, se_first, se_second = 0.1, 0.12, 0.15
    common = rng.normal(0, 1, 20_000)
    first = common + rng.normal(0, tau, common.size) + rng.normal(0, se_first, common.size)
    second = common + rng.normal(0, tau, common.size) + rng.normal(0, se_second, common.size)
    low, high = prediction_interval(first, se_first, se_second, tau)
    assert np.mean((low <= second) & (second <= high)) == pytest.approx(0.95, abs=0.006)


@pytest.mark.parametrize(
    ("estimate", "p_holm", "p_other", "power", "word"),
    [
        (0.5, 0.01, 0.99, 0.9, REPLICATED),
        (0.15, 0.04, 0.96, 0.9, SMALLER),
        (0.3, 0.2, 0.8, 0.5, CONSISTENT),
        (0.3, 0.2, 0.8, 0.85, NOT_REPLICATED),
        (0.1, 0.3, 0.7, 0.5, NOT_REPLICATED),
        (-0.1, 0.8, 0.2, 0.5, NOT_REPLICATED),
        (-0.5, 0.999, 0.001, 0.5, CONTRADICTED),
        (np.nan, np.nan, np.nan, np.nan, NOT_ASSESSABLE),
    ],
)
@pytest.mark.parametrize("direction", [1, -1])
def test_words_follow_the_rules_in_both_directions(estimate, p_holm, p_other, power, word, direction):
    low, high = (0.2, 0.8) if direction > 0 else (-0.8, -0.2)
    found = replication_verdict(
        estimate=estimate * direction, direction=direction, p_holm=p_holm, p_other=p_other, power=power,
        low=low, high=high, alpha=0.05, least_power=0.8,
    )  # fmt: skip
    assert found[0] == word


def test_a_published_prognostic_factor_of_one_cohort_replicates_in_the_other(two_cohorts):
    """Positive nodes, tumour size and grade are the published predictors of both cohorts (Royston & Altman,
    BMC Med Res Methodol 2013;13:33 validate the Rotterdam model in the German trial)."""
    table = two_cohorts[1].tables["replication"].set_index("feature")
    assert table.loc["nodes", "verdict"] == REPLICATED
    assert (table.loc["nodes", "direction"], table.loc["pgr", "direction"]) == (1, -1)


def test_the_page_says_what_was_not_shrunk_and_what_the_gain_is_over(two_cohorts):
    folder, result = two_cohorts
    page = (folder / "second" / "index.html").read_text()
    assert "stand as estimated" in page
    assert "Above the base model: of the same step" in page
    assert "For a continuous outcome" not in page
    assert not any("no replication" in remark for remark in result.remarks)


def test_the_second_estimate_is_lifelines_own_on_the_frozen_scale(two_cohorts, root):
    from lifelines import CoxPHFitter

    folder, result = two_cohorts
    frozen = read_frozen(folder / "first" / "frozen.json")
    patients = pd.read_csv(root / "cohorts" / "gbsg" / "patients.csv", index_col="patient_id")
    features = pd.read_csv(root / "cohorts" / "gbsg" / "features.csv", index_col="patient_id")
    found = result.tables["replication"].set_index("feature")
    for feature in frozen.features:
        z = (features[feature.name].clip(feature.low, feature.high) - feature.mean) / feature.sd
        rows = patients[["age_years", "postmenopausal", "hormone_therapy", "time_days", "relapse_or_death"]]
        fit = CoxPHFitter().fit(rows.assign(z=z), "time_days", "relapse_or_death")
        assert found.loc[feature.name, "estimate"] == pytest.approx(fit.params_["z"], abs=2e-5)
        assert found.loc[feature.name, "se"] == pytest.approx(fit.standard_errors_["z"], abs=2e-5)
        less = CoxPHFitter().fit(rows, "time_days", "relapse_or_death")
        root_lr = np.sqrt(2 * (fit.log_likelihood_ - less.log_likelihood_)) * np.sign(fit.params_["z"])
        p = norm.sf(root_lr * found.loc[feature.name, "direction"])
        assert found.loc[feature.name, "p_one_sided"] == pytest.approx(p, rel=1e-3)


def test_the_frozen_model_is_judged_without_refitting(two_cohorts, root):
    """Slope: lifelines on the frozen score. Discrimination: its concordance index of the same score."""
    from lifelines import CoxPHFitter
    from lifelines.utils import concordance_index

    folder, result = two_cohorts
    frozen = read_frozen(folder / "first" / "frozen.json")
    outcome = frozen.outcomes[0]
    candidate = next(c for c in outcome.candidates if c.feature == "nodes")
    patients = pd.read_csv(root / "cohorts" / "gbsg" / "patients.csv", index_col="patient_id")
    features = pd.read_csv(root / "cohorts" / "gbsg" / "features.csv", index_col="patient_id")
    scale = frozen.feature("nodes")
    z = (features["nodes"].clip(scale.low, scale.high) - scale.mean) / scale.sd
    age = outcome.terms[0]
    columns = np.column_stack(
        [(patients["age_years"] - age.mean) / age.sd, patients["postmenopausal"], patients["hormone_therapy"],
         patients["chemotherapy"], z]
    )  # fmt: skip
    score = columns @ np.array(candidate.model.coefficients)
    models = result.tables["model_performance"]
    row = models[(models["feature"] == "nodes") & (models["step"] == "as frozen")].iloc[0]
    within = patients["time_days"] <= outcome.horizon
    assert within.all()
    fit = CoxPHFitter().fit(
        patients[["time_days", "relapse_or_death"]].assign(score=score), "time_days", "relapse_or_death"
    )
    assert row["slope"] == pytest.approx(fit.params_["score"], abs=1e-5)
    c = concordance_index(patients["time_days"], -score, patients["relapse_or_death"])
    assert row["value"] == pytest.approx(c, abs=1e-9)
    hazard = np.interp(patients["time_days"], candidate.model.times, candidate.model.hazard)
    expected = (hazard * np.exp(score)).sum()
    assert row["level"] == pytest.approx(patients["relapse_or_death"].sum() / expected, rel=1e-9)


def test_the_frozen_model_is_calibrated_where_it_was_made(two_cohorts, root):
    """In its own cohort a Cox model has slope 1, and as many events expected as observed."""
    import discovery

    folder, _ = two_cohorts
    itself = discovery.replicate(
        folder / "first" / "frozen.json", folder / "study.toml", out=folder / "itself"
    )
    assert "patients again are no replication" in itself.remarks[0]
    table = itself.tables["model_performance"]
    frozen = table[table["step"] == "as frozen"]
    np.testing.assert_allclose(frozen["slope"], 1, atol=1e-6)
    np.testing.assert_allclose(frozen["level"], 1, atol=0.01)  # the hazard is kept at 25 times


def test_reading_gives_back_what_was_written_to_the_byte(two_cohorts, tmp_path):
    folder, _ = two_cohorts
    again = write_frozen(read_frozen(folder / "first" / "frozen.json"), tmp_path / "again.json")
    assert again.read_bytes() == (folder / "first" / "frozen.json").read_bytes()


def test_no_patient_row_and_no_event_time_is_in_the_file(two_cohorts, root):
    text = (two_cohorts[0] / "first" / "frozen.json").read_text()
    assert "R0001" not in text
    times = json.loads(text)["outcomes"][0]["base"]["times"]
    assert len(times) == 25
    assert np.ptp(np.diff(times)) < 1e-6


def test_every_difference_is_refused_at_once_in_words(two_cohorts, tmp_path, root):
    import discovery

    folder, _ = two_cohorts
    patients = pd.read_csv(root / "cohorts" / "gbsg" / "patients.csv").drop(columns="hormone_therapy")
    features = pd.read_csv(root / "cohorts" / "gbsg" / "features.csv").rename(columns={"nodes": "node"})
    patients.to_csv(tmp_path / "patients.csv", index=False)
    features.to_csv(tmp_path / "features.csv", index=False)
    (tmp_path / "labels.csv").write_text("feature,label,unit\npgr,Progesterone receptor,nmol/L\n")
    text = (root / "cohorts" / "gbsg" / "study.toml").read_text()
    text = text.replace('"hormone_therapy", ', "").replace('unit = "days"', 'unit = "months"')
    (tmp_path / "study.toml").write_text(text)
    with pytest.raises(InputError) as caught:
        discovery.replicate(folder / "first" / "frozen.json", tmp_path / "study.toml", out=tmp_path / "out")
    said = "\n".join(problem.sentence() for problem in caught.value.problems)
    for word in ("'nodes'", "did you mean 'node'", "nmol/L", "hormone_therapy", "months"):
        assert word in said
    files = {problem.file for problem in caught.value.problems}
    assert files <= {"features.csv", "patients.csv", "study.toml"}
    assert not (tmp_path / "out").exists()


def second_study(root, folder, *edits):
    """The second cohort in `folder`, its study file edited."""
    for name in ("patients.csv", "features.csv", "labels.csv", "study.toml"):
        (folder / name).write_bytes((root / "cohorts" / "gbsg" / name).read_bytes())
    text = (folder / "study.toml").read_text()
    for old, new in edits:
        assert old in text
        text = text.replace(old, new)
    (folder / "study.toml").write_text(text)
    return folder / "study.toml"


def told(frozen, study, out):
    import discovery

    with pytest.raises(InputError) as caught:
        discovery.replicate(frozen, study, out=out)
    assert not out.exists()
    return {(problem.column, problem.found): problem.wanted for problem in caught.value.problems}


def test_faults_of_the_study_and_what_contradicts_the_frozen_findings_are_told_together(
    two_cohorts, root, tmp_path
):
    gone = ('"hormone_therapy", ', ""), ('"age_years", ', "")
    study = second_study(root, tmp_path, *gone, ('unit = "days"', 'unit = "months"'))
    study.write_text(study.read_text() + '[analysis]\nfreeze = ["grad"]\n')
    features = (
        pd.read_csv(tmp_path / "features.csv").rename(columns={"nodes": "node"}).astype({"pgr": object})
    )
    features.loc[4, "pgr"] = "many"
    features.to_csv(tmp_path / "features.csv", index=False)
    found = told(two_cohorts[0] / "first" / "frozen.json", study, tmp_path / "out")
    assert found.keys() == {
        ("pgr", "many"), ("analysis.freeze[1]", "grad"), ("relapse_or_death", "months"),
        ("hormone_therapy", ""), ("age_years", ""), ("nodes", "no such feature"),
    }  # fmt: skip
    for key, wanted in found.items():
        assert "wanted" in wanted, key


def test_a_landmark_is_kept_in_the_second_cohort_and_another_is_refused(two_cohorts, root, tmp_path):
    """The outcome frozen from its landmark is tested from there, with the patients still at risk."""
    import discovery

    content = json.loads((two_cohorts[0] / "first" / "frozen.json").read_text())
    content["outcomes"][0]["landmark"] = 300
    frozen = tmp_path / "frozen.json"
    frozen.write_text(json.dumps(content))
    study = second_study(root, tmp_path)
    assert told(frozen, study, tmp_path / "out") == {
        ("relapse_or_death", "no landmark"): "the clock of the first cohort, landmark 300, is wanted"
    }
    event = "event = 1\n"
    later = second_study(root, tmp_path, (event, f"{event}landmark = 300\n"))
    with pytest.raises(
        InputError, match="'landmark 300'; the clock of the first cohort, no landmark, is wanted"
    ):
        discovery.replicate(two_cohorts[0] / "first" / "frozen.json", later, out=tmp_path / "out")
    found = discovery.replicate(frozen, later, out=tmp_path / "out").tables["replication"]
    patients = pd.read_csv(tmp_path / "patients.csv")
    assert set(found["n"]) == {int((patients["time_days"] > 300).sum())}
    assert (found["n"] < two_cohorts[1].tables["replication"]["n"].min()).all()


def test_what_follows_from_a_fault_of_the_study_is_not_told_as_a_contradiction(two_cohorts, root, tmp_path):
    frozen = two_cohorts[0] / "first" / "frozen.json"
    text = (root / "cohorts" / "gbsg" / "study.toml").read_text()
    name = re.search(r'name = "(relapse\w*)"', text)[0]
    outcome = second_study(root, tmp_path, ('time = "time_days"', 'time = "time_day"'))
    assert [column for column, _ in told(frozen, outcome, tmp_path / "out")] == ["time_day"]
    kind = second_study(
        root, tmp_path, (name, f"{name}\nlabel = 7"), ('kind = "survival"', 'kind = "survive"')
    )
    assert {column for column, _ in told(frozen, kind, tmp_path / "out")} <= {
        "outcomes[1].kind", "outcomes[1].label",
    }  # fmt: skip
    covariate = second_study(root, tmp_path, ('"hormone_therapy"', '"hormone_therapies"'))
    found = told(frozen, covariate, tmp_path / "out")
    assert [column for column, _ in found] == ["hormone_therapies", "hormone_therapy"]
    table = second_study(root, tmp_path, ('file = "features.csv"', 'file = "feature.csv"'))
    assert {column for column, _ in told(frozen, table, tmp_path / "out")} == {None}


def test_covariates_coded_otherwise_are_told_with_the_first_row_of_the_second_file(
    two_cohorts, root, tmp_path
):
    import discovery

    for name in ("features.csv", "labels.csv"):
        (tmp_path / name).write_bytes((root / "cohorts" / "gbsg" / name).read_bytes())
    text = (root / "cohorts" / "gbsg" / "study.toml").read_text()
    categorical = '[patients]\ncategorical = ["age_years"]'
    (tmp_path / "study.toml").write_text(text.replace("[patients]", categorical))
    patients = pd.read_csv(root / "cohorts" / "gbsg" / "patients.csv")
    patients["age_years"] = np.resize(["old", "young"], len(patients))
    patients.loc[[7, 20], "hormone_therapy"] = 2
    patients.loc[9, "hormone_therapy"] = 3
    patients.to_csv(tmp_path / "patients.csv", index=False)
    with pytest.raises(InputError) as caught:
        discovery.replicate(two_cohorts[0] / "first" / "frozen.json", tmp_path, out=tmp_path / "out")
    said = [problem.sentence() for problem in caught.value.problems]
    known = "one of 0, 1 is wanted, as in the first cohort"
    therapy = "column 'hormone_therapy': found"
    assert sorted(said) == [
        f"patients.csv, row 11, {therapy} '3'; {known}",
        "patients.csv, row 3, column 'age_years': found 'young'; a number is wanted, as in the first cohort "
        f"({len(patients) // 2} patients have this value)",
        f"patients.csv, row 9, {therapy} '2'; {known} (2 patients have this value)",
    ]


def test_a_frozen_feature_that_does_not_vary_here_is_not_assessable_and_stops_nothing(
    two_cohorts, root, tmp_path
):
    import discovery

    for name in ("patients.csv", "features.csv", "labels.csv", "study.toml"):
        (tmp_path / name).write_bytes((root / "cohorts" / "gbsg" / name).read_bytes())
    features = pd.read_csv(tmp_path / "features.csv").assign(grade=2)
    features.to_csv(tmp_path / "features.csv", index=False)
    frozen = two_cohorts[0] / "first" / "frozen.json"
    result = discovery.replicate(frozen, tmp_path / "study.toml", out=tmp_path / "out")
    found = result.tables["replication"].set_index("feature")
    assert found.loc["grade", "verdict"] == NOT_ASSESSABLE
    assert "does not vary" in found.loc["grade", "note"]
    whole = two_cohorts[1].tables["replication"].set_index("feature")
    same = ["estimate", "p_one_sided", "verdict"]
    pd.testing.assert_frame_equal(found.drop("grade")[same], whole.drop("grade")[same])
    # it counts among the tests, as one that failed
    assert found.loc["nodes", "p_holm"] == pytest.approx(whole.loc["nodes", "p_holm"])
    assert len(result.tables["signature_performance"]) == 3


def test_measures_of_findings_and_of_phenotypes_are_refused_together(two_cohorts, root):
    from discovery.markers.second_differences import require_same

    frozen = read_frozen(two_cohorts[0] / "first" / "frozen.json")
    kept = {"units": {"er": "fmol/L", "pgr": "fmol/L"}, "definitions": {"nodes": "of the axilla"}}
    frozen = frozen.model_copy(update={"phenotypes": kept})
    study = read_study(root / "cohorts" / "gbsg" / "study.toml")
    here = replace(study, units={**study.units, "pgr": "nmol/L", "er": "nmol/L"})
    with pytest.raises(InputError) as caught:
        require_same(frozen, here, {"nodes": "of the neck"})
    found = [(problem.column, problem.found) for problem in caught.value.problems]
    assert sorted(found) == [("er", "nmol/L"), ("nodes", "of the neck"), ("pgr", "nmol/L")]


def test_the_study_in_the_place_of_the_frozen_findings_is_told(root):
    with pytest.raises(InputError, match="wanted first, then the study"):
        read_frozen(root / "cohorts" / "gbsg")


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "not JSON"),
        ("[1, 2]", "another kind"),
        ('{"schema": "frozen findings", "schema_version": 9}', "version"),
        ('{"schema": "frozen findings", "schema_version": 1, "seed": "x"}', "study"),
        ("\x00\xff", "not JSON"),
        ("[" * 100_000, "not JSON"),
    ],
)
def test_a_file_that_is_not_ours_is_refused_in_words(tmp_path, text, word):
    path = tmp_path / "frozen.json"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(InputError, match=word):
        read_frozen(path)


def test_a_model_with_a_coefficient_too_few_is_refused(two_cohorts, tmp_path):
    content = json.loads((two_cohorts[0] / "first" / "frozen.json").read_text())
    content["outcomes"][0]["candidates"][0]["model"]["coefficients"].pop()
    path = tmp_path / "frozen.json"
    path.write_text(json.dumps(content))
    with pytest.raises(InputError, match="coefficients"):
        read_frozen(path)


def test_the_horizon_that_a_study_states_is_the_frozen_one(root, tmp_path):
    text = (root / "cohorts" / "rotterdam" / "study.toml").read_text()
    for name in ("patients.csv", "features.csv", "labels.csv"):
        text = text.replace(f'"{name}"', f'"{root}/cohorts/rotterdam/{name}"')
    found = []
    kind = 'kind = "survival"\n'
    for line in ("", "horizon = 1826\n"):
        (tmp_path / "study.toml").write_text(text.replace(kind, kind + line))
        study = read_study(tmp_path / "study.toml")
        design = design_of(study, study.outcomes[0])
        nobody = pd.DataFrame(columns=[*CONTRACT, *EXTRA]).astype({"estimate": float, "se": float})
        screened = screen(design, permutations=0)
        found.append(freeze(study, [design], [screened], nobody, definitions={}, versions={}).outcomes[0])
    usual, stated = found
    assert stated.horizon == 1826
    assert usual.horizon == pytest.approx(np.quantile(design.time[design.event == 1], 0.9))
