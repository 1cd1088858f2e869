"""Outcomes that are classes: yes or no, in an order, without one."""

from __future__ import annotations

import numpy as np

from discovery.problems import counted
from discovery.study.outcome_codes import few_events, report_strays, some_of
from discovery.study.settings import BinaryOutcome, Codes, MulticlassOutcome, OrdinalOutcome, as_codes
from discovery.study.source import Source, canonical, code_text, coded, first_places
from discovery.terms import LEAST_EVENTS

MOST_CLASSES = 20
SMALL_CLASS = 5  # patients; a smaller one is warned of


def read_binary(settings: BinaryOutcome, source: Source, kept: np.ndarray) -> dict[str, object]:
    """`value` (n,) of the kept patients: 1 where the cell is one of the positive codes, 0 where negative."""
    cells = source.labels(settings.column)
    groups = _negative_and_positive(settings, source, cells)
    if groups is None:
        return {}
    value, stray = coded(cells, groups, comma=source.table.comma)
    report_strays(source, settings.column, cells, stray, "positive or negative", settings.name)
    value = value[kept]
    negatives, positives = (int((value == code).sum()) for code in (0, 1))
    if not stray.size and not (negatives and positives):
        codes = _stated(settings)
        what = f"positive = {codes}" if not positives else f"anything but positive = {codes}"
        _one_class(settings, source, cells, what)
    elif min(negatives, positives) < LEAST_EVENTS:
        fewer = counted(min(negatives, positives))
        few_events(source, settings.column, settings.name, f"{fewer} in the smaller class")
    return {"value": value}


def _negative_and_positive(settings: BinaryOutcome, source: Source, cells: list[str]) -> list[Codes] | None:
    """The codes of the two classes; None, with the fault noted, where they are not two."""
    comma = source.table.comma
    positive = {canonical(code_text(code)) for code in as_codes(settings.positive)}
    if not any(canonical(cell, comma=comma) in positive for cell in first_places(cells)):
        _one_class(settings, source, cells, f"positive = {_stated(settings)}")
        return None
    if settings.negative is not None:
        return [as_codes(settings.negative), as_codes(settings.positive)]
    others = sorted({cell for cell in cells if cell and canonical(cell, comma=comma) not in positive})
    if len({canonical(cell, comma=comma) for cell in others}) > 1:
        wanted = (
            "two classes are wanted, here are several beside positive: list those that count as negative "
            f"in negative = […] of {settings.name!r}, and empty the others"
        )
        source.findings.error(
            "several classes", source.file, wanted, found=some_of(others), column=settings.column
        )
        return None
    return [tuple(others), as_codes(settings.positive)]


def _stated(settings: BinaryOutcome) -> str:
    return ", ".join(code_text(code) for code in as_codes(settings.positive))


def _one_class(settings: BinaryOutcome, source: Source, cells: list[str], nobody: str) -> None:
    wanted = f"two classes are wanted; no patient has {nobody}"
    found = some_of(first_places(cells))
    source.findings.error("one class", source.file, wanted, found=found, column=settings.column)


def read_classes(
    settings: OrdinalOutcome | MulticlassOutcome, source: Source, kept: np.ndarray
) -> dict[str, object]:
    """`value` (n,) of the kept patients: the class's position among the `categories` that somebody has."""
    cells = source.labels(settings.column)
    names = _class_names(settings, source, cells)
    if names is None:
        return {}
    value, stray = coded(cells, [(name,) for name in names], comma=source.table.comma)
    report_strays(source, settings.column, cells, stray, "levels", settings.name)
    if stray.size:
        return {}
    value = value[kept]
    sizes = np.array([(value == code).sum() for code in range(len(names))])
    present = np.flatnonzero(sizes)
    if not _sizes_will_do(settings, source, names, sizes):
        return {}
    position = np.full(len(names), np.nan)
    position[present] = np.arange(present.size)
    filled = np.isfinite(value)
    value[filled] = position[value[filled].astype(np.int64)]
    return {"value": value, "categories": tuple(names[code] for code in present)}


def _class_names(
    settings: OrdinalOutcome | MulticlassOutcome, source: Source, cells: list[str]
) -> list[str] | None:
    """The classes in their order; None, with the fault noted, where the order is wanted and not stated."""
    if settings.levels is not None:
        return [code_text(code) for code in settings.levels]
    comma = source.table.comma
    present = {canonical(cell, comma=comma): cell for cell in first_places(cells)}
    if settings.kind == "ordinal" and any(isinstance(code, str) for code in present):
        wanted = f"the order of the classes is wanted: levels = [low, …, high] of {settings.name!r}"
        found = some_of(sorted(map(str, present.values())))
        source.findings.error("no order", source.file, wanted, found=found, column=settings.column)
        return None
    order = sorted(present, key=lambda code: (isinstance(code, str), code))
    return [
        present[code].replace(",", ".") if comma and isinstance(code, float) else present[code]
        for code in order
    ]


def _sizes_will_do(
    settings: OrdinalOutcome | MulticlassOutcome, source: Source, names: list[str], sizes: np.ndarray
) -> bool:
    """Whether two classes have patients; what else is odd about the `sizes` (K,) is noted."""
    findings, file, column, name = source.findings, source.file, settings.column, settings.name
    present = np.flatnonzero(sizes)
    if present.size < 2:
        wanted = f"two classes or more are wanted for {name!r}"
        findings.error("one class", file, wanted, found=some_of(names), column=column)
        return False
    if present.size > MOST_CLASSES:
        wanted = f"at most {MOST_CLASSES} classes are wanted for {name!r}; is it continuous?"
        findings.error("many classes", file, wanted, found=f"{present.size} classes", column=column)
    for code in np.flatnonzero(sizes == 0):
        wanted = f"no patient has this class of {name!r}; it is left out"
        findings.warn("empty class", file, wanted, found=names[code], column=column)
    for code in present[sizes[present] < SMALL_CLASS]:
        who = "1 patient has" if sizes[code] == 1 else f"{sizes[code]} patients have"
        wanted = f"only {who} this class of {name!r}"
        findings.warn("small class", file, wanted, found=names[code], column=column)
    return True
