"""Outcomes stated by codes: what is noted where cells and declared codes do not go together."""

from __future__ import annotations

import json
from collections.abc import Iterable

import numpy as np

from discovery.study.source import Source, canonical

MOST_NAMED = 12  # labels in a message


def some_of(labels: Iterable[str]) -> str:
    """The first labels, for a message."""
    return ", ".join(list(labels)[:MOST_NAMED])


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
