"""Files named by a study: where they may lie, and reading them whole with a plain message."""

from __future__ import annotations

import os
from pathlib import Path

from discovery.problems import InputError, Problem, nearest


def one_line(name: str) -> str:
    """A file name fit for a message: printable, and cut when it is very long."""
    plain = "".join(letter if letter.isprintable() else "?" for letter in name)
    return plain if len(plain) <= 200 else f"{plain[:200]}…"


def settings_file(path: Path) -> Path:
    """The study file: `path` itself, or `study.toml` in the folder that it is."""
    return path / "study.toml" if path.is_dir() else path


def resolve(folder: Path, name: str) -> Path:
    """The file `name` of a study in `folder`.

    A relative name must stay inside the folder, links followed; an absolute one is taken as stated.

    Raises
    ------
    InputError
        The name leads out of the folder, or is no name at all.
    """
    try:
        stated = Path(name)
        if stated.is_absolute():
            return stated
        path = folder / stated
        inside = path.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError, ValueError) as error:
        raise InputError(
            [Problem(file=one_line(name), wanted=f"this is no usable file name ({describe(error)})")]
        ) from None
    if not inside:
        wanted = "this leads out of the study folder; move the file in, or state its absolute path"
        raise InputError([Problem(file=one_line(name), wanted=wanted)])
    return path


def read_bytes(path: Path, name: str, *, wanted: str) -> bytes:
    """The content of a file that must be there.

    Raises
    ------
    InputError
        No such file (with the nearest name in its folder), a folder, a device, or not readable.
    """
    try:
        if path.is_dir():
            raise InputError([Problem(file=one_line(name), found="a folder", wanted=wanted)])
        if not path.exists():
            raise InputError(
                [Problem(file=one_line(name), wanted=f"there is no such file; {neighbours(path)}")]
            )
        if not path.is_file():
            raise InputError([Problem(file=one_line(name), found="no ordinary file", wanted=wanted)])
        return path.read_bytes()
    except (OSError, ValueError, RuntimeError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(
            [Problem(file=one_line(name), wanted=f"the file cannot be read: {describe(error)}")]
        ) from None


def neighbours(path: Path) -> str:
    """A hint at what there is instead of `path`."""
    try:
        names = sorted(item.name for item in path.parent.iterdir() if not item.name.startswith("."))
    except OSError:
        return "nor is there such a folder"
    if not names:
        return "the folder is empty"
    hint = nearest(path.name, names)
    return (
        hint
        if hint.startswith("did")
        else f"the folder has {', '.join(names[:12])}{' …' if len(names) > 12 else ''}"
    )


def describe(error: BaseException) -> str:
    if isinstance(error, OSError) and error.errno:
        return os.strerror(error.errno).lower()
    return str(error)[:200]
