"""Degradation curves: python tests/benchmarks/bench_degradation.py [record] prints the table as CSV."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

from discovery.beats.degradation import degradation_table
from discovery.beats.registry import FEATURES

SHARED = Path(__file__).resolve().parents[2] / "shared"


def main(record: str = "pub01_normal") -> None:
    source = pd.read_csv(SHARED / "waveforms" / "published_model" / f"{record}.csv.gz")
    keys = [
        key
        for key, f in FEATURES.items()
        if f.level in ("beat", "ensemble") and f.channels == ("RVP",) and not f.classes and key[:3] != "sq_"
    ]
    table = degradation_table(source["rvp"].to_numpy(), 250.0, keys, np.random.default_rng(1))
    table.to_csv(sys.stdout, index=False, float_format="%.6g")


if __name__ == "__main__":
    main(*sys.argv[1:])
