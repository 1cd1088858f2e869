"""Outcomes that are numbers: continuous ones and counts."""

from __future__ import annotations

import numpy as np

from discovery.study.numbers import varies
from discovery.study.settings import ContinuousOutcome, CountOutcome
from discovery.study.source import Source


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
