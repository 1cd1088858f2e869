"""Tables: what is read as what, and the words for every way in which a file can be broken."""

# The words of a message stand on one line.
# ruff: noqa: E501

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from discovery.study.findings import Findings
from discovery.study.numbers import far_off, number_hint, read_numbers, sentinel
from discovery.study.table_files import read_table
from discovery.study.tables import report_numbers


def opened(folder, content, name="t.csv"):
    """The table and what was found, errors first."""
    path = folder / name
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    findings = Findings()
    table = read_table(path, name, findings)
    return table, [problem.sentence() for problem in findings.errors() + findings.warnings()]


def numbers_of(folder, content, column):
    """A column as numbers, and the sentences on its cells."""
    table, said = opened(folder, content)
    assert said == []
    findings = Findings()
    numbers = table.numbers(column)
    report_numbers(numbers, table, column, "features", findings)
    return numbers.values, [problem.sentence() for problem in findings.errors() + findings.warnings()]


@pytest.mark.parametrize(
    "content",
    [
        "id,x,y\n1,2.5,a\n2,,b\n",
        "id;x;y\n1;2,5;a\n2;;b\n",
        "id\tx\ty\n1\t2,5\ta\n2\t\tb\n",
        '\ufeff"id","x","y"\r\n"1","2.5","a"\r\n"2","","b"\r\n',
        "id , x,y\n 1 ,2.5, a\n2, ,b",
        "\n\nid,x,y\n1,2.5,a\n\n2,,b\n\n",
        "id;x;y\r1;2,5;a\r2;;b\r",
        "sep=;\r\nid;x;y\r\n1;2,5;a\r\n2;;b\r\n",
    ],
)
def test_delimiters_decimals_quotes_and_marks_are_understood(tmp_path, content):
    table, said = opened(tmp_path, content)
    assert said == []
    assert table.columns == ("id", "x", "y")
    assert table.text("id") == ["1", "2"]
    assert table.text("y") == ["a", "b"]
    np.testing.assert_array_equal(table.numbers("x").values, [2.5, np.nan])


def test_the_row_of_a_message_is_the_line_of_the_file(tmp_path):
    _, said = numbers_of(tmp_path, 'id,note,x\n1,"two\nlines",1\n\n2,b,oops\n', "x")
    assert said == ["t.csv, row 5, column 'x': found 'oops'; a number is wanted"]


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", "t.csv: found 'an empty file'; a table is wanted: a .csv file (UTF-8) or a .parquet file"),
        (b"\n\n", "t.csv: found 'no text'; a table is wanted"),
        (b"id,x\n", "t.csv: found 'a header of 2 columns'; a row or more under the header is wanted"),
        ("id,x\n1,Müller\n".encode("latin-1"), "t.csv, row 2: found '1,Müller'; UTF-8 is wanted; byte 8 is not, the file looks like Latin-1 or Windows-1252: save it again as \"CSV UTF-8\""),
        ("id,x\n1,2\n".encode("utf-16"), "found 'UTF-16'; UTF-8 is wanted; the file looks like UTF-16"),
        ("id,x\n1,2\n".encode("utf-16-le"), "row 1: found 'a NUL byte'; text without NUL bytes is wanted (byte 1); the file looks like UTF-16"),
        (b"id,x\n1,2\n2,\0\n", "row 3: found 'a NUL byte'; text without NUL bytes is wanted (byte 11)"),
        (b"PK\x03\x04rest", "text is wanted; the file is a spreadsheet or archive under the name of a CSV"),
        (b"\x1f\x8brest", "text is wanted; the file is a compressed file under the name of a CSV"),
        (b"id,x,x\n1,2,3\n", "row 1: found 'x'; each column needs its own name; columns 2 and 3 share this one"),
        (b"id,x\n1,2\n2,3,4\n", "row 3: found '2,3,4'; 2 cells as in the header are wanted, here are 3; a cell with a comma must stand in quotes"),
        (b"id;x\n1;2\n2\n", "row 3: found '2'; 2 cells as in the header are wanted, here are 1"),
        (b'id,x\n1,"2\n2,3\n', "row 2: found '1,\"2'; a quote that opens a cell must be closed; none closes the one that opens here"),
        (b'id,x\n1,"2"3\n', "row 2: found '1,\"2\"3'; a quote inside a quoted cell must be doubled (\"\")"),
        (b",\n1,2\n", "a header with the names of the columns is wanted"),
    ],
)  # fmt: skip
def test_the_words_for_a_broken_csv(tmp_path, content, expected):
    table, said = opened(tmp_path, content)
    assert table is None or "cells as in the header" in expected
    assert expected in said[0]


