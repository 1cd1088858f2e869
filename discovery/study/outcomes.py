"""An outcome from its columns: each kind has its reader; what cannot be analysed is refused."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from discovery.study.outcome import Outcome
from discovery.study.outcome_classes import read_binary, read_classes
from discovery.study.outcome_episodes import event_columns_there, read_recurrent
from discovery.study.outcome_numbers import exposure_numbers, read_continuous, read_count
from discovery.study.outcome_survival import read_status, read_survival
from discovery.study.outcome_times import entry_numbers, read_times
from discovery.study.settings import (
    BinaryOutcome,
    ContinuousOutcome,
    CountOutcome,
    MulticlassOutcome,
    OrdinalOutcome,
    OutcomeSection,
    RecurrentOutcome,
    SurvivalOutcome,
)
from discovery.study.source import Source

READERS: dict[type, Callable[..., dict[str, object]]] = {
    BinaryOutcome: read_binary,
    ContinuousOutcome: read_continuous,
    OrdinalOutcome: read_classes,
    MulticlassOutcome: read_classes,
    CountOutcome: read_count,
    SurvivalOutcome: read_survival,
    RecurrentOutcome: read_recurrent,
}

# keys of an outcome with what their columns fill, and what is not known of a patient where one is empty
PARTS = (
    (
        {"column": "value", "status": "status", "time": "time", "followup": "time", "terminal": "status"},
        "the outcome ",
    ),
    ({"entry": "entry"}, "the entry time of "),
    ({"exposure": "exposure"}, "the exposure of "),
)


def columns_by_key(settings: OutcomeSection) -> dict[str, str]:
    """The keys of an outcome that name columns of the patient table, with what they name."""
    keys: tuple[str, ...] = (
        "column", "exposure", "status", "entry", "followup", "terminal", "dated",
    )  # fmt: skip
    if not isinstance(settings, RecurrentOutcome):
        keys = (*keys, "time")
    named = {key: getattr(settings, key, None) for key in keys}
    return {key: column for key, column in named.items() if column is not None}


def outcome_columns(settings: OutcomeSection) -> dict[str, str]:
    """The patient-table columns that an outcome is made from, with the key that names each."""
    return {column: key for key, column in columns_by_key(settings).items()}


def repeated_columns(settings: OutcomeSection) -> dict[str, list[str]]:
    """Columns that several keys of an outcome name, with these; when it was dated may be another's time."""
    keys: dict[str, list[str]] = {}
    for key, column in columns_by_key(settings).items():
        if key != "dated":
            keys.setdefault(column, []).append(key)
    return {column: mine for column, mine in keys.items() if len(mine) > 1}


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
    if repeated := repeated_columns(settings):
        for column, keys in repeated.items():
            together = "both" if len(keys) == 2 else "all"
            wanted = (
                f"{' and '.join(keys)} of {settings.name!r} {together} name this column; each needs its own"
            )
            source.findings.error("one column for several keys", source.file, wanted, column=column)
        if isinstance(settings, SurvivalOutcome) and settings.status != settings.time:
            read_survival(settings.model_copy(update={"entry": None}), source, kept)
        return None
    before = source.findings.error_count
    reader: Callable[..., dict[str, object]] = READERS[type(settings)]
    extra = (ids, events) if isinstance(settings, RecurrentOutcome) else ()
    parts = reader(settings, source, kept, *extra)
    refuse_empty(settings, parts, source)
    if source.findings.error_count > before:
        return None
    outcome = Outcome(
        name=settings.name,
        kind=settings.kind,  # type: ignore[attr-defined]
        label=settings.label or settings.name,
        unit=settings.unit,
        patient_id=np.array([ids[position] for position in kept], dtype=object),
        **parts,  # type: ignore[arg-type]
    )
    doubt_missing(settings, outcome, source)
    return outcome


def refuse_empty(settings: OutcomeSection, parts: dict[str, object], source: Source) -> None:
    """Note a column of entries or exposures in which nothing stands: nobody could be analysed."""
    named = columns_by_key(settings)
    for key in ("entry", "exposure"):
        values = parts.get(key)
        if key in named and isinstance(values, np.ndarray) and not np.isfinite(values).any():
            wanted = (
                f"at least one value is wanted: without the {key} of {settings.name!r} nobody is left in it"
            )
            if not any(problem.column == named[key] for problem in source.findings.errors()):
                source.findings.error("empty " + key, source.file, wanted, column=named[key])


def doubt_missing(settings: OutcomeSection, outcome: Outcome, source: Source) -> None:
    """Warn of patients that the outcome must do without, each once, under the first column that is empty."""
    named, told = columns_by_key(settings), np.zeros(len(outcome.patient_id), dtype=bool)
    for keys, what in PARTS:
        gaps = {
            named[key]: ~np.isfinite(values) & ~told
            for key, part in keys.items()
            if key in named and (values := getattr(outcome, part)) is not None
        }
        empty = [column for column, missing in gaps.items() if missing.any()]
        if not empty:
            continue
        missing = np.any(list(gaps.values()), axis=0)
        told |= missing
        share = f"{int(missing.sum())} of {missing.size} patients"
        wanted = f"{what}{settings.name!r} is not known for {share}; they are left out of it"
        source.findings.warn("missing outcome", source.file, wanted, column=empty[0])


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
