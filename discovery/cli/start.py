"""`discovery start FOLDER`: draft a study file from the tables found there and say what was guessed."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from discovery.problems import InputError, Problem


def add_to(commands) -> None:
    parser = commands.add_parser("start", help="draft a study file from your tables")
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="the folder with your tables")
    parser.set_defaults(call=call)


def call(args: argparse.Namespace) -> int:
    from discovery.study import draft_study

    target = args.folder / "study.toml"
    if target.exists():
        raise InputError(
            [Problem(file=str(target), wanted="there is a study file already; move it away to draft anew")]
        )
    draft = draft_study(args.folder)
    for guess in draft.guesses:
        print(f"  {guess}", file=sys.stderr)
    target.write_text(draft.text, encoding="utf-8", newline="\n")
    print(f"Read {target}, mend what was guessed wrongly, then: discovery check {target}", file=sys.stderr)
    print(target)
    return 0
