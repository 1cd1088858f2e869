"""What the user can mend: problems in the input, collected and reported all at once."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

SHOWN_CHARACTERS = 80


@dataclass(frozen=True, kw_only=True)
class Problem:
    """One fault (or doubt) in the input.

    `row` is the 1-based line of the file, the header being line 1, so that it is the number a
    spreadsheet shows. `found` is what stands there, `wanted` what should.
    """

    file: str
    wanted: str
    found: str = ""
    row: int | None = None
    column: str | None = None
    severity: str = "error"  # or "warning"

    def sentence(self) -> str:
        place = [self.file]
        if self.row is not None:
            place.append(f"row {self.row}")
        if self.column is not None:
            place.append(f"column {shown(self.column)}")
        found = f": found {shown(self.found)}" if self.found != "" else ""
        return f"{', '.join(place)}{found}; {self.wanted}"


class InputError(ValueError):
    """Input that the caller can mend: `problems` holds one `Problem` for each fault, `warnings` the doubts
    that turned up beside them."""

    def __init__(self, problems: Iterable[Problem], warnings: Iterable[Problem] = ()):
        self.problems, self.warnings = list(problems), list(warnings)
        super().__init__("\n".join(problem.sentence() for problem in self.problems))


def shown(value: object) -> str:
    """`value` quoted for a message: one line, control characters escaped, cut when long."""
    text = value if isinstance(value, str) else str(value)
    tail = f"… ({len(text)} characters)" if len(text) > SHOWN_CHARACTERS else ""
    return repr(text[:SHOWN_CHARACTERS]) + tail


def named(name: str) -> str:
    """A name for a list in a message: as it is, or `shown` where it is long or cannot be printed."""
    return name if len(name) <= SHOWN_CHARACTERS and name.isprintable() else shown(name)


def counted(patients: int) -> str:
    return f"{patients} patient{'s' if patients != 1 else ''}"


def nearest(name: str, known: Iterable[str]) -> str:
    """A hint for a mistyped `name`: the nearest known one, or the list of those there are."""
    names = [str(item) for item in known]
    turned = str(name)[::-1]
    near = turned if turned in names else near_miss(str(name), names)  # "=>" for ">="
    if near is not None:
        return f"did you mean {shown(near)}?"
    listed = ", ".join(map(named, names[:12])) + (" …" if len(names) > 12 else "")
    return f"known: {listed}" if names else "there is none"


def near_miss(name: str, known: Iterable[str]) -> str | None:
    """The one of `known` that `name` may be a slip of: at most a third of the letters typed otherwise."""
    text = name[:SHOWN_CHARACTERS]
    alike = difflib.get_close_matches(text, list(known), n=5)
    slips = [(edits(text, one), one) for one in alike]
    near = [(count, one) for count, one in slips if count <= max(1, max(len(text), len(one)) // 3)]
    return min(near, key=lambda slip: slip[0])[1] if near else None


def edits(one: str, other: str) -> int:
    """The fewest letters to put in, take out, replace or swap with the next that make `one` the `other`.

    Optimal string alignment: Damerau, Commun ACM 1964;7:171-176.
    """
    before: list[int] = []
    row = list(range(len(other) + 1))
    for i, letter in enumerate(one, start=1):
        before, last, row = row, before, [i]
        for j, wanted in enumerate(other, start=1):
            row.append(min(before[j] + 1, row[j - 1] + 1, before[j - 1] + (letter != wanted)))
            if i > 1 and j > 1 and (letter, one[i - 2]) == (other[j - 2], wanted):
                row[j] = min(row[j], last[j - 2] + 1)
    return row[-1]
