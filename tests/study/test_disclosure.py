"""What leaves the house: harmless text, exact numbers, whole files."""

from __future__ import annotations

import io
import os

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from discovery.study.disclosure import csv_text, harmless, write_csv


@pytest.mark.parametrize("text", ["=1+1", "+1", "-cmd", "@SUM(A1)", "\tx", "\rx", '=HYPERLINK("x")'])
def test_text_that_a_spreadsheet_would_run(text):
    frame = pd.DataFrame({text: [text, "plain", None], "x": [-1.0, np.nan, 2.0]})
    before = frame.copy(deep=True)
    got = harmless(frame)
    assert got.iloc[0, 0] == "'" + text
    assert got.columns[0] == "'" + text
    assert got.iloc[1, 0] == "plain"
    assert got["x"].equals(frame["x"])
    pd.testing.assert_frame_equal(frame, before)


def test_numbers_are_untouched_and_categories_are_not_forgotten():
    frame = pd.DataFrame({"n": [-5, 3], "c": pd.Categorical(["=x", "y"]), "b": [True, False]})
    assert csv_text(frame) == "n,c,b\n-5,'=x,True\n3,y,False\n"


def test_an_empty_table_keeps_its_header():
    assert csv_text(pd.DataFrame(columns=["a", "=b"])) == "a,'=b\n"


@given(arrays(np.float64, 5, elements=st.floats(allow_nan=True, allow_infinity=False)))
def test_numbers_come_back_to_the_last_bit(values):
    back = pd.read_csv(
        io.StringIO(csv_text(pd.DataFrame({"x": values, "k": 1}))), float_precision="round_trip"
    )["x"]
    np.testing.assert_array_equal(back.to_numpy(float), values)


def test_undefined_is_empty_and_lines_end_alike():
    text = csv_text(pd.DataFrame({"x": [np.nan, 0.1], "t": [None, "é"]}))
    assert text == "x,t\n,\n0.1,é\n"


def test_a_file_is_written_whole_or_not_at_all(tmp_path, monkeypatch):
    path = tmp_path / "t.csv"
    write_csv(pd.DataFrame({"x": [1]}), path)
    assert path.read_bytes() == b"x\n1\n"
    monkeypatch.setattr(os, "fsync", lambda handle: (_ for _ in ()).throw(OSError("disk full")))
    with pytest.raises(OSError, match="disk full"):
        write_csv(pd.DataFrame({"x": [2]}), path)
    assert path.read_bytes() == b"x\n1\n"
    assert [item.name for item in tmp_path.iterdir()] == ["t.csv"]


def test_a_formula_in_a_table_comes_out_harmless(study):
    study.patients["site"] = np.resize(["=2+2", "South"], 40)
    got = study.read()
    assert list(got.site.cat.categories) == ["=2+2", "South"]
    assert "'=2+2" in csv_text(got.patients.reset_index())
    assert ",=2+2" not in csv_text(got.patients.reset_index())
