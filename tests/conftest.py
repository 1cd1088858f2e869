"""What every test shares: where the published values and open data are."""

from __future__ import annotations

import importlib.util
import json
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, settings

ROOT = Path(__file__).resolve().parents[1]

# speed is measured in benchmarks: a busy machine is no fault
settings.register_profile("busy", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("busy")


def pytest_addoption(parser):
    parser.addoption("--validity", action="store_true", help="run the simulations in full")
    parser.addoption("--tables", metavar="DIR", help="write what the simulations measured into tables there")


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
def measured(request):
    """`measured("operating_screen.csv", row)` keeps a row of a simulation; `--tables DIR` writes them."""
    rows: dict[str, list[dict]] = {}

    def keep(table: str, row: dict) -> None:
        size = "full" if request.config.getoption("--validity") else "reduced"
        rows.setdefault(table, []).append(row | {"size": size, "date": f"{date.today():%Y-%m-%d}"})

    yield keep
    folder = request.config.getoption("--tables")
    for name, kept in rows.items() if folder else ():
        Path(folder).mkdir(parents=True, exist_ok=True)
        pd.DataFrame(kept).to_csv(Path(folder) / name, index=False)


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


@pytest.fixture(scope="session")
def made():
    """The made-up tables of a report, see tests/report/synthetic_tables.py."""
    place = ROOT / "tests" / "report" / "synthetic_tables.py"
    spec = importlib.util.spec_from_file_location("synthetic_tables", place)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def study_text():
    """The text of a study file of patients.csv and features.csv: `study_text(outcomes, adjust_for=["age"],
    replicates=0)`, the other words being those of `[analysis]`."""

    def text(outcomes: str, *, name: str = "small", seed: int = 1, adjust_for=("age",), **analysis) -> str:
        settings = "".join(f"{key} = {json.dumps(value)}\n" for key, value in analysis.items())
        patients = f'file = "patients.csv"\nid = "patient_id"\nadjust_for = {json.dumps([*adjust_for])}\n'
        return (
            f'[study]\nname = "{name}"\nseed = {seed}\n[patients]\n{patients}'
            f'[features]\nfile = "features.csv"\n[analysis]\n{settings}{outcomes}'
        )

    return text


MODELS = (
    "pub01_normal",
    "pub02_fast",
    "pub03_pah_adapted",
    "pub05_weak",
    "pub07_slow_relax",
    "pub10_slow_hr",
)
RECORDING_STUDY = """[study]
name = "model"
title = "Pressures of an open circulation model, invented patients"
seed = 7

[patients]
file = "patients.csv"
id = "patient_id"
adjust_for = ["age_years"]

[recordings]
folder = "recordings"
channels = { rv = "rvp", pa = "pap" }
rate_hz = 250
"""


@pytest.fixture(scope="session")
def model_study(shared, tmp_path_factory):
    """Write a study with recordings: an open circulation model's pressures (see shared/waveforms), for
    patient k of model k modulo 6 times 1 + k / 100, the whole 30 s `repeats` times; ages are invented.

    Returns a function (patients, repeats, more study text) -> folder.
    """

    def write(patients: int, repeats: int, text: str = "") -> Path:
        folder = tmp_path_factory.mktemp("model_study")
        (folder / "recordings").mkdir()
        rows = []
        for k in range(patients):
            source = shared / "waveforms" / "published_model" / f"{MODELS[k % 6]}.csv.gz"
            once = pd.read_csv(source)[["rvp", "pap"]] * (1 + k / 100)
            whole = pd.concat([once] * repeats, ignore_index=True)
            whole.to_parquet(folder / "recordings" / f"rec{k:02d}.parquet", index=False)
            rows.append((f"p{k:02d}", 40 + (7 * k) % 31, int((k * 5) % 7 < 3), float(k % 6 == 2)))
        table = pd.DataFrame(rows, columns=["patient_id", "age_years", "responder", "load"])
        table.to_csv(folder / "patients.csv", index=False)
        files = [f"rec{k:02d}.parquet,p{k:02d}" for k in range(patients)]
        (folder / "recordings" / "index.csv").write_text("\n".join(["file,patient_id", *files]) + "\n")
        (folder / "study.toml").write_text(RECORDING_STUDY + text, encoding="utf-8")
        return folder

    return write
