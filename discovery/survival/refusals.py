"""Short ways to refuse an argument that the caller can mend."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NoReturn

from discovery.problems import InputError, Problem, nearest


def refuse(source: str, wanted: str, *, column: str | None = None, found: str = "") -> NoReturn:
    """Raise an `InputError` with one problem."""
    raise InputError([Problem(file=source, column=column, found=found, wanted=wanted)])


def require_choice(source: str, name: str, value: str, choices: Iterable[str]) -> None:
    """Refuse a `value` that is not one of `choices`, naming the nearest."""
    known = list(choices)
    if value not in known:
        refuse(source, nearest(str(value), known), column=name, found=str(value))


def require_level(source: str, conf_level: float) -> None:
    """Refuse a confidence level outside (0, 1)."""
    if not 0 < conf_level < 1:
        refuse(source, "wanted a share between 0 and 1", column="conf_level", found=str(conf_level))
