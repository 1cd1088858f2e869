"""Arguments that several commands share."""

from __future__ import annotations

import argparse
from pathlib import Path

LONGEST_LINE = 1000


def study_path(text: str) -> Path:
    """The study file itself, or the folder that holds `study.toml`."""
    path = Path(text)
    return path / "study.toml" if path.is_dir() else path


def results_path(text: str) -> Path:
    """A folder for the results; an empty text is none (as a path it would be the current folder)."""
    if not text.strip():
        raise argparse.ArgumentTypeError("found an empty name; the name of a folder is wanted")
    return Path(text)


def at_least_one(text: str) -> int:
    try:
        number = int(text)
    except ValueError:
        number = 0
    if number < 1:
        raise argparse.ArgumentTypeError(f"found {text!r}; a whole number of 1 or more is wanted")
    return number


def add_study(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "study", type=study_path, metavar="STUDY", help="a study file, or the folder with study.toml"
    )


def add_quiet(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--quiet", action="store_true", help="no progress, only problems and the result")


def add_run_options(parser: argparse.ArgumentParser, *, folder: str = "reports/<name>") -> None:
    parser.add_argument(
        "--out", type=results_path, metavar="DIR", help=f"folder for the results (default {folder})"
    )
    parser.add_argument(
        "--workers", type=at_least_one, metavar="N", help="how many cores to use (at most those there are)"
    )
    parser.add_argument(
        "--cluster", metavar="ADDRESS", help="address of a Dask scheduler, to work on several hosts"
    )
    add_quiet(parser)


def terminal_line(text: str) -> str:
    """A sentence fit for a terminal, cut where names in it are very long; the report has it whole."""
    return text if len(text) <= LONGEST_LINE else f"{text[:LONGEST_LINE]}…"
