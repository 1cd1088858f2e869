"""The console command: parse, call one function, print where the result is.

Exit status: 0 done; 1 a fault of ours, its traceback kept in a log file; 2 input that the user can
mend; 3 a verification found a difference; 130 stopped from the keyboard; 141 nobody reads the output any
more, as in `discovery features | head`; 143 stopped by SIGTERM.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import tempfile
import traceback
import warnings
from pathlib import Path

from discovery import __version__
from discovery.cli import check, compile, demo, features, measure, replicate, run, start
from discovery.pipeline.garbage import collect_seldom
from discovery.problems import InputError

DONE, OUR_FAULT, INPUT_FAULT, STOPPED, READER_GONE = 0, 1, 2, 130, 141

CAUTION = (
    "Research software: no result is a threshold for care. "
    "Results defer to clinical judgement and local practice."
)


def build_parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="discovery",
        description="Find which features of right-ventricular pressure waveforms go with dysfunction in a "
        "cohort, and say how sure that is.",
        epilog=CAUTION,
    )
    parser.add_argument("--version", action="version", version=f"discovery {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for command in (demo, run, replicate, measure, check, start, features, compile):
        command.add_to(commands)
    return parser


def main(argv: list[str] | None = None) -> int:
    """Run a command; `argv` None is the command line, where libraries keep their warnings to themselves."""
    if argv is None:
        silence_libraries()
        signal.signal(signal.SIGTERM, stop_in_order)
        collect_seldom()
    try:
        try:
            return obey(argv)
        finally:
            sys.stdout.flush()
    except BrokenPipeError:
        give_up_output()
        return READER_GONE


def obey(argv: list[str] | None) -> int:
    """Run a command; its exit status.

    Raises
    ------
    BrokenPipeError
        Whoever read the output has gone.
    """
    args = build_parser().parse_args(argv)
    try:
        return args.call(args)
    except InputError as error:
        print_problems(error)
        return INPUT_FAULT
    except BrokenPipeError:
        raise
    except OSError as error:
        print(f"discovery: {describe_os_error(error)}", file=sys.stderr)
        return INPUT_FAULT
    except KeyboardInterrupt:
        print("\ndiscovery: stopped from the keyboard", file=sys.stderr)
        return STOPPED
    except Exception as error:  # the user must never meet a traceback
        print(
            f"discovery: a fault of ours, not of your data: {type(error).__name__}. "
            f"What happened is written in {keep_traceback()}",
            file=sys.stderr,
        )
        return OUR_FAULT


def give_up_output() -> None:
    """Let what is still to be said go nowhere, lest Python complains of it when it ends."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (sys.stdout, sys.stderr):
        os.dup2(nowhere, stream.fileno())


def stop_in_order(number: int, _frame: object) -> None:
    """Leave by way of all that ends processes and takes temporary files away; at once when told again."""
    signal.signal(number, signal.SIG_DFL)
    raise SystemExit(128 + number)


def silence_libraries() -> None:
    """No warning of Python's own, here or in a process started from here, unless asked for (-W)."""
    if not sys.warnoptions:
        warnings.simplefilter("ignore")
        os.environ["PYTHONWARNINGS"] = "ignore"


def print_problems(error: InputError) -> None:
    count = len(error.problems)
    print(
        f"discovery: {count} problem{'s' if count != 1 else ''} in the input; nothing was written",
        file=sys.stderr,
    )
    for problem in error.problems:
        print(f"  {problem.sentence()}", file=sys.stderr)
    if error.warnings:
        some = f"{len(error.warnings)} warning{'s' if len(error.warnings) != 1 else ''}"
        print(f"and {some}, which would not stand in the way", file=sys.stderr)
    for warning in error.warnings:
        print(f"  {warning.sentence()}", file=sys.stderr)


def describe_os_error(error: OSError) -> str:
    """The file and the system's reason, without the error number."""
    reason = error.strerror or str(error) or type(error).__name__
    return f"{error.filename}: {reason}" if error.filename else reason


def keep_traceback() -> Path:
    with tempfile.NamedTemporaryFile(
        "w", prefix="discovery-fault-", suffix=".log", delete=False, encoding="utf-8"
    ) as log:
        log.write(traceback.format_exc())
        return Path(log.name)
