"""Open a table, CSV or Parquet, and refuse a broken one with file, line, column and what stands there."""

from __future__ import annotations

import csv
import hashlib
import io
import re
import unicodedata
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from discovery.problems import InputError, Problem, shown
from discovery.study.findings import Findings
from discovery.study.numbers import LARGEST, Numbers, number_hint, read_numbers, sentinel
from discovery.study.paths import read_bytes

DELIMITERS = (",", ";", "\t")
LONGEST_CELL = 131_072  # characters; what Python's csv module takes by default
TEXT_ENDINGS = (".csv", ".tsv", ".txt")
PARQUET_ENDINGS = (".parquet", ".pq")
A_TABLE = "a table is wanted: a .csv file (UTF-8) or a .parquet file"


@dataclass
class Table:
    """A table as it stands in its file.

    `rows` gives the line of each row for messages (the header is line 1; in Parquet, which has no
    lines, the number of the row). Columns come out as text (empty is missing) or as numbers.
    """

    file: str
    columns: tuple[str, ...]
    rows: np.ndarray
    sha256: str
    cells: dict[str, Any] = field(repr=False)
    comma: bool = False
    decimal_commas: bool = False
    read: dict[tuple[str, frozenset[str]], Numbers] = field(default_factory=dict, repr=False)

    def __len__(self) -> int:
        return len(self.rows)

    def text(self, column: str) -> list[str]:
        """The cells of a column as text, spaces around them left out, '' where missing."""
        stored = self.cells[column]
        return stored if isinstance(stored, list) else arrow_text(stored)

    def numbers(self, column: str, missing: frozenset[str] = frozenset()) -> Numbers:
        """The cells of a column as numbers, with what is wrong with them."""
        key = (column, missing)
        if key not in self.read:
            stored = self.cells[column]
            numbers = None if isinstance(stored, list) or missing else arrow_numbers(stored)
            self.read[key] = numbers or read_numbers(self.text(column), comma=self.comma, missing=missing)
        return self.read[key]


def read_table(path: Path, name: str, findings: Findings) -> Table | None:
    """The table at `path`, called `name` in messages; None if it is broken, the faults in `findings`."""
    ending, known = path.suffix.casefold(), False
    try:
        with suppress(OSError, ValueError):  # opening it says what is wrong
            known = path.is_dir() or path.exists()
        if known and ending not in TEXT_ENDINGS + PARQUET_ENDINGS:
            hint = "; save the sheet as CSV UTF-8" if ending in {".xlsx", ".xls", ".ods"} else ""
            raise InputError([Problem(file=name, wanted=A_TABLE + hint)])
        content = read_bytes(path, name, wanted=A_TABLE)
        if not content:
            raise InputError([Problem(file=name, found="an empty file", wanted=A_TABLE)])
        before = len(findings.kinds)
        table = (read_parquet if ending in PARQUET_ENDINGS else read_csv)(content, name, findings)
    except InputError as error:
        findings.extend(error.problems)
        return None
    broken = any(severity == "error" for severity, _ in list(findings.kinds)[before:])
    return None if broken and table is None else table


def read_csv(content: bytes, name: str, findings: Findings) -> Table | None:
    """A table from the bytes of a CSV file: UTF-8, comma, semicolon or tab, one header line."""
    text = decode(content, name)
    stated = re.match(r"sep=([,;\t])(?=\r?\n)", text)  # a line that spreadsheets put on top
    if stated:
        text = text[stated.end() :]
    delimiter = stated[1] if stated else find_delimiter(text)
    lines, records = split_records(text, delimiter, name)
    if not records:
        raise InputError([Problem(file=name, found="no text", wanted=A_TABLE)])
    header = [normal_name(cell) for cell in records[0]]
    kept_columns = check_header(header, name, lines[0], findings)
    body, rows = check_records(records[1:], lines[1:], len(header), delimiter, name, findings)
    if kept_columns is None:
        return None
    if not body:
        if not findings.failed:
            found = f"a header of {len(header)} columns"
            findings.error("no rows", name, "at least two rows under the header are wanted", found=found)
        return None
    by_column = list(zip(*body))
    cells = {header[position]: [cell.strip() for cell in by_column[position]] for position in kept_columns}
    return Table(
        file=name,
        columns=tuple(header[position] for position in kept_columns),
        rows=np.array(rows, dtype=np.int64),
        sha256=hashlib.sha256(content).hexdigest(),
        cells=cells,
        comma=delimiter != ",",
        decimal_commas=delimiter != "," and has_decimal_commas(text, delimiter),
    )


