"""index.csv: which file in the recordings folder belongs to which patient and visit."""

from __future__ import annotations

import csv
import datetime
import io
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from discovery.problems import InputError, Problem, nearest
from discovery.recordings.reader import sane_rate

INDEX_NAME = "index.csv"
REQUIRED = ("file", "patient_id")
OPTIONAL = ("visit", "start", "rate_hz")
MOST_BYTES = 256 * 2**20


@dataclass(frozen=True)
class IndexRow:
    """One recording: `path` lies inside the folder and exists; `started` is ISO text, `start_s` seconds.

    At most one of `started` and `start_s` is given; `row` is the line of index.csv.
    """

    row: int
    file: str
    path: Path
    patient_id: str
    visit: int | None = None
    started: str | None = None
    start_s: float | None = None
    rate_hz: float | None = None


@dataclass(frozen=True)
class Index:
    """The usable rows in the order of the file; `problems` lists (as warnings) what was left out."""

    folder: Path
    rows: tuple[IndexRow, ...]
    problems: tuple[Problem, ...]


def read_index(folder: Path | str, index: str = INDEX_NAME) -> Index:
    """Read the table `index` in `folder`: columns file, patient_id and perhaps visit, start, rate_hz.

    A recording that does not exist is a warning and is left out. Everything else is an error, and
    `InputError` holds all of them: no index, missing or doubled columns, empty cells, a visit that is no
    whole number from 1, a start that is neither ISO time nor seconds, a rate that is none, a file
    named twice, and a path that leads out of the folder.
    """
    folder = Path(folder)
    header, lines = _table(folder, index)
    problems: list[Problem] = []
    rows: list[IndexRow] = []
    seen: dict[Path, int] = {}
    for number, cells in lines:
        if not any(cells):
            continue
        found, faults = _row(folder, header, number, cells)
        if found is not None:
            key = found.path.resolve()
            if key in seen:
                faults.append(
                    _fault(
                        number,
                        "file",
                        found.file,
                        f"each file once is wanted (it stands in row {seen[key]} already)",
                    )
                )
            seen.setdefault(key, number)
            rows.append(found)
        problems += [replace(fault, file=index) for fault in faults]
    if any(problem.severity == "error" for problem in problems):
        raise InputError(problems)
    if not rows:
        wanted = "at least one recording that exists is wanted"
        raise InputError([*problems, Problem(file=index, found="none", wanted=wanted)])
    return Index(folder, tuple(rows), tuple(problems))


def _fault(row: int, column: str, found: str, wanted: str, severity: str = "error") -> Problem:
    return Problem(file=INDEX_NAME, row=row, column=column, found=found, wanted=wanted, severity=severity)


def _table(folder: Path, index: str) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """Column names and the numbered lines of the index. Raises `InputError` when it is no such table."""

    def refuse(wanted: str, found: str = "") -> InputError:
        return InputError([Problem(file=index, found=found, wanted=wanted)])

    path = folder / index
    if not folder.is_dir():
        raise InputError(
            [Problem(file=folder.name, found="no such folder", wanted="the folder of recordings is wanted")]
        )
    if not path.is_file():
        raise refuse(
            f"an index with columns {', '.join(REQUIRED)} in {folder.name}/ is wanted", "no such file"
        )
    try:
        if path.stat().st_size > MOST_BYTES:
            raise refuse("an index below 256 MB is wanted")
        raw = path.read_bytes()
    except OSError as err:
        raise refuse("an index that can be read is wanted", err.strerror or str(err)) from None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise refuse("UTF-8 text is wanted", "another encoding") from None
    if "\0" in text:
        raise refuse("a text table is wanted", "binary data")
    first = text.split("\n", 1)[0]
    separator = ";" if first.count(";") > first.count(",") else ","
    lines: list[tuple[int, list[str]]] = []
    reader = csv.reader(io.StringIO(text), delimiter=separator)
    try:
        for cells in reader:
            lines.append((reader.line_num, [cell.strip() for cell in cells]))
    except csv.Error as err:
        raise refuse("a table with closed quotes is wanted", str(err)) from None
    if not lines or not any(lines[0][1]):
        raise refuse(f"a header with columns {', '.join(REQUIRED)} is wanted", "an empty file")
    header = lines[0][1]
    known = (*REQUIRED, *OPTIONAL)
    problems = [
        Problem(file=index, row=1, column=name, wanted=f"this column is wanted; {nearest(name, header)}")
        for name in REQUIRED
        if name not in header
    ]
    problems += [
        Problem(file=index, row=1, column=name, wanted="each column once is wanted")
        for name in known
        if header.count(name) > 1
    ]
    if problems:
        raise InputError(problems)
    return header, lines[1:]


