"""Files written whole, and harmless when a spreadsheet opens them."""

from __future__ import annotations

import hashlib

import numpy as np
import pandas as pd
import pytest

from discovery.report.files import csv_bytes, harmless, sha256, write_bytes


@pytest.mark.parametrize("cell", ["=1+1", "+cmd", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "-", "="])
def test_formulas_get_an_apostrophe(cell):
    assert harmless(cell) == "'" + cell


@pytest.mark.parametrize("cell", ["-1.5", "+3", "-1e-5", "a=b", "", "−1", 3, -2.5, None])
def test_numbers_and_other_texts_stay(cell):
    assert harmless(cell) == cell


def test_csv_is_exact_harmless_and_leaves_the_table_alone():
    table = pd.DataFrame(
        {"=x": ["=1", None, 'a"b'], "v": [0.1 + 0.2, np.nan, 1e-310], "n": pd.array([1, None, 3], "Int64")}
    )
    before = table.copy(deep=True)
    assert csv_bytes(table).decode() == '\'=x,v,n\n\'=1,0.30000000000000004,1\n,,\n"a""b",1e-310,3\n'
    pd.testing.assert_frame_equal(table, before)


def test_categories_and_doubled_columns_are_written():
    table = pd.DataFrame([[1, "=a"], [2, "b"]], columns=["x", "x"])
    assert csv_bytes(table) == b"x,x\n1,'=a\n2,b\n"
    assert csv_bytes(pd.DataFrame({"g": pd.Categorical(["=1", "b"])})) == b"g\n'=1\nb\n"


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
