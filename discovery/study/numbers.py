"""Cells of a table as numbers: what is one, what is missing, what only looks like either."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

# Codes that people write for "not known"; beside an empty cell, the study file says which mean missing.
MISSING_CODES = frozenset(
    code
    for line in (
        "na n/a n.a. n.a nan nat <na> null none nil - -- --- . .. ... ? ?? ??? missing unknown nd n.d. k.a.",
        "k.a s/d #n/a #na #value! #div/0! #ref! #name? #num! #null!",
    )
    for code in line.split()
)
# What statistical programs write for a missing number: read as missing in a numeric column, with a warning.
MISSING_NUMBERS = frozenset({"na", "nan", "<na>", "n/a", "#n/a"})
# Of the codes, the ones that cannot be meant as a label.
NEVER_LABELS = MISSING_CODES - frozenset({"unknown", "none", "missing", "nil", "-"})
A_NUMBER, A_DATE = "a number is wanted", "a number is wanted, this looks like a date"
MOSTLY = 0.8
FEWEST_TO_DOUBT, FAR_OFF = 10, 10
SENTINELS = (-9, -99, -999, -9999, -99999, 999, 9999, 99999)

LARGEST = 1e100  # beyond it squares overflow; no measurement is so large
SMALLEST_SPREAD = 1e-12  # of the largest value; less is rounding, not variation

COMMA_NUMBER = re.compile(r"[+-]?\d*,\d+(?:[eE][+-]?\d+)?")
POINT_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(?:\.\d{3})+")
TRUTH = {"true": 1.0, "false": 0.0}


@dataclass(frozen=True)
class Numbers:
    """A column read as numbers: `values` (n,) with NaN where missing or faulty, and positions of faults."""

    values: np.ndarray
    filled: int
    not_numbers: list[int] = field(default_factory=list)
    infinite: list[int] = field(default_factory=list)  # or too large to compute with
    codes: list[int] = field(default_factory=list)  # cells that may be a code for "missing"
    commas: list[int] = field(default_factory=list)  # read with a decimal comma
    points: list[int] = field(default_factory=list)  # written with a decimal point
    thousands: bool = False  # every point may separate thousands
    written_missing: list[int] = field(default_factory=list)  # cells such as NA, read as missing

    @property
    def numeric(self) -> bool:
        """At least half of what stands there, codes aside, is a number (or nothing stands there)."""
        judged = self.filled - len(self.codes)
        return 2 * len(self.not_numbers) <= judged if judged else True


def read_numbers(cells: Sequence[str], *, comma: bool, missing: frozenset[str] = frozenset()) -> Numbers:
    """Parse the text `cells` of one column; a decimal comma is understood when `comma` is true."""
    stated = [number for number in (as_number(code, comma=False) for code in missing) if number is not None]
    if missing:
        cells = ["" if cell in missing else cell for cell in cells]
    try:
        values = np.array([float(cell) if cell else np.nan for cell in cells], dtype=np.float64)
        odd = np.flatnonzero(~(np.abs(values) <= LARGEST))
        plain = "".join(cells)
        if all(not cells[position] for position in odd.tolist()) and plain.isascii() and "_" not in plain:
            values[np.isin(values, stated)] = np.nan
            filled = int(np.isfinite(values).sum())
            points = [position for position, cell in enumerate(cells) if "." in cell] if comma else []
            thousands = bool(points) and all(
                POINT_THOUSANDS.fullmatch(cells[position]) for position in points
            )
            return Numbers(values=values, filled=filled, points=points, thousands=thousands)
    except ValueError:
        pass
    return read_cell_by_cell(cells, comma=comma, stated=stated)


def read_cell_by_cell(cells: Sequence[str], *, comma: bool, stated: list[float]) -> Numbers:
    """The same, saying of each cell what it is; numbers among `stated` mean missing."""
    values = np.full(len(cells), np.nan)
    not_numbers: list[int] = []
    infinite: list[int] = []
    codes: list[int] = []
    commas: list[int] = []
    points: list[int] = []
    truths: list[int] = []
    written_missing: list[int] = []
    filled = 0
    for position, raw in enumerate(cells):
        cell = raw.strip()
        if not cell:
            continue
        number = as_number(cell, comma=comma)
        if number in stated:
            continue
        if cell.casefold() in MISSING_NUMBERS:
            written_missing.append(position)
            continue
        filled += 1
        if cell.casefold() in MISSING_CODES:
            codes.append(position)
        elif number is None:
            (truths if cell.casefold() in TRUTH else not_numbers).append(position)
        elif abs(number) > LARGEST:
            infinite.append(position)
        else:
            values[position] = number
            if "," in cell:
                commas.append(position)
            elif "." in cell:
                points.append(position)
    if truths and len(truths) + len(codes) == filled:
        for position in truths:
            values[position] = TRUTH[cells[position].strip().casefold()]
    else:
        not_numbers = sorted(not_numbers + truths)
    thousands = bool(points) and all(
        POINT_THOUSANDS.fullmatch(cells[position].strip()) for position in points
    )
    return Numbers(values, filled, not_numbers, infinite, codes, commas, points, thousands, written_missing)


def too_small(values: np.ndarray) -> np.ndarray:
    """Which values (n,) above 0 are too near it to compute with."""
    return (values > 0) & (values < 1 / LARGEST)


def as_number(cell: str, *, comma: bool) -> float | None:
    """The number that `cell` is, infinite ones too; None for anything else, digits of other scripts too."""
    if "_" in cell or not cell.strip().isascii():
        return None
    if "," in cell:
        if not comma or not COMMA_NUMBER.fullmatch(cell):
            return None
        cell = cell.replace(",", ".")
    try:
        number = float(cell)
    except ValueError:
        return None
    return None if np.isnan(number) else number


def varies(values: np.ndarray) -> bool:
    """Whether the known `values` (n,) differ by more than rounding."""
    known = values[np.isfinite(values)]
    if known.size < 2:
        return False
    spread = known.max() - known.min()
    return bool(spread > SMALLEST_SPREAD * np.abs(known).max() and spread > 1 / LARGEST)


def same_value(known: int, patients: int) -> str:
    """Why a column that does not vary tells nothing; `known` of the patients have a value."""
    if known == patients:
        return "every patient has the same value"
    return "one patient alone has a value" if known == 1 else "all patients with a value have the same one"


def written_otherwise(cells: Sequence[str]) -> tuple[int, str] | None:
    """The first of the `cells` that is a number but for how it is written, and how to mend it.

    None unless four fifths of the filled ones are; dates are no numbers. The first thousand cells tell.
    """
    hints = [number_hint(cell) if cell.strip() else "" for cell in cells[:1000]]
    known = [hint for hint in hints if hint]
    such = [hint for hint in known if hint not in (A_NUMBER, A_DATE)]
    if not such or len(such) < MOSTLY * len(known):
        return None
    return hints.index(such[0]), such[0]


def number_hint(cell: str) -> str:
    """How to mend a cell that is no number."""
    cell = cell.strip()
    if not cell.isascii() and any(mark.isdecimal() and not mark.isascii() for mark in cell):
        return "a number in the digits 0 to 9 is wanted"
    if re.match(r"[<>≤≥]", cell):
        return (
            "a number is wanted; if the value lies beyond a limit of the device, name the column in "
            "beyond_limit under [features]"
        )
    if re.fullmatch(r"[+-]?\d{1,3},\d{3}", cell):
        return "a number without separators between thousands, and with a decimal point, is wanted"
    if re.fullmatch(r"[+-]?\d{1,3}([., '\u00a0\u202f]\d{3})+([.,]\d+)?", cell):
        return "a number without separators between thousands is wanted"
    if re.fullmatch(r"[+-]?\d+,\d+", cell):
        return "a number with a decimal point is wanted, or semicolons between the cells"
    if re.fullmatch(r"\d{1,4}[-./]\d{1,2}[-./]\d{1,4}([ T].*)?", cell):
        return A_DATE
    if re.match(r"[+-]?\d[\d.,]*\s*[^\d\s.,]", cell):
        return "a number alone is wanted, without unit or remark"
    if re.match(r"[−–—]\s*\d", cell):
        return "a number is wanted; the sign must be a plain hyphen (-)"
    return A_NUMBER


def far_off(values: np.ndarray) -> tuple[int, float, float] | None:
    """The one value that lies ten times the range of all others away from them: its position, their range.

    None with fewer than ten values, and where the others do not vary.
    """
    known = np.flatnonzero(np.isfinite(values))
    if known.size < FEWEST_TO_DOUBT:
        return None
    order = known[np.argsort(values[known], kind="stable")]
    for one, rest in ((order[-1], order[:-1]), (order[0], order[1:])):
        low, high = float(values[rest[0]]), float(values[rest[-1]])
        gap = values[one] - high if one == order[-1] else low - values[one]
        if 0 < high - low < gap / FAR_OFF:
            return int(one), low, high
    return None


def sentinel(values: np.ndarray) -> tuple[float, int] | None:
    """A value such as 999 or -9 that stands far off all others, and how often; None when there is none."""
    known = values[np.isfinite(values)]
    for code in SENTINELS:
        hit = known == code
        count = int(hit.sum())
        rest = known[~hit]
        if not count or rest.size < 3:
            continue
        low, high = rest.min(), rest.max()
        gap = code - high if code > high else low - code if code < low else 0.0
        if gap > max(high - low, 0.0) and (code < 0 <= low or gap > 2 * max(abs(low), abs(high))):
            return float(code), count
    return None
