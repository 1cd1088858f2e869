"""`discovery compile`: all numeric loops, so that the first run does not have to."""

from __future__ import annotations

import argparse
import sys
import time

from discovery.cli.options import add_quiet, at_least_one
from discovery.cli.progress import TerminalProgress, clock_text


def add_to(commands) -> None:
    parser = commands.add_parser("compile", help="compile the numeric loops, once after installing")
    parser.add_argument(
        "--workers", type=at_least_one, metavar="N", help="how many cores to use (at most those there are)"
    )
    add_quiet(parser)
    parser.set_defaults(call=call)


def call(args: argparse.Namespace) -> int:
    from discovery.pipeline.compile_ahead import compile_all
    from discovery.pipeline.parallel import workers_here
    from discovery.study.settings import available_cores

    began = time.monotonic()
    progress = TerminalProgress(sys.stderr, quiet=args.quiet)
    parts = compile_all(workers=workers_here(args.workers or available_cores())[0], progress=progress)
    if parts:
        print(f"Compiled in {clock_text(time.monotonic() - began)}: {', '.join(parts)}.")
    else:
        print("All is compiled already.")
    return 0
