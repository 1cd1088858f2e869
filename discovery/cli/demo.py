"""`discovery demo`: a virtual cohort from raw waveforms to report."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from discovery.cli.options import add_run_options, at_least_one
from discovery.cli.progress import TerminalProgress


def add_to(commands) -> None:
    parser = commands.add_parser(
        "demo", help="make a virtual cohort with known truth, measure and analyse it"
    )
    parser.add_argument(
        "--patients", type=at_least_one, default=240, metavar="N", help="how many, from 24 (default 240)"
    )
    parser.add_argument(
        "--cohort",
        type=Path,
        metavar="DIR",
        help="folder for the cohort (default cohorts/demo, or beside --out where that is given)",
    )
    add_run_options(parser)
    parser.set_defaults(call=call)


def call(args: argparse.Namespace) -> int:
    from discovery.pipeline.demo import demo

    progress = TerminalProgress(sys.stderr, quiet=args.quiet)
    result = demo(
        out=args.out,
        cohort=args.cohort,
        patients=args.patients,
        workers=args.workers,
        cluster=args.cluster,
        progress=progress,
    )
    for line in (*result.remarks, *result.headlines):
        print(line, file=sys.stderr)
    print(result.report)
    return 0
