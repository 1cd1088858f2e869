"""The results folder: tried before the work, never somebody else's, edits by hand kept."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import pytest

import discovery
from discovery.cli.main import main
from discovery.files import sha256
from discovery.pipeline.folder import ResultsFolder
from discovery.pipeline.parallel import workers_at, workers_here
from discovery.problems import InputError
from discovery.study.settings import available_cores


def refusal(path: Path | str) -> str:
    with pytest.raises(InputError) as caught:
        ResultsFolder(path)
    return caught.value.problems[0].sentence()


def test_trying_leaves_nothing_behind(tmp_path):
    ResultsFolder(tmp_path / "a" / "b" / "c")
    (tmp_path / "there").mkdir()
    ResultsFolder(tmp_path / "there")
    assert os.listdir(tmp_path) == ["there"]
    assert os.listdir(tmp_path / "there") == []


def test_a_run_and_a_replication_keep_out_of_each_others_folder(tmp_path):
    manifest = {"schema": 1, "inputs": {}, "run": {}, "outputs": {"markers.csv": "0"}}
    (tmp_path / "manifest.json").write_text(json.dumps(manifest))
    ResultsFolder(tmp_path, foreign="replication.csv")
    with pytest.raises(InputError, match=r"other results \(markers.csv\); another folder is wanted"):
        ResultsFolder(tmp_path, foreign="markers.csv")


def test_a_path_through_a_file_is_refused(tmp_path):
    (tmp_path / "notes.txt").write_text("mine")
    assert "this is a file; nothing was overwritten" in refusal(tmp_path / "notes.txt")
    said = refusal(tmp_path / "notes.txt" / "deep" / "er")
    assert "a folder that can be made and written is wanted" in said
    assert "nothing was written" in said
    assert (tmp_path / "notes.txt").read_text() == "mine"


@pytest.mark.parametrize("name", ["x" * 300, "nul\0byte"])
def test_a_name_that_no_file_system_takes_is_refused_shortly(tmp_path, name):
    said = refusal(tmp_path / "new" / name)
    assert "a folder that can be made and written is wanted" in said
    assert len(said) < 500
    assert os.listdir(tmp_path) == []


def test_a_folder_that_cannot_be_written_is_refused(tmp_path, monkeypatch):
    """Root may write everywhere, so the refusal of the system is played."""

    def refuse(**_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("discovery.pipeline.folder.tempfile.TemporaryFile", refuse)
    assert "is wanted for the results (Permission denied); nothing was written" in refusal(
        tmp_path / "a" / "b"
    )
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize("name", ["", "  "])
def test_an_empty_name_is_refused(name, root, capsys):
    assert "found 'an empty name'" in refusal(name)
    with pytest.raises(InputError, match="an empty name"):
        discovery.run(root / "cohorts" / "diabetes_lars", out=name)
    with pytest.raises(SystemExit) as stop:
        main(["run", str(root / "cohorts" / "diabetes_lars"), "--out", name])
    assert stop.value.code == 2
    assert "the name of a folder is wanted" in capsys.readouterr().err


@pytest.mark.parametrize("manifest", ['{"name": "an app"}', "[]", "not json", '{"outputs": {}}'])
def test_a_manifest_that_is_not_ours_does_not_make_a_folder_ours(tmp_path, manifest):
    (tmp_path / "manifest.json").write_text(manifest)
    assert "nothing was overwritten" in refusal(tmp_path)


def quick(root: Path, folder: Path) -> Path:
    for name in ("patients.csv", "features.csv", "labels.csv"):
        (folder / name).write_bytes((root / "cohorts" / "diabetes_lars" / name).read_bytes())
    text = (root / "cohorts" / "diabetes_lars" / "study.toml").read_text(encoding="utf-8")
    (folder / "study.toml").write_text(f"{text}\n[analysis]\nreplicates = 0\npermutations = 0\n")
    return folder


def test_the_folder_is_tried_before_the_analysis(root, tmp_path, monkeypatch):
    monkeypatch.setattr(
        "discovery.pipeline.run.analyse", lambda *_, **__: pytest.fail("the analysis was begun")
    )
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(InputError, match="nothing was written"):
        discovery.run(root / "cohorts" / "diabetes_lars", out=tmp_path / "notes.txt" / "deep")


def test_what_somebody_edited_is_kept_and_said(root, tmp_path):
    """The second run is asked for far more workers than there are cores, which changes nothing but a word."""
    study, out = quick(root, tmp_path), tmp_path / "out"
    assert discovery.run(study, out=out).remarks == ()
    first = {path.name: sha256(path) for path in out.iterdir() if path.is_file()}
    with (out / "methods.md").open("a", encoding="utf-8") as file:
        file.write("\nOur own words.\n")
    edited = (out / "methods.md").read_bytes()

    again = discovery.run(study, out=out, workers=100_000)
    assert again.remarks == (
        f"100000 workers were asked for; {available_cores()} are used, one a core. The results are the same.",
        "methods.md was edited since the earlier run; the edited copy is kept as methods.edited.md",
    )
    assert (out / "methods.edited.md").read_bytes() == edited
    files = {path.name: sha256(path) for path in out.iterdir() if path.is_file()}
    del files["methods.edited.md"], files["manifest.json"], first["manifest.json"]
    assert files == first

    (out / "methods.md").write_text("Other words.\n", encoding="utf-8")
    third = discovery.run(study, out=out)
    assert third.remarks[-1].endswith("the edited copy is kept as methods.edited2.md")
    assert (out / "methods.edited.md").read_bytes() == edited
    assert discovery.run(study, out=out).remarks == ()


def test_a_stopped_run_can_be_done_again_and_no_file_of_it_counts_as_edited(tmp_path):
    folder = ResultsFolder(tmp_path / "out")
    folder.open()
    folder.text("methods.md", "half a run")
    assert json.loads((tmp_path / "out" / "manifest.json").read_text()) == {"state": "running"}
    assert ResultsFolder(tmp_path / "out").open() == []


def test_workers_are_at_most_the_cores():
    cores = available_cores()
    assert workers_here(1) == (1, "")
    assert workers_here(cores) == (cores, "")
    assert workers_here(cores + 1)[0] == cores
    assert f"{cores + 1} workers were asked for" in workers_here(cores + 1)[1]


def test_a_scheduler_without_its_library_points_to_the_readme(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError) as caught, workers_at("tcp://127.0.0.1:9"):
        pass
    assert "install the extra 'cluster' as the README says" in caught.value.problems[0].sentence()
