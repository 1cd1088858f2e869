"""The virtual registry: a study that the engine reads, the same bytes every time, nothing real in it."""

from __future__ import annotations

import hashlib
import json

import numpy as np
import pandas as pd
import pytest

from discovery.problems import InputError
from discovery.recordings.source import open_recording
from discovery.seeds import named_rng
from discovery.study import read_study
from discovery.virtual.cohort import make_cohort
from discovery.virtual.etiologies import ETIOLOGIES
from discovery.virtual.hospitals import HOSPITALS, draw_transducer
from discovery.virtual.measurement import MMHG_PER_CM, Transducer, store
from discovery.virtual.people import make_person
from discovery.virtual.visits import simulate_visit

CHANNELS = {"rv": "RVP", "pa": "PAP", "cvp": "CVP", "ecg": "ECG", "svo2": "SvO2"}


def digests(folder):
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_the_study_reads_without_an_error(cohort):
    study = read_study(cohort / "study.toml")
    assert len(study.patients) == 24
    assert [outcome.kind for outcome in study.outcomes] == [
        "binary", "survival", "continuous", "recurrent", "binary", "binary",
    ]  # fmt: skip
    assert set(study.site) <= {hospital.key for hospital in HOSPITALS}
    assert set(study.etiology) <= {etiology.key for etiology in ETIOLOGIES}
    kinds = " ".join(problem.sentence() for problem in study.warnings)
    assert "recording" not in kinds  # every listed file is there and belongs to a patient


def test_workers_change_no_byte_and_patients_do_not_depend_on_the_number_of_them(tmp_path):
    for name, patients, workers in (("one", 8, 1), ("two", 8, 2), ("more", 10, 2)):
        make_cohort(tmp_path / name, patients=patients, workers=workers, duration_s=20.0, seed=3)
    one, two, more = (digests(tmp_path / name) for name in ("one", "two", "more"))
    assert one == two
    shared = [name for name in one if name.endswith(".dat")]
    assert len(shared) >= 8
    assert all(one[name] == more[name] for name in shared)
    small, large = (pd.read_csv(tmp_path / name / "patients.csv") for name in ("one", "more"))
    pd.testing.assert_frame_equal(small, large.head(8))
    other = make_cohort(tmp_path / "other", patients=8, duration_s=20.0, seed=4)
    assert digests(other.parent)["patients.csv"] != one["patients.csv"]


def test_recordings_hold_what_the_index_says(cohort):
    index = pd.read_csv(cohort / "recordings" / "index.csv")
    assert index["patient_id"].nunique() == 24
    assert index["visit"].isin([1, 2]).all()
    for row in index.head(12).itertuples():
        with open_recording(cohort / "recordings" / row.file, CHANNELS) as source:
            recording = source.read()
        rv = recording["rv"]
        assert rv.rate_hz in (125.0, 250.0)
        assert rv.duration_s == pytest.approx(30.0)
        assert rv.unit == "mmHg"
        if "svo2" in recording:
            assert recording["svo2"].rate_hz == 1.0
        if "ecg" in recording:
            assert recording["ecg"].unit == "mV"


def test_the_stored_pressure_is_the_true_one_up_to_its_line(cohort):
    """Where nothing was handled, RV pressure differs from the truth by zero, level and line alone."""
    seen = 0
    for number in range(1, 13):
        person = make_person(number, 20261125)
        true = simulate_visit(person, 1, 20261125, 30.0)["rv"]
        with open_recording(cohort / "recordings" / f"{person.patient_id}_1.hea", CHANNELS) as source:
            rv = source.read()["rv"]
        stored = rv.samples
        true = true[:: round(250 / rv.rate_hz)]
        late = slice(stored.size // 4, None)
        if np.isnan(stored).any():
            continue
        seen += np.corrcoef(stored[late], true[late])[0, 1] > 0.95
    assert seen >= 8


def test_truth_says_what_drives_what(cohort):
    truth = json.loads((cohort / "truth.json").read_text())
    assert "Invented" in truth["about"]
    assert truth["outcomes"]["site_bruise"] == {"drivers": {}, "null": True}
    assert truth["outcomes"]["long_stay"]["site_only"]
    levels = truth["confounder"]["level_and_zero_mmhg"]
    stays = truth["confounder"]["long_stay_probability"]
    assert sorted(levels, key=levels.get, reverse=True) == sorted(stays, key=stays.get)
    assert {"channels", "handled_recordings", "walk_distance", "body_size"} == set(truth["missing"])
    latent = pd.read_csv(cohort / "latent.csv")
    index = pd.read_csv(cohort / "recordings" / "index.csv")
    assert len(latent) == len(index)
    np.testing.assert_allclose(latent["coupling"], latent["ees"] / latent["ea"], rtol=1e-9)
    readme = (cohort / "README.md").read_text()
    assert "invented" in readme
    from discovery.beats.registry import FEATURES

    for keys in truth["carriers"].values():
        assert set(keys) <= set(FEATURES)


def test_episodes_are_those_of_the_trend(cohort):
    trend = pd.read_parquet(cohort / "svo2_trends.parquet")
    episodes = pd.read_csv(cohort / "desaturations.csv")
    latent = pd.read_csv(cohort / "latent.csv").query("visit == 1").set_index("patient_id")
    for patient, rows in trend.groupby("patient_id"):
        low = rows["svo2"].to_numpy() < latent.at[patient, "svo2"] - 8.0
        edges = np.diff(low.astype(int), prepend=0, append=0)
        lengths = np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1)
        # values are stored to 0.1 %: a sample on the edge may count or not
        assert abs((lengths >= 2).sum() - (episodes["patient_id"] == patient).sum()) <= 1


def test_hospitals_differ_in_case_mix_and_equipment():
    people = [make_person(number, 1) for number in range(1, 801)]
    table = pd.DataFrame(
        {"site": [p.hospital.key for p in people], "etiology": [p.etiology.key for p in people]}
    )
    share = pd.crosstab(table["site"], table["etiology"], normalize="index")
    assert share.at["cedar", "chronic_lung_disease"] > 1.5 * share.at["alder", "chronic_lung_disease"]
    assert share.at["fir", "thromboembolic_disease"] > 1.5 * share.at["cedar", "thromboembolic_disease"]
    assert {hospital.rate_hz for hospital in HOSPITALS} == {125.0, 250.0}


def test_progress_is_told_and_faults_are_listed_together(tmp_path):
    told = []
    make_cohort(
        tmp_path / "p", patients=8, duration_s=20.0, progress=lambda done, total: told.append((done, total))
    )
    assert told == [(k, 8) for k in range(1, 9)]
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError) as caught:
        make_cohort(tmp_path / "file", patients=2, seed=-1, workers=0)
    assert len(caught.value.problems) == 4


def test_a_level_that_is_off_shows_in_the_stored_pressure():
    """The mean of the stored RV pressure is off by zero and level of the hospital, within their spread."""
    for hospital in HOSPITALS:
        off = [draw_transducer(hospital, named_rng(k, "level", hospital.key)) for k in range(400)]
        mean = np.mean([t.zero + MMHG_PER_CM * t.level_cm for t in off])
        assert mean == pytest.approx(hospital.zero + MMHG_PER_CM * hospital.level_cm, abs=0.2)
    flat = np.full(2500, 20.0)
    set_up = Transducer(zero=0.0, level_cm=-6.0, noise=0.0, wander=0.0, quantum=0.01)
    stored = store(flat, 250.0, named_rng(1, "level"), transducer=set_up)
    assert stored.mean() == pytest.approx(20.0 - 6.0 * 0.74, abs=0.01)
