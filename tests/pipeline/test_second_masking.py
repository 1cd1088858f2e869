"""A second cohort that asks for it tells no small count: neither in tables nor in words."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import discovery
from discovery.pipeline.second_masking import masked_replication
from discovery.study import read_study

LIMIT, FEW = 5, 3
FAILED = '[[outcomes]]\nname = "failed"\nkind = "binary"\ncolumn = "failed"\n'
SETTINGS = {"replicates": 0, "permutations": 0, "phenotypes": False, "imputations": 0, "freeze": ["a", "b"]}


def write_cohort(study_text, folder, n, seed, limit, rare):
    rng = np.random.default_rng(seed)
    x = pd.DataFrame(rng.normal(size=(n, 2)), columns=["a", "b"])
    failed = (rng.random(n) < 1 / (1 + np.exp(-x["a"]))).astype(int)
    ward = np.where(np.arange(n) < rare, "upper", rng.choice(["left", "right"], n))
    x.loc[x.index[-FEW:], "b"] = np.nan
    if rare == FEW:
        x["a"] = x["a"].clip(-1, 1)
        x.loc[x.index[:FEW], "a"] = 50.0  # beyond the limits of the first cohort
    ids = [f"p{k:03d}" for k in range(n)]
    folder.mkdir(parents=True)
    pd.DataFrame({"patient_id": ids, "ward": ward, "failed": failed}).to_csv(
        folder / "patients.csv", index=False
    )
    x.assign(patient_id=ids).to_csv(folder / "features.csv", index=False)
    text = study_text(FAILED, name=folder.name, seed=4, adjust_for=["ward"], **SETTINGS, suppress_below=limit)
    (folder / "study.toml").write_text(text)
    return folder / "study.toml"


@pytest.fixture(scope="module")
def frozen(tmp_path_factory, study_text):
    folder = tmp_path_factory.mktemp("masked")
    discovery.run(write_cohort(study_text, folder / "first", 150, 1, 0, rare=50), out=folder / "out")
    return folder / "out" / "frozen.json"


@pytest.mark.parametrize("limit", [0, LIMIT])
def test_small_counts_of_the_second_cohort(frozen, study_text, tmp_path, limit):
    study = write_cohort(study_text, tmp_path / "second", 90, 2, limit, rare=FEW)
    result = discovery.replicate(frozen, study, out=tmp_path / "out")
    shift = pd.read_csv(tmp_path / "out" / "shift.csv").set_index("name")
    findings = pd.read_csv(tmp_path / "out" / "replication.csv").set_index("feature")
    page = (tmp_path / "out" / "index.html").read_text()
    plain = not limit
    assert ("ward=upper" in shift.index) == plain
    assert ("ward=upper: 3% here" in page) == plain
    assert np.isfinite(shift.loc["b", ["n", "missing_share"]].to_numpy(float)).all() == plain
    assert np.isfinite(shift.loc["a", "outside_share"]) == plain
    assert np.isfinite(findings.loc["b", "n"]) == plain
    assert shift.loc["a", "n"] == findings.loc["a", "n"] == 90
    assert np.isfinite(findings["estimate"]).all()
    assert ("ward=right" in shift.index) != ("ward=left" in shift.index)
    assert len(result.tables["shift"]) == len(shift)
    exact = shift.loc["b", ["mean_second", "sd_second", "smd", "sd_ratio"]].to_numpy(float)
    assert np.allclose(exact, np.round(exact, 3), atol=1e-12) == (not plain)
    text = re.sub(r"<style>.*?</style>|<svg.*?</svg>", "", page, flags=re.S)
    assert bool(re.search(rf"<td>(?:{FEW}|{90 - FEW})</td>", text)) == plain
    models = pd.read_csv(tmp_path / "out" / "model_performance.csv")
    areas = models.loc[models["measure"] == "AUC", ["value", "value_low", "value_high", "gain"]].to_numpy(
        float
    )
    assert np.allclose(areas, np.round(areas, 2), atol=1e-12) == (not plain)  # else of how many pairs it is


def test_a_test_by_t_does_not_tell_how_many_it_is_of(study_text, tmp_path):
    """Estimate, interval and p in full go with one number of degrees of freedom only."""
    rng = np.random.default_rng(8)
    ids = [f"p{k:02d}" for k in range(80)]
    a = rng.normal(size=80)
    walk = pd.Series(300 + 20 * a + rng.normal(0, 30, 80))
    walk[[2, 9, 40]] = np.nan
    pd.DataFrame({"patient_id": ids, "walk": walk}).to_csv(tmp_path / "patients.csv", index=False)
    pd.DataFrame({"patient_id": ids, "a": a, "b": rng.normal(size=80)}).to_csv(
        tmp_path / "features.csv", index=False
    )
    outcome = '[[outcomes]]\nname = "walk"\nkind = "continuous"\ncolumn = "walk"\n'
    study = tmp_path / "study.toml"
    found = {}
    for limit in (0, LIMIT):
        study.write_text(
            study_text(outcome, name="second", seed=4, adjust_for=[], **SETTINGS, suppress_below=limit)
        )
        if not limit:
            discovery.run(study, out=tmp_path / "first")
        discovery.replicate(tmp_path / "first" / "frozen.json", study, out=tmp_path / str(limit))
        found[limit] = pd.read_csv(tmp_path / str(limit) / "replication.csv").set_index("feature").loc["a"]
    shown = found[LIMIT]
    assert np.isnan(shown["n"])
    for column in ("estimate", "ci_low", "ci_high"):
        assert shown[column] == round(shown[column], 2)
        assert shown[column] == pytest.approx(found[0][column], abs=0.0051)
    assert found[0]["p_one_sided"] <= shown["p_one_sided"] <= 1.1 * found[0]["p_one_sided"]
    assert shown["p_one_sided"] == float(f"{shown['p_one_sided']:.1e}")


def test_the_words_of_groups_tell_no_small_number(frozen):
    from discovery.pipeline.second_masking import masked_replication
    from discovery.study import read_study

    study = read_study(frozen.parents[1] / "first" / "study.toml")
    analysis = study.settings.analysis.model_copy(update={"suppress_below": LIMIT})
    settings = study.settings.model_copy(update={"analysis": analysis})
    study = replace(study, settings=settings)
    empty = pd.DataFrame()
    names = ("replication", "model_performance", "signature_performance", "shift", "axis_replication")
    groups = pd.DataFrame({"phenotype": ["P1", "P2"], "n": [147, FEW], "share": [0.98, 0.02]})
    tables = dict.fromkeys(names, empty) | {"phenotype_replication": groups}
    found = masked_replication(tables, study)["phenotype_replication"]
    assert found[["n", "share"]].isna().all().all()


@pytest.mark.parametrize(("imputed", "shown"), [(FEW, False), (LIMIT, True), (0, True)])
def test_how_many_were_imputed_is_a_count_like_any_other(study_text, tmp_path, imputed, shown):
    study = read_study(write_cohort(study_text, tmp_path / "second", 90, 2, LIMIT, rare=FEW))
    row = {"outcome": "failed", "n": 90, "events": 40, "n_imputed": imputed, "n_left_out": 0, "note": ""}
    empty = pd.DataFrame()
    tables = {
        "replication": pd.DataFrame([row]), "model_performance": pd.DataFrame([row]), "shift": empty,
        "signature_performance": empty, "phenotype_replication": empty, "axis_replication": empty,
    }  # fmt: skip
    masked = masked_replication(tables, study)
    for name in ("replication", "model_performance"):
        assert masked[name]["n_imputed"].notna().all() == shown


@pytest.mark.parametrize("without_ward", [0, 2])
def test_few_without_a_covariate_do_not_follow_from_how_many_are_left_out(study_text, tmp_path, without_ward):
    """Where 13 lack the feature, as the table of shifts says, 15 left out tell the two without a ward."""
    file = write_cohort(study_text, tmp_path / "second", 90, 2, LIMIT, rare=50)
    patients, features = (pd.read_csv(file.parent / f"{name}.csv") for name in ("patients", "features"))
    patients.loc[patients.index[:without_ward], "ward"] = np.nan
    features.loc[features.index[-13:], "b"] = np.nan
    patients.to_csv(file.parent / "patients.csv", index=False)
    features.to_csv(file.parent / "features.csv", index=False)
    left_out = 13 + without_ward
    row = {"outcome": "failed", "feature": "b", "n": 90 - left_out, "events": 40, "n_left_out": left_out}
    empty = pd.DataFrame()
    names = (
        "model_performance",
        "signature_performance",
        "shift",
        "phenotype_replication",
        "axis_replication",
    )
    tables = dict.fromkeys(names, empty) | {"replication": pd.DataFrame([row | {"note": ""}])}
    found = masked_replication(tables, read_study(file))["replication"]
    assert found[["n", "events", "n_left_out"]].isna().all(axis=None) == bool(without_ward)
