"""Outcomes that are numbers: continuous ones and counts."""

from __future__ import annotations

import numpy as np

from discovery.study.numbers import LARGEST, too_small, varies
from discovery.study.settings import ContinuousOutcome, CountOutcome
from discovery.study.source import Source

NO_EXPOSURE, FAR_EXPOSURE = 1_000_000, 1000  # times the median, up or down


def read_continuous(settings: ContinuousOutcome, source: Source, kept: np.ndarray) -> dict[str, object]:
    before = source.findings.error_count
    value = source.require_numbers(settings.column)[kept]
    faulty = source.findings.error_count > before
    distinct = np.unique(value[np.isfinite(value)])
    if not varies(value) and (distinct.size or not faulty):  # that nothing is a number is said
        _refuse_constant("values", distinct, settings, source)
    elif distinct.size == 2:
        wanted = f"only two values occur; is the outcome {settings.name!r} binary?"
        source.findings.warn("looks binary", source.file, wanted, column=settings.column)
    return {"value": value}


def read_count(settings: CountOutcome, source: Source, kept: np.ndarray) -> dict[str, object]:
    before = source.findings.error_count
    value = source.require_numbers(settings.column)
    faulty = source.findings.error_count > before
    source.error_rows(
        "negative count", "a count of 0 or more is wanted", settings.column, np.flatnonzero(value < 0)
    )
    broken = np.flatnonzero(np.isfinite(value) & (value != np.round(value)))
    source.error_rows("no count", "a whole number is wanted", settings.column, broken)
    parts: dict[str, object] = {"value": value[kept]}
    if settings.exposure is not None:
        parts["exposure"] = exposure_numbers(source, settings.exposure)[kept]
    distinct = np.unique(value[kept][np.isfinite(value[kept])])
    if distinct.size < 2 and (distinct.size or not faulty):  # that nothing is a number is said
        _refuse_constant("counts", distinct, settings, source)
    return parts


def _refuse_constant(
    what: str, distinct: np.ndarray, settings: ContinuousOutcome | CountOutcome, source: Source
) -> None:
    """Note an outcome whose patients do not differ."""
    wanted = (
        f"different {what} are wanted for {settings.name!r}, here is {'one' if distinct.size else 'none'}"
    )
    found = f"{distinct[0]:g}" if distinct.size else ""
    source.findings.error("one class", source.file, wanted, found=found, column=settings.column)


def exposure_numbers(source: Source, column: str) -> np.ndarray:
    """Times above 0 that can be held against each other, NaN where missing.

    One beyond a millionth or a million of the median is a slip: a rate per such a time overflows or says
    nothing, and one of a million times the others decides the dispersion alone. From a thousand on it is
    doubted. Below 1e-100 no number is a time, whatever the others are.
    """
    exposure = source.require_numbers(column)
    source.error_rows("no exposure", "a time above 0 is wanted", column, np.flatnonzero(exposure <= 0))
    tiny = too_small(exposure)
    wanted = f"a time above 0 that can be computed with ({1 / LARGEST:g} or more) is wanted"
    source.error_rows("no exposure", wanted, column, np.flatnonzero(tiny))
    usable = (exposure > 0) & ~tiny
    if not usable.any():
        return exposure
    middle = float(np.median(exposure[usable]))
    times = np.ones(len(exposure))
    times[usable] = np.maximum(exposure[usable] / middle, middle / exposure[usable])
    wanted = (
        f"a time from a millionth to a million times the median of the column ({middle:g}) is wanted: is "
        "this in the unit of the others?"
    )
    source.error_rows("far exposure", wanted, column, np.flatnonzero(times > NO_EXPOSURE))
    doubted = np.flatnonzero((times > FAR_EXPOSURE) & (times <= NO_EXPOSURE))
    if doubted.size:
        who = "1 patient" if doubted.size == 1 else f"{doubted.size} patients"
        wanted = (
            f"{who} with a time more than {FAR_EXPOSURE} times off the median ({middle:g}): is this in the "
            "unit of the others?"
        )
        first = doubted[0]
        found, row = f"{exposure[first]:g}", source.row(first)
        source.findings.warn("doubtful exposure", source.file, wanted, found=found, row=row, column=column)
    return exposure
