"""Whole commands as a user starts them: help, check, and the main job on an open cohort.

    python tests/benchmarks/bench_main_job.py

Seconds from start to end of each process, the median of several, beside starting Python with pandas.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
COHORT = str(ROOT / "cohorts" / "wdbc")


def seconds(*command: str, repeats: int) -> float:
    spent = []
    for _ in range(repeats):
        began = time.perf_counter()
        subprocess.run([sys.executable, *command], check=True, capture_output=True)
        spent.append(time.perf_counter() - began)
    return statistics.median(spent)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        jobs = {
            "python with pandas": (("-c", "import pandas"), 5),
            "discovery --help": (("-m", "discovery", "--help"), 9),
            "discovery check wdbc": (("-m", "discovery", "check", COHORT), 5),
            "discovery run wdbc": (("-m", "discovery", "run", COHORT, "--out", f"{folder}/out"), 3),
        }
        base = None
        for name, (command, repeats) in jobs.items():
            took = seconds(*command, repeats=repeats)
            base = base or took
            print(f"{name:24s} {took:8.2f} s {took / base:8.1f} x")


if __name__ == "__main__":
    main()
