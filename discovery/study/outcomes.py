"""Outcomes as arrays: codes become 0, 1, 2, …; times are checked; what cannot be analysed is refused."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from discovery.problems import counted, shown
from discovery.study.findings import LISTED_PER_KIND
from discovery.study.numbers import varies
from discovery.study.settings import (
    BinaryOutcome,
    Codes,
    ContinuousOutcome,
    CountOutcome,
    MulticlassOutcome,
    OrdinalOutcome,
    OutcomeSection,
    RecurrentOutcome,
    SurvivalOutcome,
    as_codes,
)
from discovery.study.source import Source, canonical, code_text, coded, first_places

STUDY_FILE = "study.toml"
EVENT_ID = "patient_id"  # unless the outcome says otherwise
FEW_EVENTS = 10  # below, no regression is fitted
MOST_CLASSES = 20


@dataclass(frozen=True, kw_only=True, eq=False)
class Outcome:
    """One outcome of all study patients, in the order of the study.

    `value` (n,): binary 0/1, continuous, count, or position in `categories` (ordinal, multiclass);
    NaN is missing. `time`, `entry` (n,) in `unit`; `status` (n,): 0 censored, 1 event, 2, 3, …
    competing events in the order listed, NaN missing. `exposure` (n,) is the time a count was taken
    over. A recurrent outcome has `event_patient` (e,), positions of patients, and `event_time` (e,);
    its `time` is the end of follow-up, its `status` 1 where a terminal event ended it, and its
    `value` the number of events. `left_out`: reasons with the patients (n,) bool that this outcome must do
    without. With a `landmark` times count from there, and `original` is the outcome from time 0.
    """

    name: str
    kind: str
    label: str
    unit: str = ""
    patient_id: np.ndarray
    value: np.ndarray | None = None
    categories: tuple[str, ...] = ()
    time: np.ndarray | None = None
    status: np.ndarray | None = None
    entry: np.ndarray | None = None
    exposure: np.ndarray | None = None
    event_patient: np.ndarray | None = None
    event_time: np.ndarray | None = None
    excluded_features: tuple[str, ...] = field(default=())
    left_out: tuple[tuple[str, np.ndarray], ...] = ()
    landmark: float | None = None
    original: Outcome | None = None

    @property
    def known(self) -> np.ndarray:
        """Patients whose outcome is known, (n,) bool."""
        parts = [
            part
            for part in (self.value, self.time, self.status, self.entry, self.exposure)
            if part is not None
        ]
        known = np.all([np.isfinite(part) for part in parts], axis=0)
        for _, gone in self.left_out:
            known = known & ~gone
        return known

    def in_order(self, order: np.ndarray) -> Outcome:
        """The same outcome of the same patients, the one at `order[k]` (n,) in place k."""
        by_patient = ("patient_id", "value", "time", "status", "entry", "exposure")
        parts = {name: getattr(self, name)[order] for name in by_patient if getattr(self, name) is not None}
        if self.event_patient is not None and self.event_time is not None:
            patient = np.argsort(order)[self.event_patient]
            events = np.lexsort((self.event_time, patient))
            parts |= {"event_patient": patient[events], "event_time": self.event_time[events]}
        return replace(
            self,
            **parts,
            left_out=tuple((reason, gone[order]) for reason, gone in self.left_out),
            original=None if self.original is None else self.original.in_order(order),
        )


def outcome_columns(settings: OutcomeSection) -> dict[str, str]:
    """The patient-table columns that an outcome is made from, with the key that names each."""
    keys: tuple[str, ...] = (
        "column", "exposure", "status", "entry", "followup", "terminal", "dated",
    )  # fmt: skip
    if not isinstance(settings, RecurrentOutcome):
        keys = (*keys, "time")
    named = {key: getattr(settings, key, None) for key in keys}
    return {column: key for key, column in named.items() if column is not None}


def read_outcome(
    settings: OutcomeSection, source: Source, kept: np.ndarray, ids: list[str], events: Source | None = None
) -> Outcome | None:
    """The outcome of the kept patients; None, with the faults noted, where it cannot be analysed.

    `kept` are positions in the patient table, `ids` the ids of all its rows, `events` the table of
    a recurrent outcome.
    """
    present = [
        source.require(column, f"{key} of {settings.name!r}")
        for column, key in outcome_columns(settings).items()
    ]
    if not all(present):
        check_columns_there(settings, source, kept)
        if isinstance(settings, RecurrentOutcome) and events is not None:
            event_columns_there(settings, events)
        return None
    before = sum(entry.count for (severity, _), entry in source.findings.kinds.items() if severity == "error")
    reader: Callable[..., dict[str, object]] = READERS[type(settings)]
    extra = (ids, events) if isinstance(settings, RecurrentOutcome) else ()
    parts = reader(settings, source, kept, *extra)
    after = sum(entry.count for (severity, _), entry in source.findings.kinds.items() if severity == "error")
    if after > before:
        return None
    outcome = Outcome(
        name=settings.name,
        kind=settings.kind,  # type: ignore[attr-defined]
        label=settings.label or settings.name,
        unit=settings.unit,
        patient_id=np.array([ids[position] for position in kept], dtype=object),
        **parts,  # type: ignore[arg-type]
    )
    missing = int((~outcome.known).sum())
    if missing:
        share = f"{missing} of {len(kept)} patients"
        wanted = f"the outcome {settings.name!r} is not known for {share}; they are left out of it"
        source.findings.warn(
            "missing outcome", source.file, wanted, column=next(iter(outcome_columns(settings)))
        )
    return outcome


def check_columns_there(settings: OutcomeSection, source: Source, kept: np.ndarray) -> None:
    """Note the faults that the columns of an outcome have each for itself, where another is not there."""
    there = source.table.columns
    if isinstance(settings, SurvivalOutcome) and {settings.time, settings.status} <= {*there}:
        entry = settings.entry if settings.entry in there else None
        read_survival(settings.model_copy(update={"entry": entry}), source, kept)
        return
    for column, key in outcome_columns(settings).items():
        if column not in there:
            continue
        if key in ("time", "followup"):
            read_times(source, column, settings.name)
        elif key == "entry":
            entry_numbers(source, column)
        elif key == "exposure":
            exposure_numbers(source, column)
        elif key == "status" and isinstance(settings, SurvivalOutcome):
            read_status(settings, source)
        elif isinstance(settings, ContinuousOutcome | CountOutcome) and key == "column":
            source.require_numbers(column)


def read_binary(settings: BinaryOutcome, source: Source, kept: np.ndarray) -> dict[str, object]:
    cells = source.labels(settings.column)
    comma = source.table.comma
    positive = {canonical(code_text(code)) for code in as_codes(settings.positive)}
    if not any(canonical(cell, comma=comma) in positive for cell in first_places(cells)):
        codes = ", ".join(code_text(code) for code in as_codes(settings.positive))
        wanted = f"two classes are wanted; no patient has positive = {codes}"
        found = ", ".join(list(first_places(cells))[:12])
        source.findings.error("one class", source.file, wanted, found=found, column=settings.column)
        return {}
    if settings.negative is not None:
        groups = [as_codes(settings.negative), as_codes(settings.positive)]
    else:
        others = sorted({cell for cell in cells if cell and canonical(cell, comma=comma) not in positive})
        distinct = {canonical(cell, comma=comma) for cell in others}
        if len(distinct) > 1:
            found = ", ".join(others[:12])
            wanted = (
                "two classes are wanted, here are several beside positive: list those that count as negative "
                f"in negative = […] of {settings.name!r}, and empty the others"
            )
            source.findings.error("several classes", source.file, wanted, found=found, column=settings.column)
            return {}
        groups = [tuple(others), as_codes(settings.positive)]
    value, stray = coded(cells, groups, comma=comma)
    report_strays(source, settings.column, cells, stray, "positive or negative", settings.name)
    value = value[kept]
    counts = [int((value == code).sum()) for code in (0, 1)]
    if not stray.size and not all(counts):
        shown_codes = ", ".join(code_text(code) for code in as_codes(settings.positive))
        what = f"positive = {shown_codes}" if not counts[1] else f"anything but positive = {shown_codes}"
        wanted = f"two classes are wanted; no patient has {what}"
        found = ", ".join(list(first_places(cells))[:12])
        source.findings.error("one class", source.file, wanted, found=found, column=settings.column)
    elif min(counts) < FEW_EVENTS:
        few_events(source, settings.column, settings.name, f"{counted(min(counts))} in the smaller class")
    return {"value": value}


def read_continuous(settings: ContinuousOutcome, source: Source, kept: np.ndarray) -> dict[str, object]:
    value = source.require_numbers(settings.column)[kept]
    distinct = np.unique(value[np.isfinite(value)]).size
    if not varies(value):
        wanted = f"different values are wanted for {settings.name!r}, here is {'one' if distinct else 'none'}"
        source.findings.error("one class", source.file, wanted, column=settings.column)
    elif distinct == 2:
        wanted = f"only two values occur; is the outcome {settings.name!r} binary?"
        source.findings.warn("looks binary", source.file, wanted, column=settings.column)
    return {"value": value}


def read_classes(
    settings: OrdinalOutcome | MulticlassOutcome, source: Source, kept: np.ndarray
) -> dict[str, object]:
    cells = source.labels(settings.column)
    comma = source.table.comma
    if settings.levels is not None:
        levels: list[Codes] = [(code,) for code in settings.levels]
        names = [code_text(code) for code in settings.levels]
    else:
        present = {canonical(cell, comma=comma): cell for cell in first_places(cells)}
        texts = [cell for cell in present if isinstance(cell, str)]
        if texts and settings.kind == "ordinal":
            wanted = f"the order of the classes is wanted: levels = [low, …, high] of {settings.name!r}"
            found = ", ".join(sorted(map(str, present.values()))[:12])
            source.findings.error("no order", source.file, wanted, found=found, column=settings.column)
            return {}
        order = sorted(present, key=lambda code: (isinstance(code, str), code))
        names = [present[code] for code in order]
        levels = [(name,) for name in names]
        if comma:
            names = [
                name.replace(",", ".") if isinstance(code, float) else name
                for code, name in zip(order, names)
            ]
            levels = [(name,) for name in names]
    value, stray = coded(cells, levels, comma=comma)
    report_strays(source, settings.column, cells, stray, "levels", settings.name)
    value = value[kept]
    counts = np.array([(value == code).sum() for code in range(len(names))])
    seen = np.flatnonzero(counts)
    if stray.size:
        return {}
    if seen.size < 2:
        wanted = f"two classes or more are wanted for {settings.name!r}"
        source.findings.error(
            "one class", source.file, wanted, found=", ".join(names[:12]), column=settings.column
        )
        return {}
    if seen.size > MOST_CLASSES:
        wanted = f"at most {MOST_CLASSES} classes are wanted for {settings.name!r}; is it continuous?"
        source.findings.error(
            "many classes", source.file, wanted, found=f"{seen.size} classes", column=settings.column
        )
    for code in np.flatnonzero(counts == 0):
        wanted = f"no patient has this class of {settings.name!r}; it is left out"
        source.findings.warn("empty class", source.file, wanted, found=names[code], column=settings.column)
    for code in seen[counts[seen] < 5]:
        wanted = f"only {counts[code]} patients have this class of {settings.name!r}"
        source.findings.warn("small class", source.file, wanted, found=names[code], column=settings.column)
    dense = np.full(len(names), np.nan)
    dense[seen] = np.arange(seen.size)
    filled = np.isfinite(value)
    value[filled] = dense[value[filled].astype(np.int64)]
    return {"value": value, "categories": tuple(names[code] for code in seen)}


def read_count(settings: CountOutcome, source: Source, kept: np.ndarray) -> dict[str, object]:
    value = source.require_numbers(settings.column)
    source.error_rows(
        "negative count", "a count of 0 or more is wanted", settings.column, np.flatnonzero(value < 0)
    )
    broken = np.flatnonzero(np.isfinite(value) & (value != np.round(value)))
    source.error_rows("no count", "a whole number is wanted", settings.column, broken)
    parts: dict[str, object] = {"value": value[kept]}
    if settings.exposure is not None:
        parts["exposure"] = exposure_numbers(source, settings.exposure)[kept]
    if np.unique(value[kept][np.isfinite(value[kept])]).size < 2:
        wanted = f"different counts are wanted for {settings.name!r}"
        source.findings.error("one class", source.file, wanted, column=settings.column)
    return parts


def exposure_numbers(source: Source, column: str) -> np.ndarray:
    exposure = source.require_numbers(column)
    source.error_rows("no exposure", "a time above 0 is wanted", column, np.flatnonzero(exposure <= 0))
    return exposure


def read_survival(settings: SurvivalOutcome, source: Source, kept: np.ndarray) -> dict[str, object]:
    time = read_times(source, settings.time, settings.name)
    cells, status, stray = read_status(settings, source)
    half = np.flatnonzero(np.isfinite(time) != np.isfinite(status))
    half = np.setdiff1d(half, stray)
    if half.size:
        have, are = ("has", "is") if half.size == 1 else ("have", "are")
        wanted = (
            f"time and status belong together: {counted(half.size)} {have} one of them "
            f"and {are} left out of {settings.name!r}"
        )
        source.findings.warn(
            "half an outcome", source.file, wanted, row=source.row(half[0]), column=settings.status
        )
    parts: dict[str, object] = {"time": time[kept], "status": status[kept]}
    if settings.entry is not None:
        entry = read_entry(source, settings.entry, time, settings.time)
        parts["entry"] = entry[kept]
    time, status = time[kept], status[kept]
    known = np.isfinite(time) & np.isfinite(status)
    horizon_within(settings, source, time[np.isfinite(time)].max(initial=0.0))
    if stray.size:
        return parts
    events = int((status[known] == 1).sum())
    if not events:
        codes = ", ".join(code_text(code) for code in as_codes(settings.event))
        wanted = f"patients with the event of {settings.name!r} (event = {codes}) are wanted, there is none"
        found = ", ".join(list(first_places(cells))[:12])
        source.findings.error("no event", source.file, wanted, found=found, column=settings.status)
    elif not (time[known & (status == 1)] > 0).any():
        first = kept[np.flatnonzero(known & (status == 1) & (time == 0))[:1]]
        wanted = (
            f"an event after time 0 is wanted for {settings.name!r}: its {events} events are at time 0, when "
            "nobody has been followed yet; is this the time from the start to the event?"
        )
        source.error_rows("no event after time 0", wanted, settings.time, first)
    elif settings.landmark is not None:
        landmark_within(settings, source, time[known], status[known])
    if 0 < events < FEW_EVENTS:
        few_events(source, settings.status, settings.name, f"{events} event{'s' if events != 1 else ''}")
    for number, code in enumerate(settings.competing, start=2):
        if not (status[known] == number).any():
            wanted = f"no patient has this competing event of {settings.name!r}"
            source.findings.warn(
                "no competing event", source.file, wanted, found=code_text(code), column=settings.status
            )
    return parts


def read_status(settings: SurvivalOutcome, source: Source) -> tuple[list[str], np.ndarray, np.ndarray]:
    """The cells, their codes (n,) and the positions of those that are not declared, which are noted."""
    cells = source.labels(settings.status)
    groups = [
        as_codes(settings.censored),
        as_codes(settings.event),
        *((code,) for code in settings.competing),
    ]
    status, stray = coded(cells, groups, comma=source.table.comma)
    declared = "censored, event or competing"
    hint = ""
    if not np.any(status == 0) and stray.size and cells[stray[0]].isprintable():
        hint = f"; if it is the code of censored patients, state censored = {quoted(cells[stray[0]])}"
    report_strays(source, settings.status, cells, stray, declared, settings.name, hint)
    return cells, status, stray


def horizon_within(settings: SurvivalOutcome, source: Source, longest: float) -> None:
    """Note a horizon that nobody is followed up to; it counts from the landmark, if there is one."""
    horizon, landmark = settings.horizon, settings.landmark or 0
    if horizon is None or not landmark < longest < landmark + horizon:
        return
    most = f"{longest - landmark:g} at most"
    most += f", counted from the landmark at {landmark:g}" if landmark else ""
    wanted = (
        f"a horizon that somebody is followed up to is wanted, {most}: the "
        f"longest time in {source.file}, column {shown(settings.time)}, is {longest:g}"
    )
    source.findings.error(
        "late horizon", STUDY_FILE, wanted, found=f"{horizon:g}", column=f"horizon of {settings.name}"
    )


def landmark_within(settings: SurvivalOutcome, source: Source, time: np.ndarray, status: np.ndarray) -> None:
    """Note a landmark beyond which nobody is followed, or nobody has the event."""
    at = float(settings.landmark or 0)
    events = time[status == 1]
    if (events > at).any():
        return
    if (time > at).any():
        wanted, last = "an event after the landmark is wanted", f"the last is at {events.max():g}"
    else:
        wanted, last = "nobody is followed beyond it", f"the longest time is {time.max():g}"
    wanted += f": a landmark before the last events is wanted; {last} in {source.file}, column "
    source.findings.error(
        "late landmark",
        STUDY_FILE,
        wanted + shown(settings.time),
        found=f"{at:g}",
        column=f"landmark of {settings.name}",
    )


def read_times(source: Source, column: str, outcome: str) -> np.ndarray:
    """Times of 0 or more; a zero is kept with a warning."""
    time = source.require_numbers(column)
    source.error_rows("negative time", "a time of 0 or more is wanted", column, np.flatnonzero(time < 0))
    zero = np.flatnonzero(time == 0)
    if zero.size:
        wanted = (
            f"{zero.size} patient{'s have' if zero.size > 1 else ' has'} no follow-up for {outcome!r}: kept, "
            "but without an event such a row is never at risk; check that the time is known"
        )
        source.findings.warn(
            "zero time", source.file, wanted, found="0", row=source.row(zero[0]), column=column
        )
    return time


def entry_numbers(source: Source, column: str) -> np.ndarray:
    entry = source.require_numbers(column)
    source.error_rows("negative time", "a time of 0 or more is wanted", column, np.flatnonzero(entry < 0))
    return entry


def read_entry(source: Source, column: str, time: np.ndarray, time_column: str) -> np.ndarray:
    entry = entry_numbers(source, column)
    late = np.flatnonzero((entry >= time) & (time >= 0) & (entry >= 0))
    for position in late[:20]:
        wanted = f"an entry before the end of follow-up ({time_column} is {time[position]:g}) is wanted"
        source.findings.error(
            "entry after time",
            source.file,
            wanted,
            found=f"{entry[position]:g}",
            row=source.row(position),
            column=column,
            more=max(0, late.size - 20) if position == late[0] else 0,
        )
    return entry


def read_recurrent(
    settings: RecurrentOutcome, source: Source, kept: np.ndarray, ids: list[str], events: Source | None
) -> dict[str, object]:
    time = read_times(source, settings.followup, settings.name)
    parts: dict[str, object] = {"time": time[kept]}
    entry = np.zeros(len(time))
    if settings.entry is not None:
        entry = read_entry(source, settings.entry, time, settings.followup)
        parts["entry"] = entry[kept]
    if settings.terminal is not None:
        cells = source.labels(settings.terminal)
        status, stray = coded(cells, [(0,), (1,)], comma=source.table.comma)
        report_strays(source, settings.terminal, cells, stray, "0 or 1", settings.name)
        parts["status"] = status[kept]
    if events is None or not event_columns_there(settings, events):
        return parts
    id_column = settings.id or EVENT_ID
    from discovery.study.identifiers import match_ids, read_ids, report_unmatched

    event_ids = read_ids(events, id_column, unique=False)
    when = events.require_numbers(settings.time)
    place = match_ids(event_ids, ids)
    stray = np.flatnonzero(place < 0)
    report_unmatched(
        [event_ids[position] for position in stray],
        events,
        id_column,
        [events.row(position) for position in stray],
        source.file,
        "the event is left out",
    )
    inside = place >= 0
    end = np.where(inside, time[place], np.nan)
    begin = np.where(inside, entry[place], np.nan)
    at_start = (when == 0) & (begin <= 0)  # has its risk set: all who are watched from the start
    events.error_rows(
        "event outside follow-up",
        f"a time within the patient's follow-up (after entry, at most {settings.followup}) is wanted",
        settings.time,
        np.flatnonzero((when > end) | (when <= begin) & ~at_start | (when < 0)),
    )
    unknown = int((inside & ~np.isfinite(when)).sum())
    if unknown:
        wanted = f"the time is missing in {unknown} events; they are left out"
        events.findings.warn("missing event time", events.file, wanted, column=settings.time)
    of_kept = np.full(len(ids), -1)
    of_kept[kept] = np.arange(kept.size)
    patient = np.where(inside, of_kept[place], -1)
    use = np.flatnonzero((patient >= 0) & np.isfinite(when))
    order = use[np.lexsort((when[use], patient[use]))]
    order = once_each(order, patient, when, events, settings.time)
    if not order.size:
        wanted = f"events of study patients are wanted for {settings.name!r}, there is none"
        events.findings.error("no event", events.file, wanted, column=settings.time)
    parts |= {
        "event_patient": patient[order],
        "event_time": when[order],
        "value": np.bincount(patient[order], minlength=kept.size).astype(np.float64),
    }
    return parts


def once_each(
    order: np.ndarray, patient: np.ndarray, when: np.ndarray, events: Source, column: str
) -> np.ndarray:
    """The rows `order`, by patient and time, without those at a time that the patient has an episode at.

    A model of rates cannot tell two episodes at one time apart; they count once, and each row that goes is
    noted.
    """
    again = np.zeros(order.size, dtype=bool)
    again[1:] = (np.diff(patient[order]) == 0) & (np.diff(when[order]) == 0)
    first = order[np.maximum.accumulate(np.where(again, 0, np.arange(order.size)))]
    dropped = sorted(zip(order[again], first[again]))
    for place, (position, before) in enumerate(dropped[:LISTED_PER_KIND]):
        events.findings.warn(
            "same time",
            events.file,
            f"row {events.row(before)} has this patient at the same time; the two are counted as one event",
            found=f"{when[position]:g}",
            row=events.row(position),
            column=column,
            more=max(0, len(dropped) - LISTED_PER_KIND) if place == 0 else 0,
        )
    return order[~again]


def event_columns_there(settings: RecurrentOutcome, events: Source) -> bool:
    """Whether the table of events has its columns; a fault is noted for each that is not there."""
    columns = {"id": settings.id or EVENT_ID, "time": settings.time}
    return all([events.require(column, f"{key} of {settings.name!r}") for key, column in columns.items()])


READERS: dict[type, Callable[..., dict[str, object]]] = {
    BinaryOutcome: read_binary,
    ContinuousOutcome: read_continuous,
    OrdinalOutcome: read_classes,
    MulticlassOutcome: read_classes,
    CountOutcome: read_count,
    SurvivalOutcome: read_survival,
    RecurrentOutcome: read_recurrent,
}


def report_strays(
    source: Source,
    column: str,
    cells: list[str],
    stray: np.ndarray,
    declared: str,
    outcome: str,
    hint: str = "",
) -> None:
    """Note each code that is filled in but not declared, with how many rows have it."""
    by_code: dict[str, list[int]] = {}
    for position in stray:
        by_code.setdefault(cells[position], []).append(int(position))
    for code, positions in sorted(by_code.items(), key=lambda item: item[1][0]):
        count = len(positions)
        rows = f"{count} row{'s' if count > 1 else ''}"
        wanted = f"this code is not declared in {declared} of {outcome!r} ({rows}){hint}"
        source.findings.error(
            "undeclared code", source.file, wanted, found=code, row=source.row(positions[0]), column=column
        )


def few_events(source: Source, column: str, outcome: str, few: str) -> None:
    wanted = f"only {few} for {outcome!r}: too few to fit any regression: no feature will be tested"
    source.findings.warn("few events", source.file, wanted, column=column)


def quoted(cell: str) -> str:
    """A cell as a study file states it."""
    return cell if isinstance(canonical(cell), float) else json.dumps(cell, ensure_ascii=False)
