"""A study with missing values and values beyond limits, from its files to the report."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from lifelines import KaplanMeierFitter

import discovery
from discovery.pipeline.analysis import analyse
from discovery.pipeline.progress import Silent
from discovery.report.format import number
from discovery.study import read_study

TOML = """
[study]
name = "gaps"

[patients]
file = "patients.csv"
id = "patient_id"
site = "site"
adjust_for = ["age"]

[features]
file = "features.csv"
beyond_limit = ["lactate"]

[[outcomes]]
name = "death"
kind = "survival"
time = "days"
status = "status"
event = 1

[analysis]
replicates = 20
permutations = 30
imputations = 20
phenotypes = false
"""
N = 160


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("gaps")
    rng = np.random.default_rng(8)
    age, x = rng.normal(60, 10, N), rng.normal(size=N)
    time = rng.exponential(size=N) * np.exp(-0.7 * x - 0.02 * (age - 60)) * 300
    patients = pd.DataFrame(
        {
            "patient_id": [f"P{i:03d}" for i in range(N)],
            "site": np.resize(["North", "South"], N),
            "age": age.round(1),
            "days": np.minimum(time, 700).round(2) + 0.01,
            "status": (time <= 700).astype(int),
        }
    )
    lactate = np.exp(0.5 * x + 0.5 * rng.normal(size=N)).round(2)
    features = pd.DataFrame(
        {
            "patient_id": patients["patient_id"],
            "marker": x.round(3),
            "helper": (x + 0.5 * rng.normal(size=N)).round(3),
            "lactate": np.where(lactate < 0.5, "<0.5", lactate.astype(str)),
            "seldom": rng.normal(size=N).round(3),
            "northern": rng.normal(size=N).round(3),
        }
    )
    features.loc[rng.random(N) < 0.2, "marker"] = np.nan
    features.loc[rng.random(N) < 0.6, "seldom"] = np.nan
    features.loc[(patients["site"] == "South") & (np.arange(N) < 40), "northern"] = np.nan
    patients.to_csv(folder / "patients.csv", index=False)
    features.to_csv(folder / "features.csv", index=False)
    (folder / "study.toml").write_text(TOML, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def result(folder):
    return discovery.run(folder, out=folder / "out", workers=2)


def test_the_tables_say_what_was_imputed(result):
    table = pd.read_csv(result.folder / "imputation.csv").set_index("feature")
    assert set(table.index) == {"marker", "lactate", "seldom", "northern"}
    beyond = table.loc["lactate", "n_beyond_limit"]
    assert beyond == table.loc["lactate", "n_imputed"] > 5
    assert table.loc["lactate", "model"] == "normal, truncated at limits"
    assert table.loc["seldom", "n_imputed"] == 0
    markers = result.tables["markers"].set_index("feature")
    assert markers.loc["marker", "n"] == N
    assert np.isnan(markers.loc["seldom", "rank"])
    assert markers.loc[["marker", "lactate"], "rank_low"].notna().all()
    associations = pd.read_csv(result.folder / "associations.csv")
    assert set(associations.loc[associations["model"] == "complete cases", "feature"]) == {
        "marker", "lactate", "northern",
    }  # fmt: skip
    assert (result.folder / "missing_patterns.csv").is_file()
    tipping = pd.read_csv(result.folder / "tipping_points.csv")
    assert "marker" in set(tipping["feature"])
    assert "lactate" not in set(tipping["feature"])  # known to lie beyond its limit: nothing is missing


def test_the_main_analysis_of_the_board_is_that_of_the_ranking(result):
    board = pd.read_csv(result.folder / "sensitivity.csv")
    markers = result.tables["markers"].set_index("feature")
    main = board[board["alternative"] == "main analysis"].set_index("feature")
    assert "marker" in main.index
    for name, row in main.iterrows():
        for column in ("estimate", "ci_low", "ci_high", "p_value", "n"):
            assert row[column] == pytest.approx(markers.loc[name, column], rel=1e-12)
    alone = board[board["alternative"] == "complete cases, nothing imputed"].set_index("feature")
    kept = marker_row(result.tables["associations"], "complete cases")
    assert alone.loc["marker", "n"] == kept["n"] < main.loc["marker", "n"]
    assert alone.loc["marker", "estimate"] == pytest.approx(kept["estimate"], rel=1e-9)
    methods = (result.folder / "methods.md").read_text(encoding="utf-8")
    assert "The main analysis that they are held against is that of the ranking" in " ".join(methods.split())


def test_report_methods_and_manifest_say_the_same(result):
    page = (result.folder / "index.html").read_text(encoding="utf-8")
    assert "Imputed values" in page
    methods = (result.folder / "methods.md").read_text(encoding="utf-8")
    m = int(result.tables["imputation"]["imputations"].max())
    assert f"({m} imputations)" in methods
    assert "Barnard" in methods
    manifest = json.loads((result.folder / "manifest.json").read_text(encoding="utf-8"))
    assert '"imputations": 20' in json.dumps(manifest)
    assert {"imputation.csv", "tipping_points.csv"} <= {name.split("/")[-1] for name in _files(manifest)}


def _files(manifest) -> set[str]:
    found: set[str] = set()
    for value in manifest.values():
        if isinstance(value, dict):
            found |= set(value) | _files(value)
    return found


def test_workers_change_nothing_and_zero_imputations_are_complete_cases(folder, result):
    study = read_study(folder)
    tables, settings, *_ = analyse(study, workers=1, progress=Silent())
    pd.testing.assert_frame_equal(tables["markers"], result.tables["markers"])
    assert settings.imputations == tables["imputation"]["imputations"].max()
    analysis = study.settings.analysis.model_copy(
        update={"imputations": 0, "replicates": 0, "permutations": 0}
    )
    off = replace(study, settings=study.settings.model_copy(update={"analysis": analysis}))
    tables, settings, *_ = analyse(off, workers=1, progress=Silent())
    assert settings.imputations == 0
    assert not len(tables["imputation"])
    alone = marker_row(tables["associations"], "adjusted")
    kept = marker_row(result.tables["associations"], "complete cases")
    assert alone["estimate"] == kept["estimate"]
    assert alone["n"] == kept["n"] < N


def marker_row(table: pd.DataFrame, model: str) -> pd.Series:
    [at] = table.index[(table["feature"] == "marker") & (table["model"] == model)]
    return table.loc[at]


@pytest.fixture(scope="module")
def without_ages(folder, tmp_path_factory):
    """The study with twelve ages missing, and the run of it: (table of patients, result)."""
    other = tmp_path_factory.mktemp("ages")
    patients = pd.read_csv(folder / "patients.csv")
    patients.loc[patients.index[5::13], "age"] = np.nan
    patients.to_csv(other / "patients.csv", index=False)
    pd.read_csv(folder / "features.csv", dtype=str).to_csv(other / "features.csv", index=False)
    quick = TOML.replace("replicates = 20", "replicates = 0").replace("imputations = 20", "imputations = 2")
    (other / "study.toml").write_text(quick, encoding="utf-8")
    return patients, discovery.run(other, out=other / "out", workers=1)


def test_follow_up_is_one_number_of_everybody_analysed(without_ages):
    patients, result = without_ages
    row = pd.read_csv(result.folder / "follow_up.csv").iloc[0]
    assert (row["n"], row["n_left_out"], row["n_event"]) == (N, 0, patients["status"].sum())
    reverse = KaplanMeierFitter().fit(patients["days"], 1 - patients["status"]).median_survival_time_
    assert row["median_follow_up"] == pytest.approx(reverse)
    assert f"median follow-up {reverse:.4g} " in (result.folder / "methods.md").read_text(encoding="utf-8")
    page = (result.folder / "index.html").read_text(encoding="utf-8")
    assert f"median follow-up of all {N} patients {number(reverse)} (reverse" in page


def test_a_figure_of_one_feature_counts_the_patients_who_have_it(folder, without_ages):
    patients, result = without_ages
    features = pd.read_csv(folder / "features.csv")
    prediction = pd.read_csv(result.folder / "prediction.csv")
    lead = prediction["feature"].iloc[0]
    assert lead == "marker"
    seen = features[lead].notna()[patients["age"].notna()]
    assert set(prediction["n"]) == {seen.sum()}
    assert prediction["note"].str.contains(f"{(~seen).sum()} patients without {lead} left out").all()
    page = (result.folder / "index.html").read_text(encoding="utf-8")
    events = patients.loc[seen[seen].index, "status"].sum()
    whose = f"n = {seen.sum()}, {events} events: the patients with a value of {lead} and all covariates; "
    assert page.count(f"{whose}predictions for patients left out of the fit") == 2  # over time, calibration
    assert f"{whose}not adjusted; bands: pointwise" in page
