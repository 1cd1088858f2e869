"""`discovery run STUDY`: from a study file to ranked markers and a report."""

from __future__ import annotations

import argparse
import sys

from discovery.cli.options import add_run_options, add_study, terminal_line
from discovery.cli.progress import TerminalProgress


def add_to(commands) -> None:
    parser = commands.add_parser("run", help="analyse a study: tables, figures and a report")
    add_study(parser)
    add_run_options(parser)
    parser.set_defaults(call=call)


def call(args: argparse.Namespace) -> int:
    from discovery.pipeline.check import check
    from discovery.pipeline.run import run

    progress = TerminalProgress(sys.stderr, quiet=args.quiet)
    checked = check(args.study)
    for problem in checked.warnings:
        print(f"  {problem.sentence()}", file=sys.stderr)
    result = run(checked.study, out=args.out, workers=args.workers, cluster=args.cluster, progress=progress)
    for line in (*result.remarks, *result.headlines):
        print(terminal_line(line), file=sys.stderr)
    print(result.report)
    return 0
