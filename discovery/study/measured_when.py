"""Features measured after the outcome say nothing about it: such patients are left out, in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from discovery.study.outcome import Outcome
from discovery.study.settings import OutcomeSection, StudyFile
from discovery.study.source import Source

MOST_LATE = 0.5  # beyond this share the two clocks are not the same one
REASON = "features measured at or after the outcome"


def leave_out_late(
    outcomes: list[Outcome], settings: StudyFile, source: Source, kept: np.ndarray
) -> list[Outcome]:
    """`outcomes` without the patients whose features were measured at or after each of them.

    The time of measurement is the column `measured_at` under [patients]; that of an outcome its `time`,
    or the column `dated` where it has none. A warning counts the patients left out, another those whose
    time before the measurement nobody could die in; most patients late is a fault.
    """
    column = settings.patients.measured_at
    if column is None or not source.require(column, "measured_at under [patients]"):
        return outcomes
    measured = source.require_numbers(column)[kept]
    found = []
    for outcome in outcomes:
        section = settings.outcome(outcome.name)
        happened = outcome.time
        if happened is None and section.dated is not None:
            happened = source.require_numbers(section.dated)[kept]
        if happened is None:
            found.append(outcome)
            continue
        both = np.isfinite(measured) & np.isfinite(happened)
        late = both & (measured >= happened)
        count = int(late.sum())
        if count and count > MOST_LATE * both.sum():
            wanted = (
                f"the features of {count} of {int(both.sum())} patients were measured at or after the "
                f"outcome {outcome.name!r}: times on one clock are wanted"
            )
            source.findings.error("measured late", source.file, wanted, column=column)
        elif count:
            wanted = (
                f"the features of {count} patient{'s were' if count > 1 else ' was'} measured at or after "
                f"the outcome {outcome.name!r}: left out of it"
            )
            source.findings.warn("measured late", source.file, wanted, column=column)
        if count:
            outcome = replace(outcome, left_out=(*outcome.left_out, (REASON, late)))
        if outcome.kind == "survival":
            doubt_head_start(outcome, section, measured, both & ~late, source, column)
        found.append(outcome)
    return found


def doubt_head_start(
    outcome: Outcome,
    section: OutcomeSection,
    measured: np.ndarray,
    used: np.ndarray,
    source: Source,
    column: str,
) -> None:
    """Warn where features were measured (n,) after the patient's time at risk began: at 0, entry or landmark.

    used : (n,) bool, patients whose time of measurement is known and before the outcome
    """
    landmark = getattr(section, "landmark", None)
    begin = np.zeros(len(measured)) if outcome.entry is None else outcome.entry
    late = int((used & (measured > np.maximum(begin, landmark or 0))).sum())
    if not late:
        return
    since = [f"the clock of {outcome.name!r} began"] if outcome.entry is None and landmark is None else []
    since += [] if outcome.entry is None else [f"they entered {outcome.name!r}"]
    since += [] if landmark is None else [f"the landmark of {outcome.name!r} ({landmark:g})"]
    who = "1 patient was" if late == 1 else f"{late} patients were"
    wanted = (
        f"{who} measured after {' and '.join(since)}; they could not have the event before, which makes "
        f'features look protective: state entry = "{column}", or a landmark'
    )
    if landmark is not None:
        wanted += f" of {measured[used].max():g} or later"
    source.findings.warn("immortal time", source.file, wanted, column=column)
