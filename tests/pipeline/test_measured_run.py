"""What recordings give to a run (reliability, shape components, pictures) and to the next study."""

from __future__ import annotations

import json
import shutil
import stat
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import discovery
from discovery.pipeline.measure import measure_study
from discovery.pipeline.why_missing import why_missing
from discovery.problems import InputError
from discovery.summaries.patient_rows import REASONS

MORE = """least_windows = 1

[[outcomes]]
name = "load"
kind = "continuous"
column = "afterload"

[analysis]
replicates = 0
permutations = 0
"""


@pytest.fixture(scope="module")
def folder(model_study):
    """Twelve invented patients with two visits of 90 s each; the second visit is scaled by up to 25 %."""
    folder = model_study(12, 3, MORE)
    rng = np.random.default_rng(11)
    rows = []
    for k in range(12):
        first = pd.read_parquet(folder / "recordings" / f"rec{k:02d}.parquet")
        (first * rng.uniform(0.8, 1.25)).to_parquet(folder / "recordings" / f"two{k:02d}.parquet")
        rows += [f"rec{k:02d}.parquet,p{k:02d},1", f"two{k:02d}.parquet,p{k:02d},2"]
    (folder / "recordings" / "index.csv").write_text("\n".join(["file,patient_id,visit", *rows]) + "\n")
    patients = pd.read_csv(folder / "patients.csv")
    patients["afterload"] = patients["load"] + rng.normal(size=12)
    patients.to_csv(folder / "patients.csv", index=False)
    return folder


@pytest.fixture(scope="module")
def out(folder, tmp_path_factory):
    place = tmp_path_factory.mktemp("measured_run") / "out"
    discovery.run(folder, out=place, workers=1)
    return place


def test_reliability_between_visits_reaches_the_marker_table(out, folder):
    """Correlation of visits by numpy; the corrected estimate by its formula, R2 on age by numpy too."""
    windows = pd.read_parquet(out / "patient_level" / "windows.parquet")
    markers = pd.read_csv(out / "markers.csv").set_index("feature")
    age = pd.read_csv(folder / "patients.csv").set_index("patient_id")["age_years"]
    for feature in ("rv_systolic_pressure", "pa_mean_pressure"):
        two = windows[windows["valid"]].groupby(["patient_id", "visit"])[feature].median().unstack()
        r = np.corrcoef(two[1], two[2])[0, 1]
        row = markers.loc[feature]
        assert row["reliability"] == pytest.approx(r, abs=1e-9)
        explained = np.corrcoef(two[1].clip(*two[1].quantile([0.01, 0.99])), age.loc[two.index])[0, 1] ** 2
        expected = row["estimate"] / ((r - explained) / (1 - explained))
        assert row["attenuation_corrected"] == pytest.approx(expected, rel=1e-6)
        assert row["attenuation_low"] < expected < row["attenuation_high"]
    table = pd.read_csv(out / "reliability.csv").set_index("feature")
    assert (table.loc[table["usable_for_correction"], "source"] == "separate visits").all()
    score = "rv_shape_component_1"
    rows = pd.read_parquet(out / "patient_level" / "patients.parquet")
    two = rows.pivot(index="patient_id", columns="visit", values=score)
    assert markers.loc[score, "reliability"] == pytest.approx(np.corrcoef(two[1], two[2])[0, 1], abs=1e-9)


def test_shape_components_are_tested_drawn_and_told(out):
    markers = pd.read_csv(out / "markers.csv").set_index("feature")
    assert markers.loc["rv_shape_component_1", "n"] == 12
    drawn = pd.read_csv(out / "figures" / "shape_components.csv")
    frozen = json.loads((out / "shape_components.json").read_text())
    assert drawn["component"].max() == len(frozen["components"])
    mean = drawn[(drawn["component"] == 1) & (drawn["curve"] == "mean")]["pressure"]
    np.testing.assert_allclose(mean, frozen["mean"])
    assert (out / "figures" / "shape_components.svg").is_file()
    page = (out / "index.html").read_text(encoding="utf-8")
    assert "learned from 12 patients of this study" in page
    assert "What the shape components of the beat stand for" in page


