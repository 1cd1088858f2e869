"""Files for a reader: harmless text, exact numbers, written whole."""

from __future__ import annotations

import hashlib
import io

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from discovery.files import csv_text, harmless, harmless_text, sha256, write_bytes


@pytest.mark.parametrize("text", ["=1+1", "+1+1", "-cmd", "@SUM(A1)", "\tx", "\rx", '=HYPERLINK("x")'])
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


@pytest.mark.parametrize("cell", ["=1+1", "+cmd", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "-", "="])
def test_formulas_get_an_apostrophe(cell):
    assert harmless_text(cell) == "'" + cell


@pytest.mark.parametrize("cell", ["-1.5", "+3", "-1e-5", "a=b", "", "−1", 3, -2.5, None])
def test_numbers_and_other_texts_stay(cell):
    assert harmless_text(cell) == cell


def test_csv_is_exact_harmless_and_leaves_the_table_alone():
    table = pd.DataFrame(
        {"=x": ["=1", None, 'a"b'], "v": [0.1 + 0.2, np.nan, 1e-310], "n": pd.array([1, None, 3], "Int64")}
    )
    before = table.copy(deep=True)
    assert csv_text(table) == '\'=x,v,n\n\'=1,0.30000000000000004,1\n,,\n"a""b",1e-310,3\n'
    pd.testing.assert_frame_equal(table, before)


def test_categories_and_doubled_columns_are_written():
    table = pd.DataFrame([[1, "=a"], [2, "b"]], columns=["x", "x"])
    assert csv_text(table) == "x,x\n1,'=a\n2,b\n"
    assert csv_text(pd.DataFrame({"g": pd.Categorical(["=1", "b"])})) == "g\n'=1\nb\n"


def test_a_write_that_fails_leaves_the_old_file(tmp_path, monkeypatch):
    path = write_bytes(tmp_path / "deep" / "a.txt", b"old")
    monkeypatch.setattr("os.fsync", lambda handle: (_ for _ in ()).throw(OSError("disk full")))
    with pytest.raises(OSError, match="disk full"):
        write_bytes(path, b"new")
    assert path.read_bytes() == b"old"
    assert [p.name for p in path.parent.iterdir()] == ["a.txt"]


def test_hash_is_that_of_the_bytes(tmp_path):
    path = write_bytes(tmp_path / "a", b"abc" * 1_000_000)
    assert sha256(path) == hashlib.sha256(b"abc" * 1_000_000).hexdigest()
