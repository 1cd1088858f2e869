"""Counts and episodes of simulated patients as the simulations hand them to an `Outcome`."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from discovery.study import Outcome


def numbered(kind: str, number: np.ndarray, watched: np.ndarray, rng: np.random.Generator) -> dict:
    """Fields of an outcome: counts (n,) with exposure, or as many episodes at even times while watched."""
    given = {"value": number.astype(float)}
    if kind == "count":
        return given | {"exposure": watched}
    whose = np.repeat(np.arange(number.size), number)
    when = rng.uniform(size=whose.size) * watched[whose]
    return given | {"time": watched, "event_patient": whose, "event_time": when}


def first_of(outcome: Outcome, n: int) -> Outcome:
    """The outcome of the first n patients."""
    rows = {
        name: values[:n]
        for name in ("patient_id", "value", "exposure", "time")
        if (values := getattr(outcome, name)) is not None
    }
    if outcome.event_patient is not None:
        mine = outcome.event_patient < n
        rows |= {"event_patient": outcome.event_patient[mine], "event_time": outcome.event_time[mine]}
    return replace(outcome, **rows)