def _row(
    folder: Path, header: list[str], number: int, cells: list[str]
) -> tuple[IndexRow | None, list[Problem]]:
    """One row, or None when it cannot be used, and its faults."""
    faults: list[Problem] = []
    if len(cells) > len(header):
        faults.append(
            Problem(
                file=INDEX_NAME, row=number, found=f"{len(cells)} cells", wanted=f"{len(header)} are wanted"
            )
        )
    cell = dict.fromkeys((*REQUIRED, *OPTIONAL), "") | dict(zip(header, cells))
    for name in REQUIRED:
        if not cell[name]:
            faults.append(_fault(number, name, "", "a value in every row is wanted"))
    path = None
    if cell["file"]:
        path, fault = _inside(folder, number, cell["file"])
        faults += [fault] if fault else []
    visit = None
    if cell["visit"]:
        if cell["visit"].isdecimal() and int(cell["visit"][:9]) >= 1 and len(cell["visit"]) < 10:
            visit = int(cell["visit"])
        else:
            faults.append(
                _fault(number, "visit", cell["visit"], "a whole number from 1, or nothing, is wanted")
            )
    started, start_s = None, None
    if cell["start"]:
        started, start_s = _start(cell["start"])
        if started is None and start_s is None:
            wanted = "an ISO time (2026-03-01T08:00:00) or seconds, or nothing, is wanted"
            faults.append(_fault(number, "start", cell["start"], wanted))
    rate = None
    if cell["rate_hz"]:
        rate = _number(cell["rate_hz"])
        if rate is None or not sane_rate(rate):
            faults.append(
                _fault(number, "rate_hz", cell["rate_hz"], "a rate above 0 and at most 100000 Hz is wanted")
            )
    if path is None or any(fault.severity == "error" for fault in faults):
        return None, faults
    return IndexRow(number, cell["file"], path, cell["patient_id"], visit, started, start_s, rate), faults


def _inside(folder: Path, number: int, file: str) -> tuple[Path | None, Problem | None]:
    """The path of `file` when it lies inside `folder`, also through links, and exists."""
    outside = _fault(
        number, "file", file, "a file inside the recordings folder is wanted, given by its path within it"
    )
    pure = PurePosixPath(file.replace("\\", "/"))
    if pure.is_absolute() or ".." in pure.parts or ":" in file or "\0" in file:
        return None, outside
    path = folder / pure
    try:
        for each in (path, path.with_name(path.name + ".hea")):
            if each.is_file():
                inside = each.resolve().is_relative_to(folder.resolve())
                return (path, None) if inside else (None, outside)
    except (OSError, ValueError) as err:
        return None, _fault(number, "file", file, f"a file that can be read is wanted ({err})")
    wanted = "a recording that exists is wanted; it is left out"
    return None, _fault(number, "file", file, wanted, severity="warning")


def _start(text: str) -> tuple[str | None, float | None]:
    seconds = _number(text)
    if seconds is not None:
        return None, seconds
    try:
        return datetime.datetime.fromisoformat(text).isoformat(), None
    except ValueError:
        return None, None


def _number(text: str) -> float | None:
    try:
        value = float(text.replace(",", ".") if text.count(",") == 1 and "." not in text else text)
    except ValueError:
        return None
    return value if abs(value) < float("inf") else None