def decode(content: bytes, name: str) -> str:
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        wanted = 'UTF-8 is wanted; the file looks like UTF-16: save it again as "CSV UTF-8"'
        raise InputError([Problem(file=name, found="UTF-16", wanted=wanted)])
    if content[:4] in (b"PK\x03\x04", b"PAR1") or content[:2] == b"\x1f\x8b":
        kind = {b"PK": "a spreadsheet or archive", b"PA": "Parquet", b"\x1f\x8b": "a compressed file"}[
            content[:2]
        ]
        wanted = f"text is wanted; the file is {kind} under the name of a CSV"
        raise InputError([Problem(file=name, found=repr(content[:4]), wanted=wanted)])
    if b"\0" in content:
        place = content.index(b"\0")
        half = content[:2000].count(b"\0") * 3 > len(content[:2000])
        hint = '; the file looks like UTF-16: save it again as "CSV UTF-8"' if half else ""
        row = content.count(b"\n", 0, place) + 1
        wanted = f"text without NUL bytes is wanted (byte {place}){hint}"
        raise InputError([Problem(file=name, row=row, found="a NUL byte", wanted=wanted)])
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        start = error.start + (3 if content[:3] == b"\xef\xbb\xbf" else 0)
        row = content.count(b"\n", 0, start) + 1
        begin = max(content.rfind(b"\n", 0, start), content.rfind(b"\r", 0, start), start - 30) + 1
        near = content[begin : start + 30].decode("latin-1").splitlines()
        wanted = (
            f"UTF-8 is wanted; byte {start} is not, the file looks like Latin-1 or Windows-1252: "
            'save it again as "CSV UTF-8"'
        )
        raise InputError(
            [Problem(file=name, row=row, found=near[0] if near else "", wanted=wanted)]
        ) from None


def find_delimiter(text: str) -> str:
    """Comma, semicolon or tab: the one that stands most often in the header outside quotes."""
    header = ""
    for line in io.StringIO(text, newline=None):
        if line.strip():
            header = re.sub(r'"[^"]*"', "", line[:1_000_000])
            break
    counts = {delimiter: header.count(delimiter) for delimiter in DELIMITERS}
    return max(DELIMITERS, key=lambda delimiter: counts[delimiter])


