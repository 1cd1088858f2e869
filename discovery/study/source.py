"""One input table with its rules: which columns it has, which cells are missing, where faults go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.problems import shown
from discovery.study.findings import Findings
from discovery.study.numbers import NEVER_LABELS, Numbers, as_number, written_otherwise
from discovery.study.settings import Code, Codes
from discovery.study.tables import Table, report_numbers
from discovery.study.vocabulary import nearest_column

TRUTH_NUMBERS = {"true": 1.0, "false": 0.0}


@dataclass(frozen=True)
class Source:
    """A table, the section of the study file that names it, and the codes that mean missing in it."""

    table: Table
    section: str
    missing: frozenset[str]
    findings: Findings

    @property
    def file(self) -> str:
        return self.table.file

    def require(self, column: str, key: str) -> bool:
        """Whether the column is there; a fault is noted if not, `key` being the key that names it."""
        if column in self.table.columns:
            return True
        wanted = f"there is no such column, which {key} names; {nearest_column(column, self.table.columns)}"
        self.findings.error("no such column", self.file, wanted, column=column)
        return False

    def labels(self, column: str) -> list[str]:
        """The cells as text, '' where missing by an empty cell or a stated code."""
        cells = self.table.text(column)
        if not self.missing:
            return cells
        return ["" if cell in self.missing else cell for cell in cells]

    def numbers(self, column: str) -> Numbers:
        """The cells as numbers, nothing noted."""
        return self.table.numbers(column, self.missing)

    def require_numbers(self, column: str) -> np.ndarray:
        """The cells as numbers (n,), NaN where missing; every other cell is noted as a fault."""
        numbers = self.numbers(column)
        report_numbers(numbers, self.table, column, self.section, self.findings)
        return numbers.values

    def row(self, position: int | np.integer) -> int:
        """The line in the file of the row at `position`."""
        return int(self.table.rows[position])

    def error_rows(
        self, kind: str, wanted: str, column: str, positions: np.ndarray, cells: list[str] | None = None
    ) -> None:
        """Note the same fault of several cells of a column."""
        if len(positions):
            stand = cells if cells is not None else self.table.text(column)
            rows = self.table.rows[positions]
            self.findings.error_cells(
                kind, self.file, wanted, column, rows, [stand[position] for position in positions]
            )

    def doubt_labels(self, column: str, cells: list[str], positions: list[int] | None = None) -> None:
        """Warn of labels that look like a code for missing, or differ from another only in case or spaces.

        `positions` are the rows of the `cells` where a row has several.
        """
        places = first_places(cells)
        if positions is not None:
            places = {label: positions[place] for label, place in places.items()}
        for label in places:
            if label.casefold() in NEVER_LABELS:
                count = cells.count(label)
                wanted = (
                    f"this is read as a label of its own ({count} in all); "
                    f"if it means not known, empty the cell or "
                    f'state missing = ["{label}"] under [{self.section}]'
                )
                self.findings.warn(
                    "looks like a code",
                    self.file,
                    wanted,
                    found=label,
                    row=self.row(places[label]),
                    column=column,
                )
        alike: dict[str, str] = {}
        for label in places:
            plain = "".join(label.casefold().split())
            if plain in alike:
                wanted = (
                    f"this is read as another label than {shown(alike[plain])}; only case or spaces differ"
                )
                self.findings.warn(
                    "labels alike", self.file, wanted, found=label, row=self.row(places[label]), column=column
                )
            else:
                alike[plain] = label


def doubt_writing(source: Source, column: str, so: str) -> bool:
    """Warn of a column of numbers that are written otherwise; `so` says what follows. Whether it is one."""
    cells = source.labels(column)
    found = written_otherwise(cells)
    if found is not None:
        position, hint = found
        wanted = f"{hint}; the column is read as text: {so}"
        row = source.row(position)
        source.findings.warn(
            "numbers as text", source.file, wanted, found=cells[position], row=row, column=column
        )
    return found is not None


def first_places(cells: list[str]) -> dict[str, int]:
    """Each label that is not empty, with the position at which it first stands."""
    places: dict[str, int] = {}
    for position, cell in enumerate(cells):
        if cell and cell not in places:
            places[cell] = position
    return places


def code_text(code: Code) -> str:
    """A code of the study file as it would stand in a cell: true, 7, 1.5, text."""
    if isinstance(code, bool):
        return "true" if code else "false"
    if isinstance(code, float) and code.is_integer() and abs(code) < 2**53:
        return str(int(code))
    return str(code)


def missing_codes(codes: Codes) -> frozenset[str]:
    return frozenset(code_text(code).strip() for code in codes) - {""}


def canonical(cell: str, *, comma: bool = False) -> str | float:
    """What a cell or code is compared by: a number if it is one (true 1, false 0), else its text."""
    truth = TRUTH_NUMBERS.get(cell.casefold())
    if truth is not None:
        return truth
    number = as_number(cell, comma=comma)
    return cell if number is None else number


def coded(cells: list[str], groups: list[Codes], *, comma: bool) -> tuple[np.ndarray, np.ndarray]:
    """Which group of codes each cell is in, (n,) with NaN for none; and filled cells in none."""
    known: dict[str | float, int] = {}
    for position, codes in enumerate(groups):
        for code in codes:
            known.setdefault(canonical(code_text(code)), position)
    of_cell = {cell: known.get(canonical(cell, comma=comma), -1) for cell in set(cells) if cell}
    group = np.array([of_cell[cell] if cell else -2 for cell in cells], dtype=np.int64)
    return np.where(group >= 0, group, np.nan).astype(np.float64), np.flatnonzero(group == -1)
