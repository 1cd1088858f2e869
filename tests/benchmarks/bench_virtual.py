"""How fast the virtual circulation and the registry are: `python tests/benchmarks/bench_virtual.py`."""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from discovery.seeds import named_rng
from discovery.virtual.breathing import Breathing
from discovery.virtual.circulation import simulate
from discovery.virtual.cohort import make_cohort
from discovery.virtual.parameters import Physiology
from discovery.virtual.rhythm import Rhythm


def clocked(call):
    wall, cpu = time.perf_counter(), time.process_time()
    call()
    return time.perf_counter() - wall, time.process_time() - cpu


def main(patients: int = 240) -> None:
    def one():
        simulate(Physiology(), Rhythm(), Breathing(), named_rng(1, "bench"), duration_s=60.0)

    wall, cpu = clocked(one)
    print(f"first call, compiling or loading: {wall:.2f} s wall, {cpu:.2f} s CPU")
    wall, cpu = min(clocked(one) for _ in range(5))
    print(f"60 s at 250 Hz after 20 s of settling: {wall:.3f} s wall, {cpu:.3f} s CPU (best of 5)")
    with tempfile.TemporaryDirectory() as folder:
        for workers in (1, 2):
            wall, cpu = clocked(lambda w=workers: make_cohort(Path(folder), patients=patients, workers=w))
            print(f"{patients} patients, {workers} workers: {wall:.1f} s wall, {cpu:.1f} s CPU")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