def split_records(text: str, delimiter: str, name: str) -> tuple[list[int], list[list[str]]]:
    """The non-blank records and the line on which each begins."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    lines, records = [], []
    line = 1
    try:
        for record in reader:
            if record and (len(record) > 1 or record[0].strip()):
                lines.append(line)
                records.append(record)
            line = reader.line_num + 1
    except csv.Error as error:
        raise InputError([broken_record(text, line, str(error), delimiter, name)]) from None
    return lines, records


def broken_record(text: str, line: int, message: str, delimiter: str, name: str) -> Problem:
    stands = next((found for row, found in enumerate(io.StringIO(text), start=1) if row == line), "")
    stands = stands.rstrip("\r\n")
    if "field limit" in message:
        longest = max(stands.split(delimiter), key=len)
        found = longest if len(longest) > LONGEST_CELL else text[text.find(stands) :]
        wanted = f"a cell of at most {LONGEST_CELL} characters is wanted; is a quote never closed?"
        header = next(io.StringIO(text), "").rstrip("\r\n").split(delimiter)
        position = stands.split(delimiter).index(longest)
        column = (
            header[position].strip('"') if len(longest) > LONGEST_CELL and position < len(header) else None
        )
        return Problem(file=name, row=line, column=column if line > 1 else None, found=found, wanted=wanted)
    if "unexpected end" in message:
        wanted = "a quote that opens a cell must be closed; none closes the one that opens here"
    elif "expected after" in message:
        wanted = 'a quote inside a quoted cell must be doubled ("")'
    else:
        wanted = f"this row cannot be split into cells ({message})"
    return Problem(file=name, row=line, found=stands, wanted=wanted)


def normal_name(cell: str) -> str:
    """A column name with accents composed and spaces around it left out."""
    return unicodedata.normalize("NFC", cell).strip()


def check_header(header: list[str], name: str, line: int, findings: Findings) -> list[int] | None:
    """Positions of the columns to keep; None when two have the same name."""
    first: dict[str, int] = {}
    repeated = False
    for position, column in enumerate(header):
        if not column:
            wanted = f"column {position + 1} has no name and is not read"
            findings.warn("column without a name", name, wanted, row=line)
        elif column in first:
            repeated = True
            both = f"columns {first[column] + 1} and {position + 1}"
            wanted = f"each column needs its own name; {both} share this one"
            findings.error("repeated column", name, wanted, row=line, found=column)
        else:
            first[column] = position
    if not first:
        findings.error("no header", name, "a header with the names of the columns is wanted", row=line)
    return list(first.values()) if first and not repeated else None


def check_records(
    records: list[list[str]], lines: list[int], width: int, delimiter: str, name: str, findings: Findings
) -> tuple[list[list[str]], list[int]]:
    """The rows with the right number of cells; others are faults, rows without any value are left out."""
    body, rows, blank = [], [], []
    for record, line in zip(records, lines):
        if len(record) == width and any(record):
            body.append(record)
            rows.append(line)
        elif not any(cell.strip() for cell in record):
            blank.append(line)
        else:
            comma = delimiter == "," and len(record) > width
            hint = "; a cell with a comma must stand in quotes" if comma else ""
            span = sum(cell.count("\n") for cell in record)
            if span:
                hint = f"; it runs over {span + 1} lines: is a quote never closed?"
            found = delimiter.join(record)
            wanted = f"{width} cells as in the header are wanted, here are {len(record)}{hint}"
            findings.error("ragged row", name, wanted, row=line, found=found)
    if blank:
        wanted = f"rows without any value are not read ({len(blank)} in all)"
        findings.warn("blank row", name, wanted, row=blank[0])
    return body, rows


def has_decimal_commas(text: str, delimiter: str) -> bool:
    edge = re.escape(delimiter)
    return re.search(rf'(?:^|[\n\r{edge}"])\s*[+-]?\d+,\d+\s*(?:$|[\n\r{edge}"])', text) is not None


def read_parquet(content: bytes, name: str, findings: Findings) -> Table | None:
    """A table from the bytes of a Parquet file."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        stored = pq.ParquetFile(pa.BufferReader(content)).read(use_threads=False)
    except (pa.ArrowException, OSError, ValueError, KeyError, MemoryError) as error:
        first = (str(error).splitlines() or [""])[0][:200]
        wanted = f"a Parquet file is wanted, this is none or is damaged ({first})"
        raise InputError([Problem(file=name, found=f"{len(content)} bytes", wanted=wanted)]) from None
    header = [normal_name(column) for column in stored.column_names]
    kept_columns = check_header(header, name, 1, findings)
    if kept_columns is None:
        return None
    if not stored.num_rows:
        findings.error(
            "no rows", name, "at least two rows are wanted", found=f"{len(header)} columns and no row"
        )
        return None
    cells = {}
    for position in kept_columns:
        column = stored.column(position)
        if pa.types.is_dictionary(column.type):
            column = column.cast(column.type.value_type)
        textual = pa.types.is_string(column.type) or pa.types.is_large_string(column.type)
        cells[header[position]] = arrow_text(column) if textual else column
    for column_name, column in cells.items():
        long = (
            [row for row, cell in enumerate(column) if len(cell) > LONGEST_CELL]
            if isinstance(column, list)
            else []
        )
        if long:
            wanted = f"a cell of at most {LONGEST_CELL} characters is wanted"
            findings.error_cells(
                "long cell",
                name,
                wanted,
                column_name,
                [row + 1 for row in long],
                [shown(column[row]) for row in long],
            )
    return Table(
        file=name,
        columns=tuple(cells),
        rows=np.arange(1, stored.num_rows + 1),
        sha256=hashlib.sha256(content).hexdigest(),
        cells=cells,
    )


