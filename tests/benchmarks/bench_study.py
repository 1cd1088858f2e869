"""How long reading and checking a large study takes, against plain reading of its tables by pandas.

python tests/benchmarks/bench_study.py
"""

from __future__ import annotations

import tempfile
import time
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from discovery.study import read_study

STUDY = """
[study]
name = "large"
[patients]
file = "patients.csv"
id = "patient_id"
adjust_for = ["age"]
[features]
file = "features.csv"
[[outcomes]]
name = "death"
kind = "survival"
time = "time"
status = "status"
event = 1
competing = [2]
[[outcomes]]
name = "response"
kind = "binary"
column = "response"
"""


def write_study(folder: Path, n: int, p: int) -> None:
    rng = np.random.Generator(np.random.PCG64(5))
    patients = pd.DataFrame({"patient_id": [f"P{k}" for k in range(n)], "age": rng.normal(60, 9, n).round(1)})
    patients["time"] = rng.exponential(400, n).round(1) + 0.1
    patients["status"] = rng.integers(0, 3, n)
    patients["response"] = rng.integers(0, 2, n)
    patients.to_csv(folder / "patients.csv", index=False)
    features = pd.DataFrame(rng.normal(size=(n, p)).round(4), columns=[f"rv_{k}" for k in range(p)])
    features.insert(0, "patient_id", patients["patient_id"])
    features.to_csv(folder / "features.csv", index=False)
    (folder / "study.toml").write_text(STUDY)


def seconds(work) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def main() -> None:
    print("patients features   checked (s)   plain reading (s)   ratio")
    for n, p in ((500, 60), (5_000, 300), (50, 20_000)):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            write_study(folder, n, p)
            checked = min(seconds(partial(read_study, folder)) for _ in range(3))
            plain = min(seconds(partial(pd.read_csv, folder / "features.csv")) for _ in range(3))
            print(f"{n:8d} {p:8d} {checked:13.2f} {plain:19.2f} {checked / plain:7.1f}")


if __name__ == "__main__":
    main()
