"""Pictures of recordings drawn beside later stages are the ones that would be drawn at the end."""

from __future__ import annotations

import tempfile
import time
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import discovery.pipeline.drawing_ahead as drawing_ahead
from discovery.pipeline.drawing_ahead import DrawingAhead
from discovery.pipeline.folder import ResultsFolder

COLUMNS = ["part", "name", "start_s", "end_s", "low", "high"]


@pytest.fixture(autouse=True)
def scratch(tmp_path, monkeypatch):
    """The folder for temporary files of the test alone."""
    place = tmp_path / "scratch"
    place.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(place))
    return place


@pytest.fixture(scope="module")
def pictures():
    time_s = np.arange(30.0)
    ranges = [("range", "", t, t + 1, 5.0, 30.0 + t) for t in time_s]
    rows = pd.DataFrame([*ranges, ("site", "RV", 0.0, 30.0, np.nan, np.nan)], columns=COLUMNS)
    empty = pd.DataFrame([("range", "", 0.0, 1.0, np.nan, np.nan)], columns=COLUMNS)
    return {"a/b": {"trace": rows}, "a_b": {"trace": rows}, "c": {"trace": empty}}


def results(path) -> ResultsFolder:
    folder = ResultsFolder(path, "made")
    folder.open()
    (folder.path / "patient_level").mkdir(exist_ok=True)
    return folder


def test_drawn_ahead_or_at_the_end_the_files_are_the_same(pictures, tmp_path, scratch):
    measured = SimpleNamespace(pictures=pictures)
    found = []
    for workers in (1, 2):
        folder = results(tmp_path / str(workers))
        place = folder.path / "patient_level" / "pictures"
        place.mkdir()
        (place / "of_an_earlier_run.svg").write_text("old")
        with DrawingAhead(workers) as drawing:
            drawing.begin(pictures)
            drawing.into(folder, measured)
        assert {path.stat().st_mode & 0o777 for path in place.iterdir()} == {0o600}
        found.append({path.name: path.read_bytes() for path in place.iterdir()})
    assert len(found[0]) == 6
    assert found[0] == found[1]
    assert not list(scratch.glob("discovery-pictures-*"))


def test_a_run_that_ends_before_its_results_leaves_nothing_behind(pictures, scratch):
    with DrawingAhead(2) as drawing:
        drawing.begin(pictures)
        assert list(scratch.glob("discovery-pictures-*"))
    assert not list(scratch.glob("discovery-pictures-*"))


def test_nothing_new_is_drawn_once_the_run_has_ended(pictures, monkeypatch):
    begun = []

    def slowly(place, wanted, workers, *, paper, go_on):
        for name in wanted:
            if go_on():
                begun.append(name)
                time.sleep(0.2)

    monkeypatch.setattr(drawing_ahead, "draw_into", slowly)
    with DrawingAhead(2) as drawing:
        drawing.begin(pictures)
    assert len(begun) <= 1


def test_a_fault_in_drawing_is_told_where_the_pictures_are_wanted(pictures, tmp_path):
    broken = {"a": {"trace": pictures["a/b"]["trace"].drop(columns="low")}}
    with DrawingAhead(2) as drawing:
        drawing.begin(broken)
        with pytest.raises(KeyError, match="low"):
            drawing.into(results(tmp_path / "out"), SimpleNamespace(pictures=broken))
