"""`discovery replicate FROZEN STUDY`: the findings of one cohort tested in another."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from discovery.cli.options import add_run_options, add_study, terminal_line
from discovery.cli.progress import TerminalProgress


def add_to(commands) -> None:
    parser = commands.add_parser("replicate", help="test the frozen findings of a study in a second cohort")
    parser.add_argument(
        "frozen", type=Path, metavar="FROZEN", help="frozen.json of the first cohort's results"
    )
    add_study(parser)
    add_run_options(parser, folder="reports/<name>_replication, of the name of STUDY")
    parser.set_defaults(call=call)


def call(args: argparse.Namespace) -> int:
    from discovery.pipeline.replicate import replicate

    progress = TerminalProgress(sys.stderr, quiet=args.quiet)
    result = replicate(
        args.frozen, args.study, out=args.out, workers=args.workers, cluster=args.cluster, progress=progress
    )
    for line in (*result.remarks, result.headline):
        print(terminal_line(line), file=sys.stderr)
    print(result.report)
    return 0
