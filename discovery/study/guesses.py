"""Guess from names and contents what the tables of a folder are and what their columns mean."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from discovery.study.findings import Findings
from discovery.study.limits import limit_in
from discovery.study.numbers import MISSING_CODES
from discovery.study.source import canonical, first_places
from discovery.study.table_files import PARQUET_ENDINGS, TEXT_ENDINGS, read_table
from discovery.study.tables import Table, holds_row_numbers
from discovery.study.vocabulary import (
    CHANNEL_WORDS,
    NO_WORDS,
    YES_WORDS,
    folded,
    has_role,
    role_score,
    time_unit,
    words_of,
)

CLINICAL_ROLES = ("age", "sex", "bsa", "site", "etiology", "time", "status", "outcome")
MOST_TABLES = 50
MOST_SITES = 50
MOST_ETIOLOGIES = 30


@dataclass(frozen=True)
class Column:
    """What is known of a column: its cells as text, the distinct ones, and its numbers if it holds them."""

    name: str
    cells: list[str]
    distinct: dict[str, int]
    values: np.ndarray | None

    @property
    def complete(self) -> bool:
        return all(self.cells)

    @property
    def unique(self) -> bool:
        return self.complete and len(self.distinct) == len(self.cells)

    @property
    def codes(self) -> list[str]:
        return sorted(self.distinct, key=lambda cell: (isinstance(canonical(cell), str), canonical(cell)))


@dataclass(frozen=True)
class Outlook:
    """A table with its columns, and the column that tells its rows apart."""

    table: Table
    columns: dict[str, Column]
    id: str | None

    @property
    def clinical(self) -> int:
        return sum(any(has_role(name, role) for name in self.columns) for role in CLINICAL_ROLES)

    @property
    def numeric(self) -> list[str]:
        return [
            name
            for name, column in self.columns.items()
            if column.values is not None and name != self.id and not holds_row_numbers(name)
        ]

    def playing(self, role: str, taken: set[str]) -> list[str]:
        """Free columns whose names say `role`, the surest first."""
        named = [name for name in self.columns if name not in taken and has_role(name, role)]
        return sorted(named, key=lambda name: -role_score(name, role))


@dataclass
class OutcomeGuess:
    """Lines of an `[[outcomes]]` table; `sure` is False where it must stay a comment."""

    name: str
    keys: dict[str, object]
    why: str
    sure: bool = True


@dataclass
class Guess:
    """All that was guessed of a folder; None is not guessed."""

    patients: Outlook | None = None
    features: Outlook | None = None
    labels: str | None = None
    site: str | None = None
    etiology: str | None = None
    adjust_for: list[str] = field(default_factory=list)
    missing: dict[str, list[str]] = field(default_factory=dict)
    limited: list[str] = field(default_factory=list)
    outcomes: list[OutcomeGuess] = field(default_factory=list)
    candidates: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)


def look_at_tables(folder: Path, said: list[str]) -> tuple[list[Outlook], str | None]:
    """The tables of a folder that can be read, and the name of the one that labels columns."""
    outlooks, labels = [], None
    names = sorted(
        path.name for path in folder.iterdir() if path.suffix.casefold() in TEXT_ENDINGS + PARQUET_ENDINGS
    )
    if len(names) > MOST_TABLES:
        said.append(f"only the first {MOST_TABLES} of {len(names)} tables were looked at")
    for name in names[:MOST_TABLES]:
        if not name.isprintable():
            continue
        findings = Findings()
        table = read_table(folder / name, name, findings)
        if table is None or findings.failed:
            said.append(f"{name} was left aside: {findings.errors()[0].sentence()}")
        elif {"feature", "label"} <= set(table.columns):
            labels = name
        else:
            outlooks.append(look_at(table))
    return outlooks, labels


def look_at(table: Table) -> Outlook:
    columns = {}
    for name in table.columns:
        cells = table.text(name)
        numbers = table.numbers(name)
        clean = numbers.filled > len(numbers.codes) and not (numbers.not_numbers or numbers.infinite)
        columns[name] = Column(name, cells, first_places(cells), numbers.values if clean else None)
    return Outlook(table, columns, guess_id(columns))


def guess_id(columns: dict[str, Column]) -> str | None:
    """The column that tells rows apart: unique, whole or text, by its name if several are."""
    unique = [name for name, column in columns.items() if column.unique and not fractional(column)]
    named = [name for name in unique if has_role(name, "id")]
    if named:
        return max(named, key=lambda name: role_score(name, "id"))
    texts = [name for name in unique if columns[name].values is None]
    return texts[0] if texts else None


def fractional(column: Column) -> bool:
    return column.values is not None and bool((column.values != np.round(column.values)).any())


def guess(folder: Path) -> Guess:
    """Everything that names and contents of the tables in `folder` suggest."""
    found = Guess()
    outlooks, found.labels = look_at_tables(folder, found.said)
    choose_tables(outlooks, found)
    if found.patients is None:
        return found
    patients = found.patients
    taken = {patients.id} if patients.id else set()
    for role in ("site", "etiology"):
        most = MOST_SITES if role == "site" else MOST_ETIOLOGIES
        for name in patients.playing(role, taken):
            column = patients.columns[name]
            few = 2 <= len(column.distinct) <= most and 2 * len(column.distinct) <= len(column.cells)
            if few and (column.complete if role == "site" else column.values is None):
                setattr(found, role, name)
                taken.add(name)
                break
    for role in ("age", "sex", "bsa"):
        for name in patients.playing(role, taken):
            column = patients.columns[name]
            fits = len(column.distinct) in (2, 3) if role == "sex" else column.values is not None
            if fits and len(column.distinct) > 1:
                found.adjust_for.append(name)
                taken.add(name)
                break
    guess_outcomes(patients, found, taken)
    guess_missing(found)
    guess_limits(found)
    return found


def choose_tables(outlooks: list[Outlook], found: Guess) -> None:
    """The patient table (most clinical columns) and the table of features (most numbers, same ids)."""
    with_id = [outlook for outlook in outlooks if outlook.id is not None and len(outlook.table) > 1]
    for outlook in outlooks:
        if outlook not in with_id:
            found.said.append(
                f"{outlook.table.file} was left aside: no column has a different value in every row"
            )
    if not with_id:
        found.patients = max(outlooks, key=lambda outlook: outlook.clinical, default=None)
        found.features = found.patients
        return
    found.patients = max(with_id, key=lambda outlook: (outlook.clinical, -len(outlook.numeric)))
    ids = set(found.patients.columns[str(found.patients.id)].cells)
    partners = [
        outlook
        for outlook in with_id
        if outlook is not found.patients
        and ids & set(outlook.columns[str(outlook.id)].cells)
        and outlook.numeric
    ]
    for outlook in with_id:
        if outlook is not found.patients and outlook not in partners:
            found.said.append(
                f"{outlook.table.file} was left aside: it shares no id with {found.patients.table.file}"
            )
    if partners:
        found.features = max(partners, key=lambda outlook: len(outlook.numeric))
    elif found.patients.numeric:
        found.features = found.patients


def guess_outcomes(patients: Outlook, found: Guess, taken: set[str]) -> None:
    """Pairs of time and status; else columns with two values, or a number, that are named like an outcome."""
    times = [name for name in patients.playing("time", taken) if is_time(patients.columns[name])]
    states = [
        name for name in patients.playing("status", taken) if 2 <= len(patients.columns[name].distinct) <= 6
    ]
    for time, status in pair_up(patients, times, states):
        found.outcomes.append(guess_survival(patients, time, status, taken))
        taken |= {time, status}
    two_valued = [
        name for name, column in patients.columns.items() if name not in taken and len(column.distinct) == 2
    ]
    named = [name for name in two_valued if has_role(name, "outcome")]
    if not found.outcomes and not named and len(two_valued) == 1:
        named = two_valued
    for name in named:
        found.outcomes.append(guess_binary(patients.columns[name]))
        taken.add(name)
    found.candidates = [name for name in two_valued if name not in named]
    if not found.outcomes:
        for name in patients.playing("outcome", taken):
            column = patients.columns[name]
            if column.values is not None and len(column.distinct) > 10:
                keys: dict[str, object] = {"kind": "continuous", "column": name}
                found.outcomes.append(OutcomeGuess(name, keys, "numbers, and named like an outcome"))
                taken.add(name)
                break


def is_time(column: Column) -> bool:
    values = column.values
    return values is not None and len(column.distinct) > 2 and bool((values[np.isfinite(values)] >= 0).all())


def pair_up(patients: Outlook, times: list[str], states: list[str]) -> list[tuple[str, str]]:
    """Each time with the status that shares most words with it, else the one that stands nearest."""
    order = list(patients.columns)
    pairs, free = [], list(states)
    for time in sorted(times, key=order.index):
        if not free:
            break
        words = set(words_of(time))
        status = min(
            free,
            key=lambda name: (-len(words & set(words_of(name))), abs(order.index(name) - order.index(time))),
        )
        pairs.append((time, status))
        free.remove(status)
    return pairs


def guess_survival(patients: Outlook, time: str, status: str, taken: set[str]) -> OutcomeGuess:
    codes = [code for code in patients.columns[status].codes if code.casefold() not in MISSING_CODES]
    compared = [canonical(code) for code in codes]
    keys: dict[str, object] = {"kind": "survival", "time": time, "status": status}
    why = f"a time beside a status with the codes {', '.join(codes)}"
    sure = True
    if all(isinstance(code, float) for code in compared):
        numbers = [code for code in compared if isinstance(code, float)]
        if numbers[:2] == [0.0, 1.0]:
            keys["event"] = True if codes[1].casefold() == "true" else 1
            if keys["event"] is True:
                keys["censored"] = False
            rest = numbers[2:]
        else:  # 1 and 2 are the older habit: the lower is censored
            keys["event"], keys["censored"] = plain(numbers[1]), plain(numbers[0])
            why += "; taken as: the lowest is censored, the next is the event"
            rest = numbers[2:]
        if rest:
            keys["competing"] = [plain(code) for code in rest]
            why += "; taken as: the higher ones compete"
    else:
        events = [code for code in codes if folded(code) in YES_WORDS]
        still = [code for code in codes if folded(code) in NO_WORDS]
        if len(events) == 1 and len(still) == 1:
            keys["event"], keys["censored"] = events[0], still[0]
            others = [code for code in codes if code not in events + still]
            if others:
                keys["competing"] = list(others)
                why += "; taken as: the others compete"
        else:
            sure = False
            keys["event"] = codes[0]
            why += "; which one is the event was not guessed"
    for name in patients.playing("entry", taken | {time, status}):
        column = patients.columns[name].values
        end = patients.columns[time].values
        if column is not None and end is not None:
            both = np.isfinite(column) & np.isfinite(end)
            if both.any() and ((column[both] < end[both]) & (column[both] >= 0)).all():
                keys["entry"] = name
                taken.add(name)
                break
    if time_unit(time):
        keys["unit"] = time_unit(time)
    return OutcomeGuess(status, keys, why, sure)


def plain(number: float) -> int | float:
    return int(number) if number.is_integer() else number


def guess_binary(column: Column) -> OutcomeGuess:
    codes = column.codes
    compared = [canonical(code) for code in codes]
    why = f"two values, {codes[0]} and {codes[1]}"
    positive: object
    if all(isinstance(code, float) for code in compared):
        positive = True if codes[1].casefold() == "true" else plain(float(compared[1]))
    else:
        said_yes = [code for code in codes if folded(code) in YES_WORDS]
        said_no = [code for code in codes if folded(code) in NO_WORDS]
        if said_yes:
            positive = said_yes[0]
        elif said_no:
            positive = next(code for code in codes if code != said_no[0])
        else:
            positive = min(codes, key=column.cells.count)
            why += "; the rarer is taken as positive"
    return OutcomeGuess(column.name, {"kind": "binary", "column": column.name, "positive": positive}, why)


def guess_missing(found: Guess) -> None:
    """Codes such as NA that stand among numbers, by the section that must state them."""
    for section, outlook in (("patients", found.patients), ("features", found.features)):
        if outlook is None:
            continue
        codes: dict[str, None] = {}
        for name in outlook.table.columns:
            numbers = outlook.table.numbers(name)
            if numbers.numeric:
                codes |= dict.fromkeys(
                    outlook.table.text(name)[position] for position in numbers.codes + numbers.written_missing
                )
        if codes:
            found.missing[section] = list(codes)[:20]


def guess_limits(found: Guess) -> None:
    """Columns of features in which cells such as `<0.5` stand among numbers."""
    if found.features is None:
        return
    table = found.features.table
    for name in table.columns:
        odd = table.numbers(name).not_numbers
        if odd and table.numbers(name).numeric:
            cells = table.text(name)
            if all(limit_in(cells[position], comma=table.comma) for position in odd):
                found.limited.append(name)


def guess_channels(folder: Path, file: str) -> dict[str, str]:
    """Roles of the channels of one recording, from the header of a CSV or WFDB file."""
    path = folder / file
    if not path.suffix:
        path = path.with_suffix(".hea")
    try:
        with path.open(encoding="utf-8") as stream:
            lines = [stream.readline(100_000).rstrip("\r\n") for _ in range(40)]
    except (OSError, ValueError):
        return {}
    if path.suffix.casefold() == ".hea":
        names = [line.split(maxsplit=8)[8] for line in lines[1:] if len(line.split(maxsplit=8)) == 9]
    elif path.suffix.casefold() in TEXT_ENDINGS:
        names = max((lines[0].split(mark) for mark in ",;\t"), key=len)
    else:
        return {}
    channels: dict[str, str] = {}
    for name in (name.strip().strip('"') for name in names):
        words = {folded(name), *words_of(name)}
        for role, known in CHANNEL_WORDS.items():
            if role not in channels and words & set(known):
                channels[role] = name
                break
    return channels
