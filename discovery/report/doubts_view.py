"""Doubts about the input for the page: one line for all columns of which the same is said, and no patient."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from discovery.problems import Problem, shown
from discovery.report.format import listed

SHOWN = 6


def doubts_in_lines(problems: Iterable[Problem]) -> list[str]:
    """A sentence a doubt, in order; those that differ in the column alone share the first one's line.

    What is said of single rows of a table is said once, without the rows and what stands there: a report is
    shared, and these are patients.
    """
    alike: dict[tuple, list[Problem]] = {}
    for place, problem in enumerate(problems):
        key: tuple
        if _about_a_row(problem):
            key = ("row", problem.file, problem.column, problem.wanted)
        elif problem.column is None or problem.row is not None or problem.found:
            key = (place,)
        else:
            key = (problem.file, problem.wanted)
        alike.setdefault(key, []).append(problem)
    return [_line(same) for same in alike.values()]


def _about_a_row(problem: Problem) -> bool:
    return problem.row is not None and not problem.file.endswith(".toml")


def _line(same: list[Problem]) -> str:
    first = same[0]
    if _about_a_row(first):
        return f"{replace(first, row=None, found='').sentence()} (which rows: discovery check)"
    if len(same) == 1:
        return first.sentence()
    columns = listed([shown(problem.column) for problem in same], limit=SHOWN)
    return f"{first.file}, {len(same)} columns ({columns}); each: {first.wanted}"