def test_ten_million_characters_in_a_cell(tmp_path):
    table, said = opened(tmp_path, "id,x,note\n1,2,a\n2,3," + "z" * 10_000_000 + "\n")
    assert table is None
    assert len(said) == 1
    assert said[0].startswith("t.csv, row 3, column 'note': found 'zzz")
    assert (
        "(10000000 characters); a cell of at most 131072 characters is wanted; is a quote never closed?"
        in said[0]
    )
    assert len(said[0]) < 400


def test_a_long_header_and_a_long_quoted_cell(tmp_path):
    assert "a cell of at most 131072" in opened(tmp_path, "id," + "h" * 200_000 + "\n1,2\n")[1][0]
    quoted = 'id,x\n1,"' + "q\n" * 100_000 + '"\n'
    assert "row 2: found" in opened(tmp_path, quoted)[1][0]


def test_a_file_that_is_not_there_or_no_file(tmp_path):
    (tmp_path / "patients.csv").write_text("id\n1\n")
    findings = Findings()
    assert read_table(tmp_path / "pateints.csv", "pateints.csv", findings) is None
    assert read_table(tmp_path / "nowhere" / "x.csv", "nowhere/x.csv", findings) is None
    (tmp_path / "folder.csv").mkdir()
    assert read_table(tmp_path / "folder.csv", "folder.csv", findings) is None
    (tmp_path / "book.xlsx").write_bytes(b"PK")
    assert read_table(tmp_path / "book.xlsx", "book.xlsx", findings) is None
    said = [problem.sentence() for problem in findings.errors()]
    assert said[0] == "pateints.csv; there is no such file; did you mean 'patients.csv'?"
    assert said[1] == "nowhere/x.csv; there is no such file; nor is there such a folder"
    assert said[2].startswith("folder.csv: found 'a folder'; a table is wanted")
    assert said[3].endswith("or a .parquet file; save the sheet as CSV UTF-8")


def test_a_column_without_a_name_and_a_row_without_a_value_are_left_out_aloud(tmp_path):
    table, said = opened(tmp_path, ",id,x\n0,a,1\n,,\n1,b,2\n")
    assert table.columns == ("id", "x")
    assert table.text("id") == ["a", "b"]
    assert said == [
        "t.csv, row 1; column 1 has no name and is not read",
        "t.csv, row 3; rows without any value are not read (1 in all)",
    ]


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("oops", "a number is wanted"),
        ("<0.5", "if the value lies beyond a limit of the device, name the column in beyond_limit"),
        ("12 mmHg", "a number alone is wanted, without unit or remark"),
        ('"1,5"', "a number with a decimal point is wanted, or semicolons between the cells"),
        ('"1,234.5"', "a number without separators between thousands is wanted"),
        ("2026-11-25", "a number is wanted, this looks like a date"),
        ("25.11.2026", "a number is wanted, this looks like a date"),
        ("−5", "the sign must be a plain hyphen (-)"),
        ("1_000", "a number alone is wanted, without unit or remark"),
        ("inf", "found 'inf'; a finite number is wanted, of at most 1e+100"),
        ("-Infinity", "found '-Infinity'; a finite number is wanted, of at most 1e+100"),
        ("1e999", "found '1e999'; a finite number is wanted, of at most 1e+100"),
        ("0x10", "a number alone is wanted, without unit or remark"),
        ("TRUE", "found 'TRUE'; a number is wanted"),
        ("n.d.", "found 'n.d.'; only an empty cell is missing: empty the cell (1 like it in this column), or state missing = [\"n.d.\"] under [features]"),
        ("-", "only an empty cell is missing"),
        ("#DIV/0!", "only an empty cell is missing"),
    ],
)  # fmt: skip
def test_the_words_for_a_cell_that_is_no_number(tmp_path, cell, expected):
    values, said = numbers_of(tmp_path, f"id,x\n1,1\n2,{cell}\n3,3\n", "x")
    assert len(said) == 1
    assert said[0].startswith("t.csv, row 3, column 'x'")
    assert expected in said[0]
    np.testing.assert_array_equal(values, [1, np.nan, 3])


