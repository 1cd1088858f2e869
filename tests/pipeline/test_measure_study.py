"""Recordings of a study to tables: the truth of an open model, damaged files, any number of workers."""

from __future__ import annotations

import shutil

import numpy as np
import pandas as pd
import pytest

import discovery
from discovery.pipeline.measure import measure_study
from discovery.problems import InputError

LEVEL = {"rv_systolic_pressure": ("rvsp", 0.3), "rv_end_diastolic_pressure": ("edp", 0.5)}


@pytest.fixture(scope="module")
def folder(model_study):
    return model_study(6, 7)


@pytest.fixture(scope="module")
def measured(folder):
    return measure_study(folder, workers=1, pictures=True)


def test_patient_rows_are_near_the_truth_of_the_model(measured, shared):
    """truth.csv of the published model; its bars are 0.3 and 0.5 mmHg, times the factor of each patient."""
    truth = pd.read_csv(shared / "waveforms" / "published_model" / "truth.csv")
    for feature, (name, bar) in LEVEL.items():
        for k, row in enumerate(measured.patients.itertuples()):
            factor = 1 + k / 100
            assert getattr(row, feature) == pytest.approx(truth[name][k] * factor, abs=bar * factor), feature


def test_every_patient_row_says_how_much_was_seen(measured):
    rows = measured.patients
    assert list(rows.columns[:2]) == ["patient_id", "visit"]
    assert rows["rv_systolic_pressure__n"].eq(4).all()
    assert rows["rv_systolic_pressure__coverage"].to_numpy() == pytest.approx(np.ones(6))
    for statistic in ("iqr", "p05", "p95", "baseline", "last"):
        assert rows[f"rv_systolic_pressure__{statistic}"].notna().all(), statistic
    assert (rows["rv_systolic_pressure__p05"] <= rows["rv_systolic_pressure"]).all()


def test_the_measurer_alone_finds_the_same_beats(measured, folder):
    table = pd.read_parquet(folder / "recordings" / "rec02.parquet")
    alone = discovery.measure(table["rvp"].to_numpy(), 250.0, pa=table["pap"].to_numpy()).beats
    mine = measured.beats
    mine = mine[mine["recording"] == "rec02.parquet"].reset_index(drop=True)
    for column in ("t_ed", "t_dpdt_max", "rv_systolic_pressure", "pa_mean_pressure"):
        np.testing.assert_allclose(mine[column], alone[column], rtol=0, atol=1e-9)
    assert list(mine["accepted"]) == list(alone["accepted"])


def test_any_number_of_workers_gives_the_same_tables(measured, folder):
    two = measure_study(folder, workers=2)
    assert two.beats_file.read_bytes() == measured.beats_file.read_bytes()
    for name in ("windows", "patients", "quality", "sites", "migrations", "reliability"):
        pd.testing.assert_frame_equal(getattr(two, name), getattr(measured, name))
    assert two.input_hashes == measured.input_hashes


def test_a_damaged_recording_is_listed_and_the_rest_carries_on(folder, measured, tmp_path):
    shutil.copytree(folder, tmp_path / "study")
    recordings = tmp_path / "study" / "recordings"
    (recordings / "rec01.parquet").write_bytes((recordings / "rec01.parquet").read_bytes()[:5000])
    (recordings / "rec03.parquet").write_bytes(b"")
    pd.DataFrame({"pulse": np.zeros(5000)}).to_parquet(recordings / "rec04.parquet")
    lost = measure_study(tmp_path / "study", workers=1)
    quality = lost.quality.set_index("recording")
    bad = ["rec01.parquet", "rec03.parquet", "rec04.parquet"]
    assert list(quality.index[quality["status"] == "not measured"]) == bad
    assert quality.loc[bad, "reason"].str.len().gt(0).all()
    assert "empty" in quality.loc["rec03.parquet", "reason"]
    assert "no such channel" in quality.loc["rec04.parquet", "reason"]
    assert not quality["reason"].str.contains("fault of ours").any()
    whole = measured.patients.set_index("patient_id")
    rows = lost.patients.set_index("patient_id")
    assert rows.loc["p02", "rv_systolic_pressure"] == whole.loc["p02", "rv_systolic_pressure"]
    assert np.isnan(rows.loc["p01", "rv_systolic_pressure"])
    assert rows.loc["p01", "rv_systolic_pressure__reason"] == "no valid window"


