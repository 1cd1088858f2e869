"""How a text table is laid out: separator, decimal mark, header lines, names and units."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass

from discovery.recordings.units import known_unit, split_unit

MISSING = ("", "-", "--", "---", "nan", "na", "n/a", "#n/a", "null", "none", "missing", "?")
CLOCK = re.compile(r"(?:(\d{4}-\d\d-\d\d)[T ])?\d{1,2}:\d\d:\d\d(?:[.,]\d+)?(?:Z|[+-]\d\d:?\d\d)?")
_NUMBER = {
    ".": re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"),
    ",": re.compile(r"[+-]?(?:\d+,?\d*|,\d+)(?:[eE][+-]?\d+)?"),
}
# Separator and decimal mark, the likelier first; None is any run of blanks.
_KINDS: tuple[tuple[str | None, str], ...] = (
    (",", "."),
    (";", ","),
    (";", "."),
    ("\t", "."),
    ("\t", ","),
    ("|", "."),
    ("|", ","),
    (None, "."),
    (None, ","),
)


@dataclass(frozen=True)
class TextLayout:
    """`first_row` lines stand before the data; `names` and `units` have one entry for each column."""

    separator: str | None
    decimal: str
    first_row: int
    names: tuple[str, ...]
    units: tuple[str, ...]
    clock_columns: tuple[int, ...]


def split_line(line: str, separator: str | None) -> list[str]:
    """The fields of one line without outer blanks and quotes."""
    if separator is None:
        return line.split()
    try:
        fields = next(csv.reader([line], delimiter=separator), [])
    except csv.Error:
        fields = line.split(separator)
    return [field.strip() for field in fields]


def read_layout(lines: Sequence[str]) -> TextLayout | None:
    """The layout that explains the most of `lines`, the start of a file; None when none does."""
    best: tuple[tuple[int, int, int], TextLayout] | None = None
    for separator, decimal in _KINDS:
        rows = [split_line(line, separator) for line in lines]
        good = [_is_data(row, decimal) for row in rows]
        start = next(
            (
                i
                for i in range(len(rows))
                if good[i]
                and all(good[j] and len(rows[j]) == len(rows[i]) for j in range(i, min(i + 3, len(rows))))
            ),
            None,
        )
        if start is None:
            continue
        width = len(rows[start])
        fitting = sum(ok and len(row) == width for ok, row in zip(good[start:], rows[start:]))
        names, units = _headings([row for row in rows[:start] if any(row)], width)
        named = int(names is not None)
        clocks = tuple(i for i, field in enumerate(rows[start]) if CLOCK.fullmatch(field))
        layout = TextLayout(
            separator=separator,
            decimal=decimal,
            first_row=start,
            names=names or tuple(str(i + 1) for i in range(width)),
            units=units,
            clock_columns=clocks,
        )
        score = (fitting, named, width)
        if best is None or score > best[0]:
            best = (score, layout)
    return None if best is None else best[1]


def _is_data(row: list[str], decimal: str) -> bool:
    numbers = 0
    for field in row:
        if _NUMBER[decimal].fullmatch(field):
            numbers += 1
        elif field.casefold() not in MISSING and not CLOCK.fullmatch(field):
            return False
    return numbers > 0


def _headings(above: list[list[str]], width: int) -> tuple[tuple[str, ...] | None, tuple[str, ...]]:
    """Names and units from the lines above the data; a last line that holds units alone is theirs."""
    units = [""] * width
    if above and len(above[-1]) == width and any(above[-1]) and all(_is_unit(field) for field in above[-1]):
        units = [field.strip("[]() ") for field in above[-1]]
        above = above[:-1]
    if not above or len(above[-1]) != width:
        return None, tuple(units)
    names = tuple(field or str(i + 1) for i, field in enumerate(above[-1]))
    return names, tuple(unit or split_unit(name)[1] for unit, name in zip(units, names))


def _is_unit(field: str) -> bool:
    text = field.strip("[]() ")
    return text in ("", "s", "ms", "min", "sec") or known_unit(text) is not None