def test_a_code_far_off_all_others_is_doubted_not_changed(tmp_path):
    values, said = numbers_of(tmp_path, "id,x\n1,10\n2,12\n3,-999\n4,11\n", "x")
    assert values[2] == -999
    assert said == [
        "t.csv, row 4, column 'x': found '-999'; this stands 1 time, far off all other values: if it means not "
        "known, state missing = [-999] under [features]"
    ]
    assert sentinel(np.array([990.0, 999.0, 1005.0, 1010.0])) is None
    assert sentinel(np.array([-9.0, -7.0, 3.0, 5.0, 8.0])) is None


def test_stated_codes_are_missing(tmp_path):
    table, _ = opened(tmp_path, "id,x\n1,1.5\n2,NA\n3,-999.0\n4,4\n")
    numbers = table.numbers("x", frozenset({"NA", "-999"}))
    np.testing.assert_array_equal(numbers.values, [1.5, np.nan, np.nan, 4])
    assert (numbers.filled, numbers.codes, numbers.not_numbers) == (2, [], [])


def test_decimal_commas_are_never_mixed_or_guessed_in_silence(tmp_path):
    _, mixed = numbers_of(tmp_path, "id;x\n1;1,5\n2;2.5\n3;3,5\n", "x")
    assert "found '2.5'; one decimal mark in a column is wanted, here are commas and points" in mixed[0]
    _, thousands = numbers_of(tmp_path, "id;x;y\n1;1.500;0,5\n2;2.250;0,7\n", "x")
    assert "this may be thousands or decimals, as other columns have decimal commas" in thousands[0]
    points, said = numbers_of(tmp_path, "id;x\n1;1.500\n2;2.250\n", "x")
    assert said == []
    np.testing.assert_array_equal(points, [1.5, 2.25])


def test_truth_values_are_numbers_only_when_the_whole_column_is(tmp_path):
    values, said = numbers_of(tmp_path, "id,x\n1,TRUE\n2,false\n3,\n", "x")
    assert said == []
    np.testing.assert_array_equal(values, [1, 0, np.nan])


@pytest.mark.parametrize("cell", ["١٢", "१२.५", "１２", "1٢"])
@pytest.mark.parametrize("comma", [False, True])
def test_digits_of_other_scripts_are_no_numbers(cell, comma):
    """Python's float reads them; a table that has them among others was not written by one program."""
    assert float(cell) > 0
    read = read_numbers(["3", "", cell, "\u00a04\u00a0"], comma=comma)
    assert read.not_numbers == [2]
    np.testing.assert_array_equal(read.values, [3, np.nan, np.nan, 4])
    assert number_hint(cell) == "a number in the digits 0 to 9 is wanted"


def test_numbers_are_read_to_the_last_digit():
    rng = np.random.default_rng(1)
    exact = rng.normal(size=2000) * 10.0 ** rng.integers(-99, 99, 2000)
    np.testing.assert_array_equal(read_numbers([repr(float(x)) for x in exact], comma=False).values, exact)


def test_parquet_gives_what_csv_gives(tmp_path):
    frame = pd.DataFrame(
        {
            "id": ["007", "8", "9"],
            "whole": [1, 2, 3],
            "holes": [1.5, np.nan, 2.0],
            "flag": [True, False, True],
            "cat": pd.Categorical(["a", None, "b"]),
            "words": ["1.5", "", "x"],
        }
    )
    frame.to_parquet(tmp_path / "t.parquet")
    findings = Findings()
    table = read_table(tmp_path / "t.parquet", "t.parquet", findings)
    assert not findings.kinds
    assert table.columns == tuple(frame.columns)
    assert table.text("id") == ["007", "8", "9"]
    assert table.text("whole") == ["1", "2", "3"]
    assert table.text("holes") == ["1.5", "", "2"]
    assert table.text("cat") == ["a", "", "b"]
    np.testing.assert_array_equal(table.numbers("holes").values, frame["holes"])
    np.testing.assert_array_equal(table.numbers("flag").values, [1, 0, 1])
    assert table.numbers("words").not_numbers == [2]