def test_a_flat_or_missing_pressure_gives_no_beat_and_says_so(folder, tmp_path):
    shutil.copytree(folder, tmp_path / "study")
    recordings = tmp_path / "study" / "recordings"
    for name, level in (("rec00", 17.0), ("rec05", np.nan)):
        pd.DataFrame({"rvp": np.full(20000, level), "pap": np.full(20000, level)}).to_parquet(
            recordings / f"{name}.parquet"
        )
    quality = measure_study(tmp_path / "study", workers=1).quality.set_index("recording")
    for name in ("rec00.parquet", "rec05.parquet"):
        assert quality.loc[name, "status"] == "no accepted beat"
        assert "no beat" in quality.loc[name, "reason"]
        assert quality.loc[name, "n_accepted"] == 0


def test_nothing_measurable_is_an_input_error_with_every_reason(folder, tmp_path):
    shutil.copytree(folder, tmp_path / "study")
    for path in (tmp_path / "study" / "recordings").glob("*.parquet"):
        path.write_bytes(b"")
    with pytest.raises(InputError) as caught:
        measure_study(tmp_path / "study", workers=1)
    assert len(caught.value.problems) == 1 + 6


def test_a_study_without_recordings_is_refused(root):
    with pytest.raises(InputError, match="recordings"):
        measure_study(root / "cohorts" / "wdbc")


def test_calibration_and_visits(folder, tmp_path, measured):
    """Pressures stored as kPa with an offset of 1 kPa, zeroed at nothing; the second visit a tenth higher."""
    shutil.copytree(folder, tmp_path / "study")
    recordings = tmp_path / "study" / "recordings"
    table = pd.read_parquet(recordings / "rec00.parquet")
    (table / 7.50061683 - 1.0).to_parquet(recordings / "rec00.parquet", index=False)
    (table * 1.1 / 7.50061683 - 1.0).to_parquet(recordings / "again.parquet", index=False)
    index = "file,patient_id,visit\nagain.parquet,p00,2\nrec00.parquet,p00,1\n"
    (recordings / "index.csv").write_text(index, encoding="utf-8")
    study = tmp_path / "study" / "study.toml"
    said = 'units = "kPa"\ncalibration = { rv = { offset = 1.0 }, pa = { offset = 1.0 } }\n'
    study.write_text(study.read_text(encoding="utf-8") + said, encoding="utf-8")
    rows = measure_study(tmp_path / "study", workers=1).patients
    assert list(rows["visit"]) == [1, 2]
    first = measured.patients["rv_systolic_pressure"].iloc[0]
    np.testing.assert_allclose(rows["rv_systolic_pressure"], [first, 1.1 * first], atol=0.02)


def test_pictures_hold_what_was_measured(measured):
    tables = measured.pictures["rec02.parquet"]
    trace, beat = tables["trace"], tables["beat"]
    assert set(trace["part"]) >= {"range", "site", "window", "sample", "accepted"}
    marks = trace[(trace["part"] == "accepted") & (trace["name"] == "systolic peak")]
    assert len(marks) >= 10
    systolic = measured.patients["rv_systolic_pressure"].iloc[2]
    assert marks["high"].median() == pytest.approx(systolic, abs=0.5)
    mean = beat[beat["part"] == "beat"]
    assert mean["pressure_mmhg"].max() == pytest.approx(systolic, abs=0.5)
    sample = trace[trace["part"] == "sample"]["start_s"]
    assert sample.max() - sample.min() == pytest.approx(10.0, abs=0.01)


def test_notes_in_the_patient_table_give_flow_features_of_the_first_visit(folder, tmp_path):
    """Closed forms: index = output over body surface (Mosteller 1987), resistance = (PA - wedge) / output."""
    shutil.copytree(folder, tmp_path / "study")
    recordings = tmp_path / "study" / "recordings"
    index = "file,patient_id,visit\nrec00.parquet,p00,1\nrec01.parquet,p00,2\n"
    (recordings / "index.csv").write_text(index, encoding="utf-8")
    patients = pd.read_csv(tmp_path / "study" / "patients.csv")
    notes = {"height_cm": 175.0, "weight_kg": 80.0, "cardiac_output_l_min": 5.28, "wedge_pressure_mmhg": 9.0}
    patients.assign(**notes).to_csv(tmp_path / "study" / "patients.csv", index=False)
    rows = measure_study(tmp_path / "study", workers=1).patients.set_index("visit")
    surface = np.sqrt(175.0 * 80.0 / 3600.0)
    assert rows.loc[1, "cardiac_index"] == pytest.approx(5.28 / surface, rel=1e-6)
    resistance = (rows.loc[1, "pa_mean_pressure"] - 9.0) / 5.28
    assert rows.loc[1, "pulmonary_vascular_resistance"] == pytest.approx(resistance, rel=1e-3)
    assert np.isnan(rows.loc[2, "cardiac_index"])
