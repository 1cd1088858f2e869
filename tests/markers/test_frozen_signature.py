"""The signature and the shares of categories frozen in one open cohort and judged in another."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

import discovery
from discovery.markers.frozen_file import read_frozen, write_frozen
from discovery.problems import InputError


@pytest.fixture
def rotterdam(two_cohorts):
    return two_cohorts[0]


@pytest.fixture
def gbsg(two_cohorts):
    return two_cohorts[1]


def test_the_frozen_signature_is_judged_as_lifelines_judges_its_score(rotterdam, gbsg, root):
    from lifelines import CoxPHFitter
    from lifelines.utils import concordance_index

    frozen = read_frozen(rotterdam / "first" / "frozen.json")
    outcome = frozen.outcomes[0]
    assert "nodes" in outcome.signature.markers
    patients = pd.read_csv(root / "cohorts" / "gbsg" / "patients.csv", index_col="patient_id")
    features = pd.read_csv(root / "cohorts" / "gbsg" / "features.csv", index_col="patient_id")
    columns = []
    for term in outcome.terms:
        values = patients[term.covariate]
        columns.append(
            (values.astype(int).astype(str) == term.level) if term.level else (values - term.mean) / term.sd
        )
    for name in outcome.signature.markers:
        scale = frozen.feature(name)
        columns.append((features[name].clip(scale.low, scale.high) - scale.mean) / scale.sd)
    score = np.column_stack(columns).astype(float) @ np.array(outcome.signature.model.coefficients)
    row = gbsg.tables["signature_performance"].set_index("step").loc["as frozen"]
    fit = CoxPHFitter().fit(
        patients[["time_days", "relapse_or_death"]].assign(score=score), "time_days", "relapse_or_death"
    )
    assert row["slope"] == pytest.approx(fit.params_["score"], abs=1e-5)
    c = concordance_index(patients["time_days"], -score, patients["relapse_or_death"])
    assert row["value"] == pytest.approx(c, abs=1e-9)
    hazard = np.interp(patients["time_days"], outcome.signature.model.times, outcome.signature.model.hazard)
    expected = (hazard * np.exp(score)).sum()
    assert row["level"] == pytest.approx(patients["relapse_or_death"].sum() / expected, rel=1e-9)
    assert row["verdict"] == "better than the base model"


def test_the_page_says_how_the_signature_did(rotterdam, gbsg):
    page = (rotterdam / "second" / "index.html").read_text()
    assert "Differentiation grade: its mean is 1.1 SD below that of the first cohort" in page
    assert "<td>–</td><td>C 0." in page  # observed over expected is 1 once the baseline is refitted
    assert "The signature of the first cohort here" in page
    assert "is better than the base model here, as frozen: C 0." in page
    assert (rotterdam / "second" / "signature_performance.csv").exists()


def test_shares_of_categories_are_compared(rotterdam, gbsg, root):
    shift = gbsg.tables["shift"].set_index("name").loc["postmenopausal=1"]
    shares = [
        pd.read_csv(root / "cohorts" / name / "patients.csv")["postmenopausal"].mean()
        for name in ("rotterdam", "gbsg")
    ]
    assert shift["role"] == "level"
    assert [shift["mean_first"], shift["mean_second"]] == pytest.approx(shares)
    sd = np.sqrt(shares[0] * (1 - shares[0]))
    assert shift["smd"] == pytest.approx((shares[1] - shares[0]) / sd)
    chemotherapy = gbsg.tables["shift"].set_index("name").loc["hormone_therapy=1"]
    said = f"hormone_therapy=1: {chemotherapy['mean_second']:.0%} here"
    assert (abs(chemotherapy["smd"]) >= 0.5) == any(said in remark for remark in gbsg.remarks)


def test_a_signature_whose_marker_is_not_measured_is_no_obstacle(rotterdam, root, tmp_path):
    frozen = read_frozen(rotterdam / "first" / "frozen.json")
    outcome = frozen.outcomes[0]
    kept = tuple(candidate for candidate in outcome.candidates if candidate.feature != "nodes")
    one = frozen.model_copy(update={"outcomes": (outcome.model_copy(update={"candidates": kept}),)})
    path = write_frozen(one, tmp_path / "frozen.json")
    features = pd.read_csv(root / "cohorts" / "gbsg" / "features.csv").drop(columns="nodes")
    features.to_csv(tmp_path / "features.csv", index=False)
    text = (root / "cohorts" / "gbsg" / "study.toml").read_text()
    for name in ("patients.csv", "labels.csv"):
        text = text.replace(f'"{name}"', f'"{root}/cohorts/gbsg/{name}"')
    (tmp_path / "study.toml").write_text(text)
    result = discovery.replicate(path, tmp_path / "study.toml", out=tmp_path / "out")
    assert len(result.tables["replication"]) == len(kept)
    assert result.tables["signature_performance"].empty
    assert "is not assessable: this cohort has no Positive" in (tmp_path / "out" / "index.html").read_text()


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (lambda s: s["model"]["coefficients"].pop(), "coefficients"),
        (lambda s: s["fill"].pop(), "fill gaps with"),
        (lambda s: s["markers"].__setitem__(0, "elsewhere"), "a feature with a scale"),
        (lambda s: s["markers"].__setitem__(0, s["markers"][1]), "each name once"),
        (lambda s: s["model"].update(times=[], hazard=[]), "cumulative hazard"),
        (lambda s: s.update(gain="0.1"), "signature.gain': found '\"0.1\"'; a number is wanted"),
        (lambda s: s.pop("verdict"), "signature.verdict'; this key is needed"),
        (lambda s: s["fill"][0].__setitem__(0, 1e30), "effects per SD"),
        (lambda s: s["model"]["coefficients"].__setitem__(0, -1e30), "effects per SD"),
    ],
)
def test_what_is_wrong_with_an_edited_signature_is_told(rotterdam, tmp_path, edit, words):
    content = json.loads((rotterdam / "first" / "frozen.json").read_text())
    edit(content["outcomes"][0]["signature"])
    path = tmp_path / "frozen.json"
    path.write_text(json.dumps(content))
    with pytest.raises(InputError, match=words):
        read_frozen(path)


@pytest.mark.parametrize(
    ("field", "words"), [("unit", "the unit of the first"), ("kind", "the kind of the first")]
)
def test_a_signature_without_findings_is_held_to_the_outcome_as_well(rotterdam, root, tmp_path, field, words):
    content = json.loads((rotterdam / "first" / "frozen.json").read_text())
    content["outcomes"][0].update({"candidates": [], "unit": "days"})
    study = root / "cohorts" / "gbsg" / "study.toml"
    path = tmp_path / "frozen.json"
    path.write_text(json.dumps(content))
    result = discovery.replicate(path, study, out=tmp_path / "out")
    assert result.headline == "No finding was frozen, so no single feature was there to replicate."
    assert len(result.tables["signature_performance"]) == 3
    content["outcomes"][0][field] = {"unit": "months", "kind": "recurrent"}[field]
    for each in ("base", "signature"):
        if field == "kind":  # a model of another kind has an intercept
            part = content["outcomes"][0][each]
            (part["model"] if each == "signature" else part)["intercept"] = 0.0
    path.write_text(json.dumps(content))
    with pytest.raises(InputError, match=words):
        discovery.replicate(path, study, out=tmp_path / "again")


def test_a_base_model_that_fails_here_does_not_make_the_signature_look_good(rotterdam, root, tmp_path):
    """The signature without its markers' effects ranks at random; the frozen base model ranks backwards."""
    content = json.loads((rotterdam / "first" / "frozen.json").read_text())
    outcome = content["outcomes"][0]
    outcome["base"]["coefficients"] = [0.0, 0.0, 5.0, 0.0]  # hormone therapy as if it killed
    outcome["signature"]["model"]["coefficients"][:4] = [0.0, 0.0, -1.0, 0.0]
    outcome["signature"]["model"]["coefficients"][4:] = [1e-9] * len(outcome["signature"]["markers"])
    path = tmp_path / "frozen.json"
    path.write_text(json.dumps(content))
    features = pd.read_csv(root / "cohorts" / "gbsg" / "features.csv")
    rng = np.random.default_rng(4)
    shuffled = features.assign(**{n: rng.permutation(features[n]) for n in features.columns[1:]})
    shuffled.to_csv(tmp_path / "features.csv", index=False)
    text = (root / "cohorts" / "gbsg" / "study.toml").read_text()
    for name in ("patients.csv", "labels.csv"):
        text = text.replace(f'"{name}"', f'"{root}/cohorts/gbsg/{name}"')
    (tmp_path / "study.toml").write_text(text)
    rows = discovery.replicate(path, tmp_path / "study.toml", out=tmp_path / "out")
    table = rows.tables["signature_performance"].set_index("step")
    assert table.loc["as frozen", "gain_low"] > 0
    assert table.loc["as frozen", "verdict"] == "no better than the base model"


def test_a_file_of_the_first_schema_version_is_still_read(rotterdam, root, tmp_path):
    content = json.loads((rotterdam / "first" / "frozen.json").read_text())
    content["schema_version"] = 1
    for outcome in content["outcomes"]:
        for name in ("signature", "imputation", "completion", "landmark"):
            del outcome[name]
        for term in outcome["terms"]:
            del term["share"]
    path = tmp_path / "frozen.json"
    path.write_text(json.dumps(content))
    result = discovery.replicate(path, root / "cohorts" / "gbsg" / "study.toml", out=tmp_path / "out")
    assert "older schema version" in result.remarks[0]
    assert (result.tables["shift"]["role"] != "level").all()
    assert result.tables["signature_performance"].empty
    assert len(result.tables["replication"]) > 0
