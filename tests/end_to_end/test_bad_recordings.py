"""One folder with a recording of every fault: each is listed with its reason, the sound one is measured."""

from __future__ import annotations

import shutil
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

from discovery.pipeline.measure import measure_study

STUDY = """[study]
name = "faults"
title = "Pressures of an open circulation model, and what can be wrong with a file"
seed = 7

[patients]
file = "patients.csv"
id = "patient_id"

[recordings]
folder = "recordings"
channels = { rv = "rvp", pa = "pap" }
"""
# fault: (rate_hz in the index, status, words in the reason, words in the doubts)
EXPECTED = {
    "sound": (250, "measured", "", ""),
    "truncated": (250, "not measured", "a whole, undamaged file", ""),
    "empty": (250, "not measured", "an empty file", ""),
    "rate too low": (25, "not measured", "at least 60 Hz for a pressure", ""),
    "rate ten times too high": (2500, "no accepted beat", "none of", ""),
    "all missing": (250, "no accepted beat", "no beat of the right ventricle", "all missing"),
    "clipped": (250, "no accepted beat", "line clipped", "of the samples held at 22 mmHg"),
    "other unit": (250, "no accepted beat", "no beat of the right ventricle", "is the unit kPa?"),
    "other signal": (250, "no accepted beat", "no beat of the right ventricle", "another signal"),
    "channels swapped": (250, "measured", "", "are the channels swapped"),
    "channel of another name": (250, "measured", "", "no such channel"),
    "no such file": (250, "not measured", "no such file", ""),
    "not a recording": (250, "not measured", "", ""),
}


@pytest.fixture(scope="module")
def folder(shared, tmp_path_factory):
    place = tmp_path_factory.mktemp("faults")
    recordings = place / "recordings"
    recordings.mkdir()
    once = pd.read_csv(shared / "waveforms" / "published_model" / "pub01_normal.csv.gz")[["rvp", "pap"]]
    sound = pd.concat([once] * 8, ignore_index=True)
    seconds = np.arange(len(sound)) / 250.0
    spikes = np.exp(-(((seconds % 0.8 - 0.2) / 0.01) ** 2))
    tables = {
        "all missing": sound * np.nan,
        "clipped": sound.clip(8.0, 22.0),
        "other unit": sound * 0.133322,
        "other signal": sound.assign(rvp=spikes),
        "channels swapped": sound.rename(columns={"rvp": "pap", "pap": "rvp"}),
        "channel of another name": sound.rename(columns={"rvp": "pleth"}),
    }
    for fault in EXPECTED:
        if fault != "no such file":
            tables.get(fault, sound).to_parquet(recordings / f"{fault}.parquet", index=False)
    whole = (recordings / "truncated.parquet").read_bytes()
    (recordings / "truncated.parquet").write_bytes(whole[: len(whole) // 2])
    (recordings / "empty.parquet").write_bytes(b"")
    (recordings / "not a recording.parquet").write_text("Dear colleague,\n", encoding="utf-8")
    index = [f"{fault}.parquet,p{k},{EXPECTED[fault][0]}" for k, fault in enumerate(EXPECTED)]
    (recordings / "index.csv").write_text("\n".join(["file,patient_id,rate_hz", *index]) + "\n")
    patients = pd.DataFrame({"patient_id": [f"p{k}" for k in range(len(EXPECTED))]})
    patients.assign(age_years=50).to_csv(place / "patients.csv", index=False)
    (place / "study.toml").write_text(STUDY, encoding="utf-8")
    return place


@pytest.fixture(scope="module")
def out(folder, tmp_path_factory):
    place = tmp_path_factory.mktemp("faults_measured") / "out"
    command = [sys.executable, "-m", "discovery", "measure", folder, "--out", place, "--workers", "1"]
    done = subprocess.run([str(part) for part in command], capture_output=True, text=True, encoding="utf-8")
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    return place


@pytest.mark.parametrize("fault", EXPECTED)
def test_each_fault_is_listed_with_its_reason(out, fault):
    row = (
        pd.read_csv(out / "quality.csv", keep_default_na=False).set_index("recording").loc[f"{fault}.parquet"]
    )
    _, status, reason, doubt = EXPECTED[fault]
    assert row["status"] == status
    assert reason in row["reason"]
    assert doubt in row["doubts"]
    assert bool(row["reason"]) == (status != "measured")
    assert "fault of ours" not in row["reason"] + row["doubts"]


def test_the_sound_one_is_what_it_is_alone(folder, out, tmp_path):
    shutil.copytree(folder, tmp_path / "alone")
    (tmp_path / "alone" / "recordings" / "index.csv").write_text(
        "file,patient_id,rate_hz\nsound.parquet,p0,250\n"
    )
    alone = measure_study(tmp_path / "alone", workers=1).patients.iloc[0]
    among = pd.read_parquet(out / "patient_level" / "patients.parquet").set_index("patient_id").loc["p0"]
    assert alone["rv_systolic_pressure"] == among["rv_systolic_pressure"]
    assert alone["rv_dpdt_max"] == among["rv_dpdt_max"]


def test_patients_without_a_usable_recording_keep_a_row_that_says_so(out):
    rows = pd.read_parquet(out / "patient_level" / "patients.parquet").set_index("patient_id")
    assert len(rows) == len(EXPECTED) - 1  # the file that is not there is in quality.csv alone
    for k, (fault, (_, status, _, _)) in enumerate(EXPECTED.items()):
        if fault == "no such file":
            continue
        row = rows.loc[f"p{k}"]
        if status != "measured":
            assert np.isnan(row["rv_systolic_pressure"]), fault
            assert row["rv_systolic_pressure__reason"] == "no valid window", fault
    swapped = rows.loc[f"p{list(EXPECTED).index('channels swapped')}"]
    assert np.isnan(swapped["rv_systolic_pressure"])  # nothing is measured where it means nothing
