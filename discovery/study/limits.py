"""Values known only to lie beyond a limit of the device: cells such as `<0.5` and `>60`."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from discovery.study.numbers import as_number, read_numbers
from discovery.study.source import Source
from discovery.study.tables import report_numbers

BEYOND = re.compile(r"\s*([<>≤≥])\s*=?\s*(\S.*?)\s*")


@dataclass(frozen=True, kw_only=True)
class Limits:
    """Tables of patients by features in raw units, NaN where a value is known or nothing is.

    below : the value is at most this (`<0.5`); above : the value is at least this (`>60`).
    """

    below: pd.DataFrame
    above: pd.DataFrame


@dataclass(frozen=True, kw_only=True)
class LimitedColumn:
    """A column (n,) with its limits; a cell beyond a limit is NaN in `values`."""

    values: np.ndarray
    below: np.ndarray
    above: np.ndarray


def limit_in(cell: str, *, comma: bool) -> tuple[str, float] | None:
    """The sign and the number of a cell such as `<0.5`; None of any other."""
    found = BEYOND.fullmatch(cell)
    limit = as_number(found[2], comma=comma) if found else None
    return (found[1], limit) if found and limit is not None and np.isfinite(limit) else None


def read_limited(source: Source, column: str) -> LimitedColumn:
    """The numbers of a column in which cells may say that the value lies beyond a limit.

    `<0.5`, `<=0.5`, `≤ 0.5`, `>60`, `>= 60` and `≥60` are such cells, with the decimal mark of the table;
    whatever else is no number is noted as a fault.
    """
    cells = source.table.text(column)
    comma = source.table.comma
    below, above = np.full(len(cells), np.nan), np.full(len(cells), np.nan)
    plain = list(cells)
    for position, cell in enumerate(cells):
        found = limit_in(cell, comma=comma)
        if found is not None:
            (below if found[0] in "<≤" else above)[position] = found[1]
            plain[position] = ""
    numbers = read_numbers(plain, comma=comma, missing=source.missing)
    report_numbers(numbers, source.table, column, source.section, source.findings)
    return LimitedColumn(values=numbers.values, below=below, above=above)


def limits_of(
    columns: dict[str, LimitedColumn], place: np.ndarray, index: pd.Index, kept: pd.Index
) -> Limits | None:
    """The limits of the features `kept`, each patient's from the row `place` of the table (-1: none)."""
    names = [name for name in columns if name in kept]
    tables = [
        pd.DataFrame(
            {name: np.where(place >= 0, getattr(columns[name], side)[place], np.nan) for name in names},
            index=index,
            dtype=np.float64,
        )
        for side in ("below", "above")
    ]
    if not any(table.notna().to_numpy().any() for table in tables):
        return None
    return Limits(below=tables[0], above=tables[1])
