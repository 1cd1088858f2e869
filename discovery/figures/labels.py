"""Names on a figure: any text from a user's file, made drawable and short enough to read."""

from __future__ import annotations

import re
import unicodedata
from textwrap import TextWrapper

from discovery.figures.letters import letters

UNKNOWN = "□"
NEGATIVE = re.compile(r"(?<![^\s(\[≤<>=])-(?=[\d.])")  # the hyphen before a number; none inside a name


class _Wrapper(TextWrapper):
    """Breaks lines at spaces, after hyphens, and after the underscores of a column's name."""

    wordsep_re = re.compile(r"(\s+|(?<=_)(?=[^\W_])|(?<=\w-)(?=\w))")


def wrap(text: str, width: int, **words) -> list[str]:
    return _Wrapper(width, **words).wrap(text)


def drawable(text: object) -> str:
    """`text` on one line in letters that the figure's font has; each other one becomes a box.

    The table beside the figure keeps the name as it was.
    """
    known = letters()
    out = []
    for letter in unicodedata.normalize("NFC", str(text)):
        if letter.isspace():
            out.append(" ")
        elif unicodedata.category(letter) in ("Cc", "Cf", "Cs", "Co", "Cn"):
            continue
        else:
            out.append(letter if ord(letter) in known else UNKNOWN)
    return NEGATIVE.sub("−", " ".join("".join(out).split()))


def short(text: object, limit: int = 40) -> str:
    """`drawable(text)` cut in the middle, since long names often differ at the end."""
    name = drawable(text)
    if len(name) <= limit:
        return name
    tail = limit // 3
    return f"{name[: limit - tail - 1].rstrip()}…{name[-tail:].lstrip()}"


def distinct(names: list[str], limit: int = 40) -> list[str]:
    """`short` names that stay apart from each other: those that look alike get a number."""
    cut = [short(name, limit) or "(no name)" for name in names]
    seen: dict[str, int] = {}
    out = []
    for name in cut:
        seen[name] = seen.get(name, 0) + 1
        out.append(name if cut.count(name) == 1 else f"{name} [{seen[name]}]")
    return out


def row_labels(names: list[str], width: int = 36, most: int = 2) -> list[str]:
    """Names for the rows of a figure: apart from each other, a long one broken over `most` lines."""
    return ["\n".join(wrap(name, width)[:most]) for name in distinct(names, width * most - 8)]


def lines(text: object, width: int = 34, most: int = 2) -> str:
    """`drawable(text)` broken over at most `most` lines of `width` letters."""
    name = short(text, width * most)
    return "\n".join(wrap(name, width, max_lines=most, placeholder=" …"))
