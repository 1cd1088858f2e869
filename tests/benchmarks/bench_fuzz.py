"""Damaged recordings in full: `python tests/benchmarks/bench_fuzz.py` writes shared/recording_fuzz.csv."""

from __future__ import annotations

import importlib.util
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

ROOT = Path(__file__).resolve().parents[2]


def main() -> None:
    place = ROOT / "tests" / "recordings" / "test_reader_fuzz.py"
    spec = importlib.util.spec_from_file_location("test_reader_fuzz", place)
    assert spec is not None
    assert spec.loader is not None
    fuzz = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(fuzz)
    rows = []
    for name in fuzz.FORMATS:
        with tempfile.TemporaryDirectory() as folder:
            place = Path(folder)
            row = fuzz.damage_and_read(ROOT / "shared", place, name, fuzz.FULL)
            rows.append(row | fuzz.damage_and_measure(ROOT / "shared", place, name, fuzz.FULL_MEASURED))
        print(rows[-1])
    today = datetime.now(UTC).date().isoformat()
    table = pd.DataFrame(rows).assign(seed=fuzz.SEED, date=today)
    table.to_csv(
        ROOT / "shared" / "recording_fuzz.csv", index=False, float_format="%.2f", lineterminator="\n"
    )


if __name__ == "__main__":
    main()
