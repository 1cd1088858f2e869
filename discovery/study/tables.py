"""A table as it stands in its file: columns as text or numbers, and the words for cells that are neither."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from discovery.study.findings import Findings
from discovery.study.numbers import LARGEST, Numbers, far_off, number_hint, read_numbers, sentinel
from discovery.study.stored_text import arrow_text

LONGEST_CELL = 131_072  # characters; what Python's csv module takes by default
A_TABLE = "a table is wanted: a .csv file (UTF-8) or a .parquet file"


@dataclass
class Table:
    """A table as it stands in its file.

    `rows` gives the line of each row for messages (the header is line 1; in Parquet, which has no
    lines, the number of the row). `cells` holds columns as text, '' where missing; `stored` those
    that the file keeps as numbers. `comma` is whether a decimal comma is understood,
    `decimal_commas` whether some stand in the file.
    """

    file: str
    columns: tuple[str, ...]
    rows: np.ndarray
    sha256: str
    cells: dict[str, list[str]] = field(repr=False)
    stored: dict[str, Any] = field(default_factory=dict, repr=False)
    comma: bool = False
    decimal_commas: bool = False
    read: dict[tuple[str, frozenset[str]], Numbers] = field(default_factory=dict, repr=False)

    def __len__(self) -> int:
        return len(self.rows)

    def text(self, column: str) -> list[str]:
        """The cells of a column as text, spaces around them left out, '' where missing."""
        if column not in self.cells:
            self.cells[column] = arrow_text(self.stored[column])
        return self.cells[column]

    def numbers(self, column: str, missing: frozenset[str] = frozenset()) -> Numbers:
        """The cells of a column as numbers, with what is wrong with them; `missing` are codes for missing."""
        key = (column, missing)
        if key not in self.read:
            self.read[key] = read_numbers(self.text(column), comma=self.comma, missing=missing)
        return self.read[key]


def normal_name(cell: str) -> str:
    """A column name with accents composed and spaces around it left out."""
    return unicodedata.normalize("NFC", cell).strip()


def holds_row_numbers(column: str) -> bool:
    """Whether a column has the name that pandas stores for row labels without a name."""
    return re.fullmatch(r"__index_level_\d+__|Unnamed: \d+", column) is not None


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


def _report_text(
    numbers: Numbers, table: Table, column: str, most: tuple[str, list[int]], findings: Findings
) -> None:
    """Note a column without a single number; `most` : a hint, and the positions of the cells it is for."""
    hint, positions = most
    cells, whole = table.text(column), numbers.filled == len(table.rows)
    where = f"all {numbers.filled} rows" + ("" if whole else " with a value")
    findings.error(
        "no numbers",
        table.file,
        f"{hint}; here is text in {where}",
        found=cells[positions[0]],
        row=int(table.rows[positions[0]]),
        column=column,
    )


def report_numbers(
    numbers: Numbers, table: Table, column: str, section: str, findings: Findings, *, also: Iterable[str] = ()
) -> None:
    """Note every cell of a numeric column that is no usable number, once for all where none is a number;
    `also` are codes it may hold beside."""
    cells = table.text(column) if numbers.not_numbers or numbers.infinite or numbers.codes else []
    rows = table.rows
    allowed = set(also)
    hints: dict[str, list[int]] = {}
    for position in numbers.not_numbers:
        if cells[position] not in allowed:
            hints.setdefault(number_hint(cells[position]), []).append(position)
    if hints and numbers.filled > 1 and len(numbers.not_numbers) + len(numbers.codes) == numbers.filled:
        _report_text(numbers, table, column, max(hints.items(), key=lambda item: len(item[1])), findings)
        return
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
    if numbers.written_missing:
        first = numbers.written_missing[0]
        wanted = f"this is read as missing ({len(numbers.written_missing)} like it in this column)"
        found, row = table.text(column)[first], int(rows[first])
        findings.warn("read as missing", table.file, wanted, found=found, row=row, column=column)
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
    elif (far := far_off(numbers.values)) is not None:
        place, low, high = far
        wanted = f"all other values lie between {low:g} and {high:g}; is this one a slip?"
        found = table.text(column)[place]
        findings.warn("far off", table.file, wanted, found=found, row=int(rows[place]), column=column)
