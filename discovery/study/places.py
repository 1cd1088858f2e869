"""Where a key stands in the text of a study file: its line, and what people call its place."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

from discovery.problems import Problem


def problem_at(place: tuple[str | int, ...], text: str, file: str, found: object, wanted: str) -> Problem:
    return Problem(
        file=file,
        row=line_of(place, text),
        column=dotted(place) or None,
        found="" if found is None else found if isinstance(found, str) else str(found),
        wanted=wanted,
    )


def with_lines(problems: list[Problem], text: str, file: str) -> list[Problem]:
    """The problems, those at a key of the study file with its name `file`, and the key's line in `text`."""
    placed = []
    for problem in problems:
        place = undotted(problem.column or "") if problem.file == "study.toml" else ()
        if place and problem.row is None:
            problem = replace(problem, file=file, row=line_of(place, text))
        placed.append(problem)
    return placed


def undotted(name: str) -> tuple[str | int, ...]:
    """The place that `dotted` gives this name; () of other names."""
    if not re.fullmatch(r"[a-z]\w*(\[\d+\])?(\.\w+(\[\d+\])?)+", name):
        return ()
    return tuple(int(step) - 1 if step.isdigit() else step for step in re.findall(r"\w+", name))


def dotted(place: tuple[str | int, ...]) -> str:
    """`outcomes[2].column` for people, counting from 1."""
    name = ""
    for step in place:
        name += f"[{step + 1}]" if isinstance(step, int) else f".{step}" if name else str(step)
    return name


def line_of(place: tuple[str | int, ...], text: str) -> int | None:
    """The line of the key at `place`, or of the table it belongs to; None when it is not seen."""
    best, best_depth = None, 0
    for row, key in keys_by_line(text):
        depth = len(key)
        if depth > best_depth and place[:depth] == key:
            best, best_depth = row, depth
    return best


def keys_by_line(text: str) -> Iterator[tuple[int, tuple[str | int, ...]]]:
    """Each line that names a table or a key, with the place it names."""
    table: tuple[str | int, ...] = ()
    counts: dict[str, int] = {}
    for row, line in enumerate(text.split("\n"), start=1):
        heading = re.match(r"^\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?$", line)
        if heading:
            steps = split_key(heading[2])
            if heading[1] == "[[":
                counts[steps[0]] = counts.get(steps[0], -1) + 1
                table = (steps[0], counts[steps[0]], *steps[1:])
            else:
                table = tuple(steps)
            yield row, table
            continue
        key = re.match(r"""^\s*((?:"[^"]*"|'[^']*'|[\w.\- ]+?))\s*=""", line)
        if key:
            yield row, (*table, *split_key(key[1]))


def split_key(text: str) -> list[str]:
    if text[:1] in "\"'":
        return [text.strip("\"'")]
    return [part.strip().strip("\"'") for part in text.split(".")]
