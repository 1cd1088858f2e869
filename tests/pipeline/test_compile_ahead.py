"""Compiling ahead or when asked: once for a state of the code, and never in the way of a run."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import pytest

import discovery.pipeline.compile_ahead as ahead
from discovery.cli.main import main
from discovery.pipeline.compile_parts import GROUPS, RECORDINGS, SECONDS, parts_of, shared_out
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
        does = "pass"  # in the process
        writes_done = True
        shares: list

    found = Begun()
    found.shares = []

    def process(share, faults):
        found.shares.append(share)
        found.append(subprocess.Popen([sys.executable, "-c", found.does], stderr=faults))
        if found.writes_done:
            for part in share:
                ahead.Marks.of_this_code().done(part)
        return found[-1]

    monkeypatch.setattr(ahead, "_process", process)
    monkeypatch.setattr(ahead, "_kept_in", lambda: tmp_path / "cache")
    return found


def marks(tmp_path):
    return {path.name.split("_", 3)[-1]: path.read_text() for path in (tmp_path / "cache").iterdir()}


def test_the_small_study_has_every_kind_of_outcome_and_no_fault(tmp_path):
    assert set(OUTCOMES) == set(OUTCOME_MODELS)
    study = read_study(write_small_study(tmp_path, OUTCOMES, phenotypes=True))
    assert [outcome.kind for outcome in study.outcomes] == list(OUTCOMES)
    assert len(study.excluded_features) == 0
    assert set(SECONDS) == {*OUTCOMES, GROUPS, RECORDINGS}
    assert set(parts_of(study)) == {*OUTCOMES, GROUPS}


def test_parts_are_shared_out_whole_and_about_evenly():
    assert shared_out(SECONDS, 1) == [list(SECONDS)]
    first, second = shared_out(reversed(list(SECONDS)), 2)
    assert sorted(first + second) == sorted(SECONDS)
    assert first[0] == RECORDINGS
    loads = [sum(SECONDS[part] for part in share) for share in (first, second)]
    assert abs(loads[0] - loads[1]) <= max(SECONDS.values()) / 2
    assert shared_out(["binary"], 4) == [["binary"]]
    assert shared_out([], 2) == []


def test_what_the_processes_do_runs_through_and_is_marked(tmp_path, monkeypatch):
    monkeypatch.setattr(ahead, "_kept_in", lambda: tmp_path)
    assert ahead.compile_parts(["continuous"])
    assert ahead.Marks.of_this_code().is_done("continuous")


def test_a_part_that_fails_is_not_marked_and_the_next_one_is_compiled(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(ahead, "_kept_in", lambda: tmp_path)
    monkeypatch.setattr(ahead, "reach", lambda part: {"binary": 1}[part])
    assert not ahead.compile_parts(["count", "binary"])
    assert "KeyError: 'count'" in capsys.readouterr().err
    found = ahead.Marks.of_this_code()
    assert [found.is_done(part) for part in ("binary", "count")] == [True, False]


def test_compiling_is_begun_once_and_waited_for(study, begun):
    begun.does = "import time; time.sleep(0.5)"
    stages = Stages()
    with ahead.compiling_ahead(study, workers=2) as compiling:
        compiling.wait(stages)
        assert begun[0].poll() == 0
    with ahead.compiling_ahead(study, workers=2) as compiling:
        compiling.wait(stages)
    assert begun.shares == [["continuous"]]
    assert stages.names == ["compiling, which only the first run does"]


def test_a_stage_waits_for_its_part_alone(study, begun):
    begun.does = "import time; time.sleep(60)"
    with ahead.compiling_ahead(study, workers=2) as compiling:
        compiling.wait(Silent(), "continuous")
        assert begun[0].poll() is None


def test_a_change_of_the_code_begins_anew_and_leaves_one_mark(study, begun, tmp_path, monkeypatch):
    for code in ("one", "two", "two"):
        monkeypatch.setattr(ahead, "_code", lambda code=code: code)
        with ahead.compiling_ahead(study, workers=2) as compiling:
            compiling.wait(Silent())
    assert len(begun) == 2
    assert [path.name for path in (tmp_path / "cache").iterdir()] == ["compiled_ahead_two_continuous"]


def test_a_run_that_ends_early_stops_the_processes_and_a_later_one_begins_again(study, begun, tmp_path):
    begun.does, begun.writes_done = "import time; time.sleep(60)", False
    with pytest.raises(KeyboardInterrupt), ahead.compiling_ahead(study, workers=2):
        raise KeyboardInterrupt
    assert begun[0].poll() is not None
    assert not list((tmp_path / "cache").iterdir())


def test_a_process_that_fails_is_no_fault_of_the_run(study, begun):
    begun.does, begun.writes_done = "raise SystemExit(3)", False
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


def test_the_command_compiles_every_part_once_and_the_first_run_none(study, begun, tmp_path, capsys):
    assert main(["compile"]) == 0
    assert sorted(part for share in begun.shares for part in share) == sorted(SECONDS)
    assert capsys.readouterr().out.startswith("Compiled in ")
    count = len(begun)
    assert main(["compile"]) == 0
    assert capsys.readouterr().out == "All is compiled already.\n"
    with ahead.compiling_ahead(study, workers=2):
        pass
    assert len(begun) == count
    assert set(marks(tmp_path).values()) == {ahead.DONE}


def test_the_command_says_what_is_being_compiled(begun, capsys):
    begun.does, begun.writes_done = "import time; time.sleep(0.5)", False
    with pytest.raises(RuntimeError):
        ahead.compile_all(workers=1, progress=(stages := Stages()))
    assert stages.names == ["compiling: recordings"]


ENDLESS = """
import subprocess, sys, time
from pathlib import Path
import discovery.pipeline.compile_ahead as ahead
from discovery.cli.main import main