def test_large_whole_ids_in_parquet_keep_every_digit(tmp_path):
    pq.write_table(pa.table({"id": [2**60 + 1, 2**60 + 2]}), tmp_path / "t.parquet")
    table = read_table(tmp_path / "t.parquet", "t.parquet", Findings())
    assert table.text("id") == [str(2**60 + 1), str(2**60 + 2)]


def test_broken_parquet(tmp_path):
    pd.DataFrame({"id": ["a", "b"], "x": [1.0, np.inf]}).to_parquet(tmp_path / "good.parquet")
    whole = (tmp_path / "good.parquet").read_bytes()
    for name, content in {
        "cut": whole[: len(whole) // 2],
        "junk": b"PAR1" + b"\xff" * 100 + b"PAR1",
        "csv": b"id,x\n1,2\n",
    }.items():
        table, said = opened(tmp_path, content, f"{name}.parquet")
        assert table is None
        assert "a Parquet file is wanted, this is none or is damaged" in said[0]
    table, said = opened(tmp_path, b"", "empty.parquet")
    assert table is None
    assert "an empty file" in said[0]
    findings = Findings()
    table = read_table(tmp_path / "good.parquet", "good.parquet", findings)
    report_numbers(table.numbers("x"), table, "x", "features", findings)
    assert [p.sentence() for p in findings.errors()] == [
        "good.parquet, row 2, column 'x': found 'inf'; a finite number is wanted, of at most 1e+100"
    ]


def test_parquet_with_text_that_is_no_utf8_or_dates_out_of_range(tmp_path):
    pd.DataFrame({"id": ["abcdef", "b"]}).to_parquet(tmp_path / "t.parquet", compression=None)
    whole = (tmp_path / "t.parquet").read_bytes()
    table, said = opened(tmp_path, whole.replace(b"abcdef", b"abc\x80ef", 1), "t.parquet")
    assert table is None
    assert "Invalid UTF8 sequence" in said[0]
    far = pa.array([2**62, 5], pa.timestamp("us"))  # the year 148108
    pq.write_table(pa.table({"id": ["a", "b"], "day": far}), tmp_path / "far.parquet")
    table, said = opened(tmp_path, (tmp_path / "far.parquet").read_bytes(), "far.parquet")
    assert table is None
    assert "this is none or is damaged" in said[0]
    pq.write_table(
        pa.table({"id": ["a", "b"], "day": pa.array([0, 86400], pa.timestamp("s"))}), tmp_path / "day.parquet"
    )
    table, said = opened(tmp_path, (tmp_path / "day.parquet").read_bytes(), "day.parquet")
    assert said == []
    assert table.numbers("day").not_numbers == [0, 1]


def test_duplicate_columns_and_no_rows_in_parquet(tmp_path):
    pq.write_table(pa.table([[1], [2]], names=["x", "x"]), tmp_path / "twice.parquet")
    pq.write_table(pa.table({"x": pa.array([], pa.float64())}), tmp_path / "none.parquet")
    findings = Findings()
    assert read_table(tmp_path / "twice.parquet", "twice.parquet", findings) is None
    assert read_table(tmp_path / "none.parquet", "none.parquet", findings) is None
    said = [problem.sentence() for problem in findings.errors()]
    assert "each column needs its own name" in said[0]
    assert "a row or more is wanted" in said[1]


def test_a_long_list_is_cut_but_counted_and_spread_over_columns(tmp_path):
    lines = "\n".join(f"{row},{'bad' if row else 0},{'bad' if row < 5 else row}" for row in range(100))
    table, _ = opened(tmp_path, f"id,x,y\n{lines}\n")
    findings = Findings()
    for column in ("x", "y"):
        report_numbers(table.numbers(column), table, column, "features", findings)
    said = findings.errors()
    assert len(said) == 21
    assert sum(problem.column == "y" for problem in said) == 5
    assert said[-1].wanted == "and 84 more of this kind (not a number)"


@pytest.mark.parametrize(
    ("values", "place"),
    [
        ([*range(40, 60), 605], 20),
        ([-1e90, *range(20)], 0),
        ([*range(20), 100], None),
        ([5.0] * 20 + [1e6], None),
        ([1, 2, 1000], None),
        (np.random.default_rng(1).lognormal(0, 1, 500), None),
    ],
)
def test_a_value_far_off_all_others_is_found(values, place):
    found = far_off(np.array(values, dtype=float))
    assert (None if found is None else found[0]) == place
