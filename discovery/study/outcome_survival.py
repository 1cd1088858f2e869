"""Survival outcomes: time and status of each patient, and whether a horizon or landmark is within them."""

from __future__ import annotations

import numpy as np

from discovery.problems import counted, shown
from discovery.study.outcome_codes import few_events, quoted, report_strays, some_of
from discovery.study.outcome_times import read_entry, read_times
from discovery.study.settings import SurvivalOutcome, as_codes
from discovery.study.source import Source, code_text, coded, first_places
from discovery.terms import LEAST_EVENTS

STUDY_FILE = "study.toml"


def read_survival(settings: SurvivalOutcome, source: Source, kept: np.ndarray) -> dict[str, object]:
    """`time`, `status` and perhaps `entry` (n,) of the kept patients."""
    before = source.findings.error_count
    time = read_times(source, settings.time, settings.name)
    no_times = source.findings.error_count > before and not np.isfinite(time).any()
    cells, status, stray = read_status(settings, source)
    parts: dict[str, object] = {"time": time[kept], "status": status[kept]}
    if settings.entry is not None:
        parts["entry"] = read_entry(source, settings.entry, time, settings.time)[kept]
    if no_times:  # that there is no event then goes without saying
        return parts
    _doubt_halves(settings, source, time, status, stray)
    time, status = time[kept], status[kept]
    horizon_within(settings, source, time[np.isfinite(time)].max(initial=0.0))
    if stray.size:
        return parts
    known = np.isfinite(time) & np.isfinite(status)
    events = int((status[known] == 1).sum())
    if not events:
        _no_event(settings, source, cells)
    elif not (time[known & (status == 1)] > 0).any():
        first = kept[np.flatnonzero(known & (status == 1) & (time == 0))[:1]]
        _all_at_time_0(settings, source, events, first)
    elif settings.landmark is not None:
        landmark_within(settings, source, time[known], status[known])
    if 0 < events < LEAST_EVENTS:
        few_events(source, settings.status, settings.name, f"{events} event{'s' if events != 1 else ''}")
    _doubt_causes(settings, source, status[known])
    return parts


def _doubt_halves(settings: SurvivalOutcome, source: Source, time, status, stray) -> None:
    """Warn of patients (n,) with one of time and status; codes that are not declared are noted already."""
    half = np.setdiff1d(np.flatnonzero(np.isfinite(time) != np.isfinite(status)), stray)
    if half.size:
        have, are = ("has", "is") if half.size == 1 else ("have", "are")
        wanted = (
            f"time and status belong together: {counted(half.size)} {have} one of them "
            f"and {are} left out of {settings.name!r}"
        )
        empty = settings.status if np.isfinite(time[half[0]]) else settings.time
        source.findings.warn("half an outcome", source.file, wanted, row=source.row(half[0]), column=empty)


def _no_event(settings: SurvivalOutcome, source: Source, cells: list[str]) -> None:
    codes = ", ".join(code_text(code) for code in as_codes(settings.event))
    wanted = f"patients with the event of {settings.name!r} (event = {codes}) are wanted, there is none"
    found = some_of(first_places(cells))
    source.findings.error("no event", source.file, wanted, found=found, column=settings.status)


def _all_at_time_0(settings: SurvivalOutcome, source: Source, events: int, first: np.ndarray) -> None:
    wanted = (
        f"an event after time 0 is wanted for {settings.name!r}: its {events} events are at time 0, when "
        "nobody has been followed yet; is this the time from the start to the event?"
    )
    source.error_rows("no event after time 0", wanted, settings.time, first)


def _doubt_causes(settings: SurvivalOutcome, source: Source, status: np.ndarray) -> None:
    for number, code in enumerate(settings.competing, start=2):
        if not (status == number).any():
            wanted = f"no patient has this competing event of {settings.name!r}"
            source.findings.warn(
                "no competing event", source.file, wanted, found=code_text(code), column=settings.status
            )


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
        wanted, last = "nobody has the event after it", f"the last is at {events.max():g}"
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
