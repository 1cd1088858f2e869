"""Compiling beside the first stages: once for a state of the code, and never in the way of a run."""

from __future__ import annotations

import subprocess
import sys

import pytest

import discovery.pipeline.compile_ahead as ahead
from discovery.pipeline.progress import Silent
from discovery.pipeline.small_study import OUTCOMES, write_small_study
from discovery.study import read_study
from discovery.study.settings import OUTCOME_MODELS


class Stages(Silent):
    def __init__(self):
        self.names = []

    def stage(self, name):
        self.names.append(name)


@pytest.fixture
def study(tmp_path):
    return read_study(write_small_study(tmp_path / "study", ["continuous"], phenotypes=False))


@pytest.fixture
def begun(tmp_path, monkeypatch):
    """Processes begun, each of which does what `begun.does` says; marks lie in a folder of the test."""

    class Begun(list):
        does = "pass"

    found = Begun()

    def begin(_study):
        found.append(subprocess.Popen([sys.executable, "-c", found.does]))
        return [found[-1]]

    monkeypatch.setattr(ahead, "_begin", begin)
    monkeypatch.setattr(ahead, "_kept_in", lambda: tmp_path / "cache")
    return found


def test_the_small_study_has_every_kind_of_outcome_and_no_fault(tmp_path):
    assert set(OUTCOMES) == set(OUTCOME_MODELS)
    study = read_study(write_small_study(tmp_path, OUTCOMES, phenotypes=True))
    assert [outcome.kind for outcome in study.outcomes] == list(OUTCOMES)
    assert len(study.excluded_features) == 0


def test_what_the_processes_do_runs_through():
    ahead.compile_for(["continuous"])


def test_compiling_is_begun_once_and_waited_for(study, begun):
    begun.does = "import time; time.sleep(0.5)"
    stages = Stages()
    with ahead.compiling_ahead(study, workers=2) as compiling:
        compiling.wait(stages)
        assert begun[0].poll() == 0
    with ahead.compiling_ahead(study, workers=2) as compiling:
        compiling.wait(stages)
    assert len(begun) == 1
    assert stages.names == ["compiling, which only the first run does"]


def test_a_change_of_the_code_begins_anew_and_leaves_one_mark(study, begun, tmp_path, monkeypatch):
    for code in ("one", "two", "two"):
        monkeypatch.setattr(ahead, "_code", lambda code=code: code)
        with ahead.compiling_ahead(study, workers=2) as compiling:
            compiling.wait(Silent())
    assert len(begun) == 2
    assert [path.name for path in (tmp_path / "cache").iterdir()] == ["compiled_ahead_two"]


def test_a_run_that_ends_early_stops_the_processes_and_a_later_one_begins_again(study, begun, tmp_path):
    begun.does = "import time; time.sleep(60)"
    with pytest.raises(KeyboardInterrupt), ahead.compiling_ahead(study, workers=2):
        raise KeyboardInterrupt
    assert begun[0].poll() is not None
    assert not list((tmp_path / "cache").iterdir())


def test_a_process_that_fails_is_no_fault_of_the_run(study, begun):
    begun.does = "raise SystemExit(3)"
    with ahead.compiling_ahead(study, workers=2) as compiling:
        compiling.wait(Silent())
    assert begun[0].poll() == 3


def test_nothing_is_begun_for_one_worker_or_where_nothing_can_be_kept(study, begun, monkeypatch):
    with ahead.compiling_ahead(study, workers=1) as compiling:
        compiling.wait(Silent())
    monkeypatch.setattr(ahead, "_kept_in", lambda: None)
    with ahead.compiling_ahead(study, workers=2) as compiling:
        compiling.wait(Silent())
    assert begun == []