def test_pictures_of_recordings_are_there_private_and_never_linked(out):
    pictures = out / "patient_level" / "pictures"
    names = {path.name for path in pictures.iterdir()}
    assert {"rec00_parquet_trace.svg", "rec00_parquet_beat.svg", "two11_parquet_beat.csv"} <= names
    assert not any(name.endswith(".pdf") for name in names)
    assert all(stat.S_IMODE(path.stat().st_mode) == 0o600 for path in pictures.iterdir())
    page = (out / "index.html").read_text(encoding="utf-8")
    assert "patient_level/" not in page
    assert "rec00_parquet" not in page


@pytest.fixture(scope="module")
def second(folder, out, tmp_path_factory):
    """Three of the patients as a study of their own, with the components of the first one."""
    place = tmp_path_factory.mktemp("second") / "study"
    shutil.copytree(folder, place)
    patients = pd.read_csv(place / "patients.csv").iloc[3:6]
    patients.to_csv(place / "patients.csv", index=False)
    shutil.copy(out / "shape_components.json", place / "first_study.json")
    said = 'rate_hz = 250\nshape_components = "first_study.json"\n'
    text = (place / "study.toml").read_text(encoding="utf-8").replace("rate_hz = 250\n", said)
    (place / "study.toml").write_text(text, encoding="utf-8")
    return place


def test_a_second_cohort_gets_the_same_components(second, out):
    got = measure_study(second, workers=1)
    frozen = json.loads((out / "shape_components.json").read_text())
    assert got.shape.to_dict() == frozen
    names = [f"rv_shape_component_{k + 1}" for k in range(len(frozen["components"]))]
    first = pd.read_parquet(out / "patient_level" / "patients.parquet")
    first = first[first["patient_id"].isin(got.patients["patient_id"])].reset_index(drop=True)
    np.testing.assert_array_equal(got.patients[names], first[names])
    assert "first_study.json" in got.input_hashes


@pytest.mark.parametrize(
    ("content", "words"),
    [(None, "no such file"), ("{", "not JSON"), ('{"kind": "x"}', "something else"),
     ('{"kind": "shape components", "version": 1}', "damaged")],
)  # fmt: skip
def test_components_that_cannot_be_read_are_refused_before_any_work(second, tmp_path, content, words):
    shutil.copytree(second, tmp_path / "study")
    file = tmp_path / "study" / "first_study.json"
    file.unlink()
    if content is not None:
        file.write_text(content, encoding="utf-8")
    with pytest.raises(InputError, match=words) as caught:
        measure_study(tmp_path / "study", workers=1)
    assert caught.value.problems[0].file == "first_study.json"


def test_why_values_are_missing_is_told_for_every_feature(out):
    table = pd.read_csv(out / "why_missing.csv")
    rows = pd.read_parquet(out / "patient_level" / "patients.parquet")
    rows = rows[rows["visit"] == 1].set_index("patient_id")
    assert len(rows) == 12
    assert (table["n_patients"] == 12).all()
    for feature, block in table.groupby("feature"):
        assert block["n"].sum() == rows[feature].isna().sum()
        if f"{feature}__reason" in rows:
            codes = rows.loc[rows[feature].isna(), f"{feature}__reason"].map(REASONS).value_counts()
            assert block.set_index("reason")["n"].to_dict() == codes.to_dict()
    tested = pd.read_csv(out / "markers.csv")["feature"]
    assert {name for name in tested if rows[name].isna().any()} <= set(table["feature"])
    assert not set(table["feature"]) & {name for name in tested if rows[name].notna().all()}


def test_a_patient_without_a_recording_lacks_every_feature_for_that():
    measured = SimpleNamespace(
        patients=pd.DataFrame(
            {
                "patient_id": ["a", "a", "b"],
                "visit": [1, 2, 1],
                "rv_systolic_pressure": [np.nan, 1.0, 2.0],
                "rv_systolic_pressure__n": [0, 3, 3],
                "rv_systolic_pressure__reason": ["rate or line", "", ""],
            }
        )
    )
    found = why_missing(measured, pd.Index(["a", "b", "c"]))
    assert found.values.tolist() == [
        ["rv_systolic_pressure", "no recording could be measured", 1, 3],
        ["rv_systolic_pressure", REASONS["rate or line"], 1, 3],
    ]
