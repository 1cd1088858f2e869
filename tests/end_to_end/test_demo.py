"""The demo from raw waveforms to report, small."""

from __future__ import annotations

import json

import pandas as pd
import pytest

import discovery
from discovery.problems import InputError


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    return folder, discovery.demo(out=folder / "results", patients=30, workers=2)


def test_it_ends_with_a_report_on_every_testable_outcome(made):
    folder, result = made
    assert result.report.stat().st_size > 100_000
    markers = pd.read_csv(result.folder / "markers.csv")
    assert set(markers["outcome"]) == {"rv_failure", "death", "walk_distance", "site_bruise", "long_stay"}
    assert markers.groupby("outcome")["feature"].nunique().min() > 60
    assert (folder / "results-cohort" / "truth.json").exists()


def test_the_report_never_names_a_patient(made):
    folder, result = made
    ids = pd.read_csv(folder / "results-cohort" / "patients.csv")["patient_id"]
    text = (result.folder / "index.html").read_text(encoding="utf-8")
    assert not any(name in text for name in ids)


def test_the_truth_names_what_drives_each_outcome(made):
    folder, _ = made
    truth = json.loads((folder / "results-cohort" / "truth.json").read_text(encoding="utf-8"))
    assert {"rv_failure", "death", "site_bruise", "long_stay"} <= set(json.dumps(truth).split('"'))


def test_a_foreign_folder_is_refused(tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("precious")
    with pytest.raises(InputError, match="nothing was overwritten"):
        discovery.demo(out=tmp_path / "out", cohort=tmp_path / "mine")
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["thesis.txt"]