def process(share, faults):
    if begun:  # stopped while the second is on its way
        print(begun[0].pid, flush=True)
        time.sleep(60)
    begun.append(subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"]))
    return begun[0]

begun, cache = [], Path(sys.argv.pop())
ahead._process, ahead._kept_in = process, lambda: cache
sys.exit(main())
"""


def test_the_command_stopped_from_outside_ends_its_processes_and_takes_its_marks_away(tmp_path):
    (tmp_path / "cache").mkdir()
    command = [sys.executable, "-c", ENDLESS, "compile", "--quiet", "--workers", "2", tmp_path / "cache"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as stopped:
        child = int(stopped.stdout.readline())
        assert marks(tmp_path)
        stopped.send_signal(signal.SIGTERM)
        assert stopped.wait(timeout=30) == 128 + signal.SIGTERM
    assert gone(child)
    assert marks(tmp_path) == {}


def gone(process: int, seconds: float = 30.0) -> bool:
    """Whether the process ends in time; one that has ended is there until the system takes note of it."""
    last = time.monotonic() + seconds
    while time.monotonic() < last:
        try:
            os.kill(process, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.05)
    return False


def test_the_command_compiles_what_a_stopped_run_left(study, begun, tmp_path):
    """A run that was killed could not take its mark away."""
    ahead.Marks.of_this_code().begin("continuous")
    ahead.Marks.of_this_code().done("binary")
    assert main(["compile", "--quiet", "--workers", "1"]) == 0
    assert begun.shares == [[part for part in SECONDS if part != "binary"]]


def test_a_part_that_cannot_be_compiled_is_a_fault_of_ours(begun, tmp_path, capsys):
    begun.does, begun.writes_done = "raise ValueError('this loop')", False
    assert main(["compile"]) == 1
    said = capsys.readouterr().err
    log = said.split("written in ")[1].strip()
    with open(log, encoding="utf-8") as kept:
        assert "ValueError: this loop" in kept.read()
    assert marks(tmp_path) == {}


def test_where_nothing_can_be_kept_the_command_says_so(begun, monkeypatch, capsys):
    monkeypatch.setattr(ahead, "_kept_in", lambda: None)
    assert main(["compile"]) == 2
    assert "NUMBA_CACHE_DIR" in capsys.readouterr().err
    assert begun == []
