"""`discovery measure STUDY`: from recordings to beats, windows and one row a patient and visit."""

from __future__ import annotations

import argparse
import sys

from discovery.cli.options import add_run_options, add_study
from discovery.cli.progress import TerminalProgress


def add_to(commands) -> None:
    parser = commands.add_parser(
        "measure", help="measure the recordings of a study: beats, windows, patients"
    )
    add_study(parser)
    add_run_options(parser)
    parser.set_defaults(call=call)


def call(args: argparse.Namespace) -> int:
    from discovery.pipeline.measured_files import measure_to_folder

    progress = TerminalProgress(sys.stderr, quiet=args.quiet)
    result = measure_to_folder(
        args.study, out=args.out, workers=args.workers, cluster=args.cluster, progress=progress
    )
    for line in result.sentences:
        print(line, file=sys.stderr)
    print(result.folder)
    return 0
