"""Whom a figure is of, in words: how many patients and events."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from discovery.report.format import counted_one, plural
from discovery.report.settings import OutcomeRun
from discovery.terms import COMPLETE_CASES


def outcome_people(outcome: OutcomeRun) -> str:
    """`n = 240, 88 events`."""
    parts = [f"n = {outcome.n}"]
    if outcome.events is not None:
        parts.append(plural(outcome.events, counted_one(outcome.kind)))
    parts += [f"{count} with {name}" for name, count in outcome.competing.items()]
    return ", ".join(parts)


def people_with(outcome: OutcomeRun, feature: str, label: str, associations: pd.DataFrame | None) -> str:
    """Who a figure of one feature is of: `n = 160, 47 events: the patients with a value of SvO2`.

    Such figures impute nothing. `associations` has a row "complete cases" for a feature with gaps.
    """
    narrow = outcome.complete or outcome
    if associations is None or associations.empty:
        return outcome_people(narrow)
    mine = associations[(associations["feature"] == feature) & (associations["model"] == COMPLETE_CASES)]
    if mine.empty:
        return outcome_people(narrow)
    whose = f"the patients with a value of {label}" + (" and all covariates" if outcome.complete else "")
    n, events = mine.iloc[0]["n"], mine.iloc[0]["events"]
    if pd.isna(n):  # masked
        return whose
    known = None if pd.isna(events) else int(events)
    return f"{outcome_people(replace(narrow, n=int(n), events=known, competing={}))}: {whose}"
