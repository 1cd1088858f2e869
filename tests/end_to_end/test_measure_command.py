"""`discovery measure` and `discovery run` on studies with recordings, as a user meets them."""

from __future__ import annotations

import json
import os
import stat
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

BEATS = "recording patient_id visit t_ed t_dpdt_max accepted reason sampling_site".split()
WINDOWS = "recording start_s end_s sampling_site".split()
OUTCOMES = """
[[outcomes]]
name = "responder"
kind = "binary"
column = "responder"
positive = 1

[[outcomes]]
name = "load"
kind = "continuous"
column = "afterload"

[analysis]
replicates = 10
permutations = 100
"""


def discovery(*arguments: object, cwd: Path) -> subprocess.CompletedProcess:
    command = [sys.executable, "-m", "discovery", *map(str, arguments)]
    return subprocess.run(command, cwd=cwd, capture_output=True, text=True, encoding="utf-8")


@pytest.fixture(scope="module")
def measured(model_study, tmp_path_factory):
    """A small study with one damaged recording, measured by the command."""
    study = model_study(3, 7)
    with (study / "recordings" / "rec01.parquet").open("r+b") as file:
        file.truncate(4000)
    out = tmp_path_factory.mktemp("measured") / "one"
    done = discovery("measure", study, "--out", out, "--workers", 1, cwd=out.parent)
    assert done.returncode == 0, done.stderr
    return study, out, done


def test_the_last_line_is_the_folder_and_the_loss_is_said(measured):
    _, out, done = measured
    assert Path(done.stdout.strip().splitlines()[-1]).resolve() == out.resolve()
    assert "2 of 3 recordings measured" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_promised_tables_have_the_promised_columns(measured):
    _, out, _ = measured
    private = out / "patient_level"
    beats = pd.read_parquet(private / "beats.parquet")
    assert list(beats.columns[: len(BEATS)]) == BEATS
    assert beats["accepted"].dtype == bool
    assert beats.loc[beats["accepted"], "reason"].eq("").all()
    assert beats.loc[~beats["accepted"], "reason"].ne("").all()
    assert beats.loc[beats["accepted"], "rv_systolic_pressure"].notna().all()
    windows = pd.read_parquet(private / "windows.parquet")
    assert list(windows.columns[: len(WINDOWS)]) == WINDOWS
    assert {"valid", "sq_valid_beat_fraction", "sq_flatline_fraction", "rv_systolic_pressure"} <= {*windows}
    patients = pd.read_parquet(private / "patients.parquet")
    assert list(patients["patient_id"]) == ["p00", "p01", "p02"]
    behind = ["", "__iqr", "__p05", "__p95", "__n", "__coverage"]
    assert {f"rv_end_diastolic_pressure{name}" for name in behind} <= {*patients.columns}
    sites = pd.read_csv(out / "sites.csv")
    assert list(sites.columns[:4]) == WINDOWS
    assert set(sites["sampling_site"]) == {"RV"}


def test_the_damaged_recording_is_listed(measured):
    _, out, _ = measured
    quality = pd.read_csv(out / "quality.csv").set_index("recording")
    assert list(quality["status"]) == ["measured", "not measured", "measured"]
    assert isinstance(quality.loc["rec01.parquet", "reason"], str)


def test_pictures_come_in_threes_and_all_patient_rows_are_private(measured):
    _, out, _ = measured
    private = out / "patient_level"
    assert stat.S_IMODE(private.stat().st_mode) == 0o700
    assert (private / ".gitignore").read_text() == "*\n"
    names = {path.name for path in (private / "pictures").iterdir()}
    stems = [f"{record}_parquet_{kind}" for record in ("rec00", "rec02") for kind in ("trace", "beat")]
    assert names == {f"{stem}{ending}" for stem in stems for ending in (".svg", ".pdf", ".csv")}
    if os.name == "posix":
        assert all(
            stat.S_IMODE(path.stat().st_mode) == 0o600
            for path in private.rglob("*")
            if path.is_file() and path.name != ".gitignore"
        )


def test_two_workers_and_a_second_run_into_the_same_folder_give_the_same_bytes(measured, digest):
    study, out, _ = measured
    two = out.parent / "two"
    for _ in range(2):
        done = discovery("measure", study, "--out", two, "--workers", 2, "--quiet", cwd=out.parent)
        assert done.returncode == 0, done.stderr
    assert digest(two) == digest(out)


def test_a_study_without_recordings_is_the_users_to_mend(root, tmp_path):
    done = discovery("measure", root / "cohorts" / "wdbc", "--out", tmp_path / "out", cwd=tmp_path)
    assert done.returncode == 2
    assert "recordings" in done.stderr
    assert not (tmp_path / "out").exists()


def test_a_run_measures_first_and_uses_both_sets_of_features(model_study, tmp_path):
    features = '\n[features]\nfile = "features.csv"\nid = "patient_id"\n'
    study = model_study(18, 7, features + OUTCOMES)
    patients = pd.read_csv(study / "patients.csv")
    rng = np.random.default_rng(5)
    patients["afterload"] = np.where(patients.pop("load") == 1, 3.0, 0.0) + rng.normal(size=len(patients))
    patients.to_csv(study / "patients.csv", index=False)
    table = pd.DataFrame(
        {"patient_id": patients["patient_id"], "marker_level": rng.normal(size=len(patients))}
    )
    table.to_csv(study / "features.csv", index=False)
    done = discovery("run", study, "--out", tmp_path / "out", "--workers", 2, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    out = tmp_path / "out"
    markers = pd.read_csv(out / "markers.csv").set_index(["outcome", "feature"])
    assert ("load", "marker_level") in markers.index
    pressure = markers.loc[("load", "rv_systolic_pressure")]
    assert pressure["label"] == "RV systolic pressure"
    assert pressure["estimate"] > 0.5
    assert pressure["n"] == 18
    assert len(pd.read_csv(out / "quality.csv")) == 18
    assert set(pd.read_csv(out / "sampling_sites.csv")["sampling_site"]) == {"RV"}
    for name in ("beats", "windows", "patients"):
        assert (out / "patient_level" / f"{name}.parquet").stat().st_size > 0
    page = (out / "index.html").read_text(encoding="utf-8")
    assert "recordings" in page
    assert "patient_level/" not in page
    components = json.loads((out / "shape_components.json").read_text())
    assert components["n_beats"] == 18
    inputs = json.loads((out / "manifest.json").read_text())["inputs"]
    assert "recordings/index.csv" in inputs
    for path in out.rglob("*"):
        if path.suffix in {".csv", ".html", ".json", ".md"} and "patient_level" not in path.parts:
            text = path.read_text(encoding="utf-8")
            assert not any(f",{name}," in text or f" {name} " in text for name in patients["patient_id"]), (
                path
            )
