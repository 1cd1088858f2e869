"""The whole way of a recording, from its file to beats, windows and features: time, memory, growth.

Run as a program: python tests/benchmarks/bench_measuring.py [hours ...] (default 6 12 24). The record is
made by tiling a model record of two pressures at 250 samples a second, with breathing and noise added, and
stands in a WFDB file. Every length is measured in a process of its own, after a short record has loaded
everything. `whole` opens the file, assesses quality and site, finds and measures beats, and makes windows and
features; the plain cost is reading the same file once with wfdb and filtering both channels once with scipy
(second-order Butterworth, forward and backward). Both are processor seconds of one core: of `whole` one
run, of the plain way the lesser of two; the ratio is theirs. Memory is the greatest resident size of the
process, and beside it what it was before the record was opened (interpreter, libraries, compiled code).

Measured on two cores under heavy load by other work (processor seconds are then too high; the plain way,
which moves the most memory, is unsteady from row to row, and so is the ratio):

    hours  accepted  plain s  whole s  ratio  MB before  MB peak
        6     26999     0.28     2.24    8.1        349      390
       12     53999     1.06     4.58    4.3        349      437
       24    107999     1.29     9.19    7.1        349      560

Log-log slope of time against length 1.02, of peak memory 0.26: samples are held a piece at a time, what
grows is the table of beats.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

SHARED = Path(__file__).resolve().parents[2] / "shared"
RATE = 250.0
PIECE = int(600 * RATE)
STEPS_PER_MMHG = 100
ONE_THREAD = {name: "1" for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS")}
PLAIN_RUNS = 2
LEAST_HOURS = 0.4


def write_record(stem: Path, hours: float) -> None:
    """A WFDB record of two pressures, 16 bits."""
    source = pd.read_csv(SHARED / "waveforms" / "published_model" / "pub01_normal.csv.gz")
    whole = int(0.8 * RATE) * 35  # whole beats of 0.8 s
    pair = source[["rvp", "pap"]].to_numpy()[:whole]
    rng = np.random.default_rng(1)
    n = int(hours * 3600 * RATE)
    with stem.with_suffix(".dat").open("wb") as file:
        for first in range(0, n, PIECE):
            place = first + np.arange(min(PIECE, n - first))
            breath = 2 * np.sin(2 * np.pi * 0.25 * place / RATE)
            part = pair[place % whole] + breath[:, None] + rng.normal(0, 0.2, (place.size, 2))
            np.round(part * STEPS_PER_MMHG).astype("<i2").tofile(file)
    lines = [f"{stem.name} 2 {RATE:g} {n}"]
    lines += [f"{stem.name}.dat 16 {STEPS_PER_MMHG}(0)/mmHg 16 0 0 0 0 {name}" for name in ("RVP", "PAP")]
    stem.with_suffix(".hea").write_text("\n".join(lines) + "\n")


def plain(stem: Path) -> None:
    """Read the file once and filter both channels once."""
    import wfdb
    from scipy.signal import butter, sosfiltfilt

    sos = butter(2, 40.0, fs=RATE, output="sos")
    for channel in wfdb.rdrecord(str(stem)).p_signal.T:
        sosfiltfilt(sos, channel)


def whole(stem: Path) -> int:
    """Everything from the file to features; the number of accepted beats."""
    from discovery.pipeline.record import Task, measure_record
    from discovery.recordings.index import IndexRow
    from discovery.study.settings import Recordings

    settings = Recordings(folder=".", channels={"rv": "RVP", "pa": "PAP"})
    record = measure_record(Task(IndexRow(2, stem.name, stem, "p1"), settings, {}, False))
    assert not record.reason, record.reason
    return int(record.beats["accepted"].sum())


def seconds(work, stem: Path) -> float:
    start = time.process_time()
    work(stem)
    return time.process_time() - start


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def one_length(folder: Path, hours: float) -> None:
    """Measure one record and print its line; memory is read before the plain way loads the whole file."""
    short, stem = folder / "short", folder / "day"
    whole(short)
    plain(short)
    before = peak_mb()
    start = time.process_time()
    beats = whole(stem)
    full = time.process_time() - start
    peak = peak_mb()
    base = min(seconds(plain, stem) for _ in range(PLAIN_RUNS))
    print(f"{hours:g} {beats} {base:.3f} {full:.3f} {before:.0f} {peak:.0f}")


def main(hours: list[float]) -> None:
    rows = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_record(folder / "short", LEAST_HOURS)
        print("hours  accepted  plain s  whole s  ratio  MB before  MB peak", flush=True)
        for length in hours:
            write_record(folder / "day", length)
            command = [sys.executable, __file__, "--one", name, str(length)]
            environment = {**os.environ, **ONE_THREAD}
            done = subprocess.run(command, check=True, capture_output=True, text=True, env=environment)
            row = [float(text) for text in done.stdout.split()]
            rows.append(row)
            _, beats, base, full, before, peak = row
            print(
                f"{length:5g} {beats:9.0f} {base:8.2f} {full:8.2f} {full / base:6.1f} "
                f"{before:10.0f} {peak:8.0f}",
                flush=True,
            )
    if len(rows) > 1:
        table = np.log(np.array(rows))
        for name, column in (("time", 3), ("peak memory", 5)):
            slope = np.polyfit(table[:, 0], table[:, column], 1)[0]
            print(f"log-log slope of {name} against length: {slope:.2f}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        one_length(Path(sys.argv[2]), float(sys.argv[3]))
    else:
        main([float(text) for text in sys.argv[1:]] or [6.0, 12.0, 24.0])
