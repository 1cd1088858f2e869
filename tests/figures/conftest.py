"""The made-up tables that the figures are drawn from."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def made():
    path = Path(__file__).resolve().parents[1] / "report" / "synthetic_tables.py"
    spec = importlib.util.spec_from_file_location("synthetic_tables", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
