"""`discovery check STUDY`: is the input fit to be analysed? Computes nothing else, writes nothing."""

from __future__ import annotations

import argparse
import sys

from discovery.cli.options import add_quiet, add_study


def add_to(commands) -> None:
    parser = commands.add_parser("check", help="validate a study file and its tables without computing")
    add_study(parser)
    add_quiet(parser)
    parser.set_defaults(call=call)


def call(args: argparse.Namespace) -> int:
    from discovery.pipeline.check import check

    checked = check(args.study)
    for problem in checked.warnings:
        print(f"  {problem.sentence()}", file=sys.stderr)
    if not args.quiet:
        for line in checked.summary:
            print(line)
    return 0