def arrow_text(column: Any) -> list[str]:
    return [plain_text(value) for value in column.to_pylist()]


def plain_text(value: object) -> str:
    """A stored value as the text a person would write: whole numbers without a point."""
    if value is None:
        return ""
    if isinstance(value, str):
        return value.strip()
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        if np.isnan(value):
            return ""
        return str(int(value)) if value.is_integer() and abs(value) < 2**53 else repr(value)
    if isinstance(value, bytes):
        return value.decode("utf-8", errors="replace")
    return str(value)


def arrow_numbers(column: Any) -> Numbers | None:
    """A column stored as numbers or truth values; None for any other."""
    import pyarrow as pa

    kind = column.type
    if pa.types.is_null(kind):
        return Numbers(values=np.full(len(column), np.nan), filled=0)
    if pa.types.is_boolean(kind):
        column = column.cast(pa.int8())
    elif not (pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)):
        return None
    values = np.asarray(column.cast(pa.float64(), safe=False).to_numpy(), dtype=np.float64)
    infinite = np.flatnonzero(np.abs(values) > LARGEST)
    filled = int((~np.isnan(values)).sum())
    if infinite.size:
        values = np.where(np.abs(values) > LARGEST, np.nan, values)
    return Numbers(values=values, filled=filled, infinite=infinite.tolist())


def report_numbers(
    numbers: Numbers, table: Table, column: str, section: str, findings: Findings, *, also: Iterable[str] = ()
) -> None:
    """Note every cell of a numeric column that is no usable number; `also` are codes it may hold beside."""
    cells = table.text(column) if numbers.not_numbers or numbers.infinite or numbers.codes else []
    rows = table.rows
    allowed = set(also)
    hints: dict[str, list[int]] = {}
    for position in numbers.not_numbers:
        if cells[position] not in allowed:
            hints.setdefault(number_hint(cells[position]), []).append(position)
    for hint, positions in hints.items():
        findings.error_cells(
            "not a number",
            table.file,
            hint,
            column,
            rows[positions],
            [cells[position] for position in positions],
        )
    findings.error_cells(
        "infinite",
        table.file,
        f"a finite number is wanted, of at most {LARGEST:g}",
        column,
        rows[numbers.infinite],
        [cells[position] for position in numbers.infinite],
    )
    by_code: dict[str, list[int]] = {}
    for position in numbers.codes:
        by_code.setdefault(cells[position], []).append(position)
    for code, positions in by_code.items():
        wanted = (
            f"only an empty cell is missing: empty the cell ({len(positions)} like it in this column), "
            f'or state missing = ["{code}"] under [{section}]'
        )
        findings.error(
            "code for missing", table.file, wanted, found=code, row=int(rows[positions[0]]), column=column
        )
    if numbers.commas and numbers.points:
        few = min(numbers.commas, numbers.points, key=len)
        findings.error(
            "mixed decimal marks",
            table.file,
            "one decimal mark in a column is wanted, here are commas and points",
            found=table.text(column)[few[0]],
            row=int(rows[few[0]]),
            column=column,
        )
    elif table.decimal_commas and numbers.thousands:
        findings.error(
            "point or thousands",
            table.file,
            "this may be thousands or decimals, as other columns have decimal commas; "
            "write it without separators, or with a comma",
            found=table.text(column)[numbers.points[0]],
            row=int(rows[numbers.points[0]]),
            column=column,
        )
    lone = sentinel(numbers.values)
    if lone is not None:
        code_value, count = lone
        first = int(np.flatnonzero(numbers.values == code_value)[0])
        findings.warn(
            "looks like a code",
            table.file,
            f"this stands {count} time{'s' if count > 1 else ''}, far off all other values: "
            f"if it means not known, state missing = [{code_value:g}] under [{section}]",
            found=f"{code_value:g}",
            row=int(rows[first]),
            column=column,
        )
