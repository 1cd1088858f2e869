"""Recurrent outcomes: episodes from a table of their own, within each patient's follow-up."""

from __future__ import annotations

import numpy as np

from discovery.study.findings import LISTED_PER_KIND
from discovery.study.identifiers import match_ids, read_ids, report_unmatched
from discovery.study.outcome_codes import report_strays
from discovery.study.outcome_times import read_entry, read_times, refuse_tiny
from discovery.study.settings import RecurrentOutcome
from discovery.study.source import Source, coded

EVENT_ID = "patient_id"  # unless the outcome says otherwise


def read_recurrent(
    settings: RecurrentOutcome, source: Source, kept: np.ndarray, ids: list[str], events: Source | None
) -> dict[str, object]:
    """Follow-up (n,) of the kept patients, perhaps `entry` and `status`, and their episodes.

    `ids` are those of all rows of the patient table, `events` the table of episodes. An episode of nobody, or
    without a time, is left out with a warning; one outside its patient's follow-up is a fault.
    """
    end = read_times(source, settings.followup, settings.name)
    begin = np.zeros(len(end))
    parts: dict[str, object] = {"time": end[kept]}
    if settings.entry is not None:
        begin = read_entry(source, settings.entry, end, settings.followup)
        parts["entry"] = begin[kept]
    if settings.terminal is not None:
        parts["status"] = _read_terminal(settings, settings.terminal, source)[kept]
    if events is None or not event_columns_there(settings, events):
        return parts
    row = _rows_of_patients(settings, source, ids, events)
    when = events.require_numbers(settings.time)
    refuse_tiny(events, settings.time, when)
    _check_follow_up(settings, events, row, when, begin, end)
    in_study = np.full(len(ids) + 1, -1)  # the last for a row of -1: an episode of nobody
    in_study[kept] = np.arange(kept.size)
    patient = in_study[row]
    usable = np.flatnonzero((patient >= 0) & np.isfinite(when))
    order = usable[np.lexsort((when[usable], patient[usable]))]
    order = once_each(order, patient, when, events, settings.time)
    if not order.size:
        wanted = f"events of study patients are wanted for {settings.name!r}, there is none"
        events.findings.error("no event", events.file, wanted, column=settings.time)
    return parts | {
        "event_patient": patient[order],
        "event_time": when[order],
        "value": np.bincount(patient[order], minlength=kept.size).astype(np.float64),
    }


def _read_terminal(settings: RecurrentOutcome, column: str, source: Source) -> np.ndarray:
    """(rows,) 1 where an event that rules out further episodes ended the follow-up."""
    cells = source.labels(column)
    status, stray = coded(cells, [(0,), (1,)], comma=source.table.comma)
    report_strays(source, column, cells, stray, "0 or 1", settings.name)
    return status


def _rows_of_patients(
    settings: RecurrentOutcome, source: Source, ids: list[str], events: Source
) -> np.ndarray:
    """The row of the patient table (e,) that each episode belongs to, -1 for none, which is warned of."""
    column = settings.id or EVENT_ID
    event_ids = read_ids(events, column, unique=False)
    row = match_ids(event_ids, ids)
    strangers = np.flatnonzero(row < 0)
    report_unmatched(event_ids, strangers, events, column, source.file, "the event is left out")
    return row


def _check_follow_up(
    settings: RecurrentOutcome, events: Source, row: np.ndarray, when: np.ndarray, begin, end
) -> None:
    """Note episodes (e,) outside the follow-up (rows,) of their patients; warn of those without a time."""
    known = row >= 0
    first, last = np.where(known, begin[row], np.nan), np.where(known, end[row], np.nan)
    at_start = (when == 0) & (first <= 0)  # has its risk set: all who are watched from the start
    outside = np.flatnonzero((when > last) | (when <= first) & ~at_start | (when < 0))
    cells = events.table.text(settings.time)
    for place, at in enumerate(outside[:LISTED_PER_KIND]):
        start = f"after {first[at]:g} ({settings.entry})" if settings.entry else "from 0"
        stop = f"up to {last[at]:g} ({settings.followup})"
        events.findings.error(
            "event outside follow-up",
            events.file,
            f"a time {start} {stop}, this patient's own follow-up, is wanted",
            found=cells[at],
            row=events.row(at),
            column=settings.time,
            more=max(0, len(outside) - LISTED_PER_KIND) if place == 0 else 0,
        )
    unknown = int((known & ~np.isfinite(when)).sum())
    if unknown:
        which = "1 event; it is" if unknown == 1 else f"{unknown} events; they are"
        wanted = f"the time is missing in {which} left out"
        events.findings.warn("missing event time", events.file, wanted, column=settings.time)


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
