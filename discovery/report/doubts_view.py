"""Doubts about the input for the page: one line for all columns of which the same is said."""

from __future__ import annotations

from collections.abc import Iterable

from discovery.problems import Problem, shown
from discovery.report.format import listed

SHOWN = 6


def doubts_in_lines(problems: Iterable[Problem]) -> list[str]:
    """A sentence a doubt, in order; those that differ in the column alone share the first one's line."""
    alike: dict[tuple, list[Problem]] = {}
    for place, problem in enumerate(problems):
        alone = problem.column is None or problem.row is not None or problem.found
        key = (place,) if alone else (problem.file, problem.wanted)
        alike.setdefault(key, []).append(problem)
    return [
        same[0].sentence()
        if len(same) == 1
        else f"{same[0].file}, {len(same)} columns ({listed([shown(p.column) for p in same], limit=SHOWN)}); "
        f"each: {same[0].wanted}"
        for same in alike.values()
    ]
