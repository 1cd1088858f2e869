"""A day of two channels at 250 samples a second: time, memory and growth of measuring it.

Run as a program: python tests/benchmarks/bench_beats.py [hours ...]. The record is made by tiling a model
record and adding breathing and noise; it is handed over in pieces of 10 min, as a reader would. The plain
cost is reading the same samples from a file and filtering them once with scipy. Processor time of one core.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.signal import butter, sosfiltfilt

from discovery.beats.measurer import Measurer
from discovery.beats.options import Options

SHARED = Path(__file__).resolve().parents[2] / "shared"
RATE = 250.0
PIECE = int(600 * RATE)


def write_record(path: Path, hours: float) -> int:
    """Two channels of float32 in a raw file, sample after sample."""
    source = pd.read_csv(SHARED / "waveforms" / "published_model" / "pub01_normal.csv.gz")
    whole = int(0.8 * RATE) * 35  # whole beats of 0.8 s
    pair = source[["rvp", "pap"]].to_numpy()[:whole]
    rng = np.random.default_rng(1)
    n = int(hours * 3600 * RATE)
    with path.open("wb") as file:
        for first in range(0, n, PIECE):
            size = min(PIECE, n - first)
            t = (first + np.arange(size)) / RATE
            part = pair[(first + np.arange(size)) % whole] + 2 * np.sin(2 * np.pi * 0.25 * t)[:, None]
            (part + rng.normal(0, 0.2, part.shape)).astype(np.float32).tofile(file)
    return n


def pieces(path: Path):
    """The samples of both channels in pieces of 10 min."""
    with path.open("rb") as file:
        while True:
            part = np.fromfile(file, dtype=np.float32, count=2 * PIECE)
            if part.size == 0:
                return
            yield part.reshape(-1, 2).astype(np.float64)


def plain(path: Path) -> float:
    """Processor seconds to read the file and filter both channels once."""
    sos = butter(2, 40.0, fs=RATE, output="sos")
    start = time.process_time()
    for part in pieces(path):
        for channel in part.T:
            sosfiltfilt(sos, channel)
    return time.process_time() - start


def measured(path: Path):
    """Processor seconds to read and measure, and the result."""
    measurer = Measurer(RATE, options=Options(site_at=lambda t: np.full(t.shape, "RV", dtype=object)))
    start = time.process_time()
    for part in pieces(path):
        measurer.add(part[:, 0], pa=part[:, 1])
    result = measurer.finish()
    return time.process_time() - start, result


def main(hours: list[float]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "record"
        write_record(path, 0.4)
        measured(path)  # compile before the clock starts
        print("hours  beats    plain s  measure s  ratio  peak MB")
        for length in hours:
            write_record(path, length)
            base = plain(path)
            seconds, result = measured(path)
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(
                f"{length:5g} {len(result.beats):7d} {base:9.2f} {seconds:9.2f} "
                f"{seconds / base:7.1f} {peak:8.0f}"
            )


if __name__ == "__main__":
    main([float(text) for text in sys.argv[1:]] or [3.0, 6.0, 12.0, 24.0])
