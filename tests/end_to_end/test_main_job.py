"""The main job as a user meets it: a study file in, tables, figures and a report out."""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

MARKER_COLUMNS = (
    "outcome rank feature label family effect_measure estimate ci_low ci_high p_value q_value "
    "shrunk_estimate gain_measure gain gain_low gain_high rank_low rank_high probability_in_top "
    "redundancy_group n events n_left_out verdict"
).split()
ASSOCIATION_COLUMNS = (
    "outcome feature model term effect_measure estimate ci_low ci_high p_value q_value p_familywise n events "
    "n_left_out method note"
).split()
FILES = [
    "markers.csv", "associations.csv", "baseline.csv", "missing.csv", "attrition.csv", "index.html",
    "methods.md", "checklist.csv", "manifest.json",
]  # fmt: skip


def discovery(*arguments: object, cwd: Path) -> subprocess.CompletedProcess:
    command = [sys.executable, "-m", "discovery", *map(str, arguments)]
    return subprocess.run(command, cwd=cwd, capture_output=True, text=True, encoding="utf-8")


def quick_copy(root: Path, cohort: str, folder: Path, *, replicates: int = 40) -> Path:
    """A cohort with few draws, in a folder of its own."""
    target = folder / cohort
    shutil.copytree(root / "cohorts" / cohort, target)
    study = target / "study.toml"
    text = study.read_text(encoding="utf-8")
    study.write_text(f"{text}\n[analysis]\nreplicates = {replicates}\npermutations = 400\n", encoding="utf-8")
    return target


@pytest.fixture(scope="module")
def wdbc(root, tmp_path_factory) -> tuple[Path, Path, subprocess.CompletedProcess]:
    folder = tmp_path_factory.mktemp("main")
    cohort = quick_copy(root, "wdbc", folder)
    done = discovery("run", cohort, "--out", folder / "one", "--workers", 1, cwd=folder)
    assert done.returncode == 0, done.stderr
    return cohort, folder / "one", done


def test_the_last_line_of_standard_output_is_the_report(wdbc):
    _, out, done = wdbc
    assert Path(done.stdout.strip().splitlines()[-1]).resolve() == (out / "index.html").resolve()


def test_every_promised_file_is_there_and_figures_come_in_threes(wdbc):
    _, out, _ = wdbc
    for name in FILES:
        assert (out / name).stat().st_size > 0, name
    kinds = {path.suffix for path in (out / "figures").iterdir()}
    assert kinds == {".svg", ".pdf", ".csv"}
    stems = [{p.stem for p in (out / "figures").glob(f"*{kind}")} for kind in kinds]
    assert stems[0] == stems[1] == stems[2]


def test_the_tables_begin_with_the_promised_columns(wdbc):
    _, out, _ = wdbc
    assert list(pd.read_csv(out / "markers.csv").columns[: len(MARKER_COLUMNS)]) == MARKER_COLUMNS
    assert (
        list(pd.read_csv(out / "associations.csv").columns[: len(ASSOCIATION_COLUMNS)]) == ASSOCIATION_COLUMNS
    )


def test_the_ranking_is_whole_and_consistent(wdbc):
    _, out, _ = wdbc
    markers = pd.read_csv(out / "markers.csv")
    assert len(markers) == 30
    assert list(markers["rank"]) == list(range(1, 31))
    assert (markers["ci_low"] <= markers["estimate"]).all()
    assert (markers["estimate"] <= markers["ci_high"]).all()
    assert (markers["p_value"] > 0).all()
    assert (markers["q_value"] >= markers["p_value"] * (1 - 1e-12)).all()
    assert (markers["rank_low"] <= markers["rank_high"]).all()
    assert markers["probability_in_top"].between(0, 1).all()
    assert (markers["shrunk_estimate"].abs() <= markers["estimate"].abs() + 1e-9).all()


def test_one_worker_and_two_give_the_same_bytes(wdbc, digest):
    cohort, out, _ = wdbc
    again = discovery("run", cohort, "--out", out.parent / "two", "--workers", 2, cwd=out.parent)
    assert again.returncode == 0, again.stderr
    assert digest(out.parent / "two") == digest(out)


def test_progress_is_one_line_a_stage_when_piped(wdbc):
    _, _, done = wdbc
    assert "\r" not in done.stderr
    assert "\x1b" not in done.stderr
    assert len(done.stderr.splitlines()) < 30


def test_the_inputs_are_not_touched(wdbc, root):
    cohort, _, _ = wdbc
    for path in (root / "cohorts" / "wdbc").glob("*.csv"):
        assert (cohort / path.name).read_bytes() == path.read_bytes()


def test_patient_rows_are_private(wdbc):
    _, out, _ = wdbc
    folder = out / "patient_level"
    if folder.exists():
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700
        assert (folder / ".gitignore").read_text() == "*\n"
    assert "patient_level/" not in (out / "index.html").read_text(encoding="utf-8")


def test_the_report_names_no_patient(wdbc):
    cohort, out, _ = wdbc
    ids = pd.read_csv(cohort / "patients.csv", dtype=str)["patient_id"]
    for path in out.rglob("*"):
        if path.suffix in {".csv", ".html", ".json", ".md"}:
            text = path.read_text(encoding="utf-8")
            assert not any(f"{name}" in text.split() or f",{name}," in text for name in ids[:50]), path


def test_a_finished_folder_may_be_run_again_and_a_foreign_one_is_refused(wdbc, tmp_path):
    cohort, _, _ = wdbc
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("precious")
    done = discovery("run", cohort, "--out", tmp_path / "mine", cwd=tmp_path)
    assert done.returncode == 2
    assert "nothing was overwritten" in done.stderr
    assert os.listdir(tmp_path / "mine") == ["thesis.txt"]


@pytest.mark.parametrize("cohort", ["rotterdam", "mgus2", "diabetes_lars"])
def test_the_open_cohorts_run_and_rank_every_feature(root, tmp_path, cohort):
    folder = quick_copy(root, cohort, tmp_path, replicates=20)
    done = discovery("run", folder, "--quiet", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    out = tmp_path / "reports" / cohort
    markers = pd.read_csv(out / "markers.csv")
    features = pd.read_csv(folder / "features.csv").columns[1:]
    for _, rows in markers.groupby("outcome"):
        assert set(rows["feature"]) == set(features)
    assert np.isfinite(markers["estimate"]).all()


def test_a_missing_column_ends_with_status_2_and_every_problem(root, tmp_path):
    folder = quick_copy(root, "rotterdam", tmp_path)
    study = folder / "study.toml"
    text = (
        study.read_text(encoding="utf-8")
        .replace("age_years", "age_year")
        .replace('"time_days"', '"tim_days"')
    )
    study.write_text(text, encoding="utf-8")
    done = discovery("run", folder, cwd=tmp_path)
    assert done.returncode == 2
    assert "did you mean 'age_years'" in done.stderr
    assert "did you mean 'time_days'" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "reports").exists()


def test_competing_events_are_called_by_the_users_code(root, tmp_path):
    folder = quick_copy(root, "mgus2", tmp_path, replicates=0)
    done = discovery("run", folder, "--out", tmp_path / "out", "--quiet", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    models = pd.read_csv(tmp_path / "out" / "associations.csv").groupby("outcome")["model"].unique()
    assert "competing event (status = 2): cause-specific hazard" in models["progression"]
    assert "competing event (status = 1): cause-specific hazard" in models["death_without_progression"]
