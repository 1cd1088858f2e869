"""A small sound study on disk, and a way to spoil one thing in it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from discovery.problems import InputError
from discovery.study import Study, read_study

TOML = """
[study]
name = "small"

[patients]
file = "patients.csv"
id = "patient_id"
site = "site"
etiology = "etiology"
adjust_for = ["age_years", "sex"]

[features]
file = "features.csv"

[[outcomes]]
name = "death"
kind = "survival"
time = "time_days"
status = "status"
event = 1
competing = [2]
entry = "entry_days"

[[outcomes]]
name = "responder"
kind = "binary"
column = "responder"
"""


def sound_tables(n: int = 40) -> tuple[pd.DataFrame, pd.DataFrame]:
    rng = np.random.default_rng(20261125)
    patients = pd.DataFrame(
        {
            "patient_id": [f"P{number:03d}" for number in range(n)],
            "site": np.resize(["North", "South"], n),
            "etiology": np.resize(["PAH", "CTEPH", "PAH;CTEPH"], n),
            "age_years": rng.normal(60, 10, n).round(1),
            "sex": np.resize(["f", "m", "m"], n),
            "time_days": rng.integers(30, 2000, n),
            "entry_days": rng.integers(0, 20, n),
            "status": np.resize([0, 1, 1, 2], n),
            "responder": np.resize([0, 1, 0], n),
        }
    )
    features = pd.DataFrame(rng.normal(10, 2, (n, 4)).round(3), columns=["rv_a", "rv_b", "pa_a", "pa_b"])
    features.insert(0, "patient_id", patients["patient_id"])
    return patients, features


class StudyFolder:
    """A study of which any part can be replaced before it is read."""

    def __init__(self, folder: Path):
        self.folder = folder
        self.patients, self.features = sound_tables()
        self.toml = TOML

    def replace(self, old: str, new: str) -> StudyFolder:
        assert old in self.toml
        self.toml = self.toml.replace(old, new)
        return self

    def write(self) -> StudyFolder:
        (self.folder / "study.toml").write_text(self.toml, encoding="utf-8")
        for name, table in (("patients.csv", self.patients), ("features.csv", self.features)):
            if not (self.folder / name).exists():
                table.to_csv(self.folder / name, index=False)
        return self

    def put(self, name: str, content: str | bytes) -> StudyFolder:
        """Write a table by hand instead of the sound one."""
        data = content.encode("utf-8") if isinstance(content, str) else content
        (self.folder / name).write_bytes(data)
        return self

    def read(self) -> Study:
        return read_study(self.write().folder / "study.toml")

    def sentences(self) -> list[str]:
        """What is wrong with the study, each problem as a sentence."""
        with pytest.raises(InputError) as caught:
            self.read()
        assert all(problem.severity == "error" for problem in caught.value.problems)
        return [problem.sentence() for problem in caught.value.problems]

    def doubts(self) -> list[str]:
        return [problem.sentence() for problem in self.read().warnings]


@pytest.fixture
def study(tmp_path) -> StudyFolder:
    return StudyFolder(tmp_path)
