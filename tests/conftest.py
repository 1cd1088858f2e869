"""What every test shares: where the published values and open data are."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

ROOT = Path(__file__).resolve().parents[1]


def pytest_addoption(parser):
    parser.addoption("--validity", action="store_true", help="run the simulations in full")


@pytest.fixture(scope="session")
def root() -> Path:
    return ROOT


@pytest.fixture(scope="session")
def shared() -> Path:
    return ROOT / "shared"


@pytest.fixture(scope="session")
def full_validity(request) -> bool:
    return request.config.getoption("--validity")


@pytest.fixture(scope="session")
def dataset(shared):
    """Read an open dataset by file name; only an empty cell is missing."""

    def read(name: str, **options) -> pd.DataFrame:
        return pd.read_csv(shared / "datasets" / name, keep_default_na=False, na_values=[""], **options)

    return read


@pytest.fixture(scope="session")
def check(shared):
    """A row of the statistical checks by id: `expected` decoded from JSON, `tolerance` a float."""
    table = pd.read_csv(shared / "statistical_checks.csv", keep_default_na=False).set_index("check_id")

    def row(check_id: str) -> pd.Series:
        found = table.loc[check_id].copy()
        found["expected"] = json.loads(found["expected"])
        found["tolerance"] = float(found["tolerance"])
        return found

    return row
