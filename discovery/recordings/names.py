"""Which channel of a file plays which role: exact name first, then kinder comparisons."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from discovery.problems import Problem, nearest
from discovery.recordings.units import ROLES, split_unit


def _letters(name: str) -> str:
    return re.sub(r"[^0-9a-z]", "", name.casefold())


def match_name(wanted: str, names: Sequence[str]) -> list[int]:
    """Positions in `names` that `wanted` means, by the first comparison that finds any.

    In turn: as written; without case and outer spaces; letters and digits alone; the same with a
    unit behind the file's name left off (`pressure_mmHg` answers to `pressure`).
    """
    for form in (
        str,
        lambda name: name.strip().casefold(),
        _letters,
        lambda name: _letters(split_unit(name)[0]),
    ):
        aim = form(wanted)
        found = [i for i, name in enumerate(names) if aim and form(name) == aim]
        if found:
            return found
    return []


def assign_roles(
    channels: Mapping[str, str], names: Sequence[str], *, file: str
) -> tuple[dict[str, int], list[Problem]]:
    """Positions in `names` by role, and what could not be assigned.

    A role whose channel is absent is a warning while another one was found, an error when none was.
    Two roles that mean one channel, a name that means several, and an unknown role are errors.
    """
    problems: list[Problem] = []
    taken: dict[int, str] = {}
    found: dict[str, int] = {}
    absent: list[tuple[str, str]] = []
    for role, wanted in channels.items():
        if role not in ROLES:
            problems.append(
                Problem(file=file, found=role, wanted=f"a known role is wanted; {nearest(role, ROLES)}")
            )
            continue
        places = match_name(wanted, names)
        if not places:
            absent.append((role, wanted))
        elif len(places) > 1:
            listed = ", ".join(repr(names[i]) for i in places[:6])
            problems.append(
                Problem(
                    file=file,
                    column=wanted,
                    wanted=f"one channel for {role!r} is wanted, but {listed} all match",
                )
            )
        elif places[0] in taken:
            own = f"a channel of its own for {role!r} is wanted; it already serves {taken[places[0]]!r}"
            problems.append(Problem(file=file, column=wanted, wanted=own))
        else:
            taken[places[0]] = role
            found[role] = places[0]
    for role, wanted in absent:
        problems.append(
            Problem(
                file=file,
                column=wanted,
                found="no such channel",
                wanted=f"a channel for {role!r} is wanted; {nearest(wanted, names)}",
                severity="warning" if found else "error",
            )
        )
    return found, problems
