"""Collect every problem of an input before saying any, and keep the list readable."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from discovery.problems import InputError, Problem

LISTED_PER_KIND = 20


@dataclass
class Kind:
    """The problems of one kind: those kept to be listed, and how many there were in all."""

    kept: list[Problem] = field(default_factory=list)
    count: int = 0


class Findings:
    """Errors and warnings by kind, in the order in which the kinds turned up.

    Each kind lists at most 20, spread over its columns, and ends with how many more there are.
    """

    def __init__(self) -> None:
        self.kinds: dict[tuple[str, str], Kind] = {}

    def error(
        self,
        kind: str,
        file: str,
        wanted: str,
        *,
        found: object = "",
        row: int | None = None,
        column: str | None = None,
        more: int = 0,
    ) -> None:
        """Note a fault; `more` counts others like it that are not worth keeping one by one."""
        self._add("error", kind, file, wanted, found, row, column, more)

    def warn(
        self,
        kind: str,
        file: str,
        wanted: str,
        *,
        found: object = "",
        row: int | None = None,
        column: str | None = None,
        more: int = 0,
    ) -> None:
        """Note a doubt: the answer will be right but weaker, or a choice was made for the user."""
        self._add("warning", kind, file, wanted, found, row, column, more)

    def error_cells(
        self, kind: str, file: str, wanted: str, column: str, rows: Iterable[int], cells: Iterable[object]
    ) -> None:
        """Note the same fault of many cells of one column."""
        pairs = list(zip(rows, cells))
        for row, cell in pairs[:LISTED_PER_KIND]:
            self.error(kind, file, wanted, found=cell, row=int(row), column=column)
        if len(pairs) > LISTED_PER_KIND:
            self.kinds["error", kind].count += len(pairs) - LISTED_PER_KIND

    def extend(self, problems: Iterable[Problem]) -> None:
        """Note problems found elsewhere, each for itself."""
        for problem in problems:
            self.kinds[problem.severity, f"given {len(self.kinds)}"] = Kind([problem], 1)

    @property
    def failed(self) -> bool:
        return any(severity == "error" for severity, _ in self.kinds)

    @property
    def error_count(self) -> int:
        return sum(entry.count for (severity, _), entry in self.kinds.items() if severity == "error")

    def errors(self) -> list[Problem]:
        return self._listed("error")

    def warnings(self) -> list[Problem]:
        return self._listed("warning")

    def raise_errors(self) -> None:
        """Raise `InputError` with every error and warning found so far, if there is an error."""
        if self.failed:
            raise InputError(self.errors(), self.warnings())

    def _add(self, severity, kind, file, wanted, found, row, column, more) -> None:
        entry = self.kinds.setdefault((severity, kind), Kind())
        entry.count += 1 + more
        entry.kept.append(
            Problem(
                file=file,
                wanted=wanted,
                found=found if isinstance(found, str) else str(found),
                row=row,
                column=column,
                severity=severity,
            )
        )

    def _listed(self, severity: str) -> list[Problem]:
        listed: list[Problem] = []
        for (of_severity, kind), entry in self.kinds.items():
            if of_severity != severity:
                continue
            shown = spread(entry.kept)
            listed += shown
            if entry.count > len(shown):
                last = shown[-1]
                wanted = f"and {entry.count - len(shown)} more of this kind ({kind})"
                listed.append(Problem(file=last.file, wanted=wanted, severity=severity))
        return listed


def spread(problems: list[Problem], limit: int = LISTED_PER_KIND) -> list[Problem]:
    """At most `limit` of `problems` in their order, the first ones of each column before more of any."""
    if len(problems) <= limit:
        return list(problems)
    turn: dict[tuple[str, str | None], int] = {}
    ranked = []
    for position, problem in enumerate(problems):
        place = (problem.file, problem.column)
        turn[place] = turn.get(place, 0) + 1
        ranked.append((turn[place], position))
    return [problems[position] for position in sorted(position for _, position in sorted(ranked)[:limit])]
