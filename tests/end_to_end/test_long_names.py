"""Names of thousands of letters: the run is whole and the terminal readable."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import discovery

LONG = ("long " * 600).strip()
STUDY = f"""
[study]
name = "long"

[patients]
file = "patients.csv"
id = "patient_id"
site = "site {LONG}"
adjust_for = ["age", "cov {LONG}"]

[features]
file = "features.csv"

[[outcomes]]
name = "dead"
label = "dead {LONG}"
kind = "binary"
column = "dead"

[[outcomes]]
name = "surv"
kind = "survival"
time = "time"
status = "state {LONG}"
event = 1
competing = [2]

[analysis]
replicates = 5
permutations = 0
"""


@pytest.fixture
def folder(tmp_path) -> Path:
    rng = np.random.default_rng(1)
    n = 90
    dead = rng.integers(0, 2, n)
    patients = pd.DataFrame(
        {
            "patient_id": [f"P{k:02d}" for k in range(n)],
            "age": rng.normal(60, 10, n).round(1),
            "dead": dead,
            "time": rng.exponential(100, n).round(1) + 1,
            f"state {LONG}": rng.integers(0, 3, n),
            f"cov {LONG}": rng.normal(size=n),
            f"site {LONG}": np.resize(["x", f"y {LONG}"], n),
        }
    )
    features = pd.DataFrame({f"A {LONG}": rng.normal(size=n) + dead, "x" * 3000: rng.normal(size=n)})
    features.iloc[:20, 1] = np.nan
    features[f"constant {LONG}"] = 1
    features.insert(0, "patient_id", patients["patient_id"])
    patients.to_csv(tmp_path / "patients.csv", index=False)
    features.to_csv(tmp_path / "features.csv", index=False)
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    return tmp_path


def test_the_terminal_stays_readable(folder):
    command = [sys.executable, "-m", "discovery", "run", folder, "--out", folder / "out"]
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8")
    assert done.returncode == 0, done.stderr
    assert "Warning" not in done.stderr
    assert max(map(len, done.stderr.splitlines())) <= 1100
    assert len(done.stderr.splitlines()) < 15
    check = subprocess.run([*command[:3], "check", folder], capture_output=True, text=True, encoding="utf-8")
    assert max(map(len, (check.stdout + check.stderr).splitlines())) < 500


def test_no_figure_collapses(folder):
    """A warning is an error here, and the layout warns of a picture that its title leaves no room for."""
    result = discovery.run(folder, out=folder / "out")
    assert set(result.tables["markers"]["feature"]) == {f"A {LONG}", "x" * 3000}


def test_a_mistyped_long_name_gets_a_short_hint(folder):
    text = STUDY.replace(f'"cov {LONG}"', f'"cow {LONG}"').replace(f'"site {LONG}"', '"hospital"')
    (folder / "study.toml").write_text(text, encoding="utf-8")
    with pytest.raises(discovery.InputError) as caught:
        discovery.check(folder)
    assert all(len(problem.sentence()) < 1100 for problem in caught.value.problems)
