"""The index of a folder of recordings: all faults at once, nothing outside the folder."""

from __future__ import annotations

import pytest

from discovery.problems import InputError
from discovery.recordings.index import read_index


@pytest.fixture
def folder(tmp_path):
    inside = tmp_path / "recordings"
    (inside / "ward").mkdir(parents=True)
    for name in ("a.csv", "b.csv", "ward/c.edf", "d.hea"):
        (inside / name).write_bytes(b"x")
    (tmp_path / "outside.csv").write_bytes(b"x")
    (inside / "link.csv").symlink_to(tmp_path / "outside.csv")
    return inside


def write(folder, text):
    (folder / "index.csv").write_text(text, encoding="utf-8")
    return folder


def test_rows_with_all_and_with_the_least_columns(folder):
    text = (
        "file,patient_id,visit,start,rate_hz,remark\na.csv,P01,1,2026-03-01T08:00:00,125,x\n"
        "ward/c.edf,P02,,120.5,,\nd,P02,2,,\n"
    )
    index = read_index(write(folder, text))
    first, second, third = index.rows
    assert (first.file, first.patient_id, first.visit, first.rate_hz) == ("a.csv", "P01", 1, 125.0)
    assert (first.started, first.start_s) == ("2026-03-01T08:00:00", None)
    assert (second.started, second.start_s, second.visit, second.rate_hz) == (None, 120.5, None, None)
    assert third.path == folder / "d"
    assert index.problems == ()
    assert read_index(write(folder, "\ufefffile;patient_id\r\na.csv;P01\r\n")).rows[0].row == 2


def test_a_recording_that_is_not_there_is_left_out_and_listed(folder):
    index = read_index(write(folder, "file,patient_id\na.csv,P01\nno.csv,P02\n"))
    assert [row.file for row in index.rows] == ["a.csv"]
    (problem,) = index.problems
    assert (problem.severity, problem.row, problem.found) == ("warning", 3, "no.csv")


def test_every_fault_is_told_at_once_with_its_row(folder):
    text = (
        "file,patient_id,visit,start,rate_hz\n../outside.csv,P01,1,,\n/etc/passwd,P01,1,,\nlink.csv,P01,1,,\n"
        "C:\\data\\a.csv,P01,1,,\na.csv,,0,soon,-3\na.csv,P01,1.5,,inf\nb.csv,P01,1,,\n./b.csv,P02,1,,\n,P01,,,\n"
    )
    with pytest.raises(InputError) as caught:
        read_index(write(folder, text))
    told = {(problem.row, problem.column) for problem in caught.value.problems}
    assert told == {
        (2, "file"), (3, "file"), (4, "file"), (5, "file"),
        (6, "patient_id"), (6, "visit"), (6, "start"), (6, "rate_hz"),
        (7, "visit"), (7, "rate_hz"), (9, "file"), (10, "file"),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("", "empty file"),
        ("patient,files\na,b\n", "did you mean"),
        ("file,patient_id,file\na.csv,P01,b.csv\n", "each column once"),
        ("file,patient_id\n", "at least one recording"),
        ("file,patient_id\nno.csv,P01\n", "at least one recording"),
        ("file,patient_id\na.csv,P01,x,y\n", "4 cells"),
        ("file,patient_id\n\0\n", "binary data"),
    ],
)
def test_an_index_that_cannot_be_used(folder, text, fault):
    with pytest.raises(InputError, match=fault) as caught:
        read_index(write(folder, text))
    assert all("wanted" in problem.wanted for problem in caught.value.problems)


def test_no_index_no_folder_and_another_encoding(folder, tmp_path):
    with pytest.raises(InputError, match="no such file"):
        read_index(folder)
    with pytest.raises(InputError, match="no such folder"):
        read_index(tmp_path / "nowhere")
    (folder / "index.csv").write_bytes("file,patient_id\na.csv,M\xfcller\n".encode("latin-1"))
    with pytest.raises(InputError, match="UTF-8"):
        read_index(folder)
    (folder / "list.csv").write_text("file,patient_id\na.csv,\n")
    with pytest.raises(InputError) as caught:
        read_index(folder, "list.csv")
    assert caught.value.problems[0].file == "list.csv"
