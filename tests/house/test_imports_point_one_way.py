"""Data walks one way through the house; these tests keep the doors."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "discovery"
MODULES = sorted(PACKAGE.rglob("*.py"))

FOUNDATION = {"problems", "seeds", "files", "terms", "kernels"}
# room -> the rooms it may import from, beside itself
DOORS = {
    "problems": set(),
    "seeds": set(),
    "files": set(),
    "terms": set(),
    "kernels": set(),
    "study": FOUNDATION,
    "recordings": FOUNDATION | {"study"},
    "beats": FOUNDATION | {"study", "recordings"},
    "summaries": FOUNDATION | {"study", "recordings", "beats"},
    "cohort": FOUNDATION | {"study", "association"},
    "association": FOUNDATION | {"study"},
    "survival": FOUNDATION | {"study", "association"},
    "phenotypes": FOUNDATION | {"study", "summaries", "cohort", "association", "survival", "markers"},
    "markers": FOUNDATION | {"study", "cohort", "association", "survival"},
    "agreement": FOUNDATION | {"study"},
    "planning": FOUNDATION | {"study"},
    "virtual": FOUNDATION,
    "report": {"problems", "files", "terms"},
    "figures": {"problems", "files", "terms", "report"},
}
EVERYTHING = {"pipeline", "cli", "__init__", "__main__"}


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


def imports_of(path: Path) -> set[str]:
    """Full names of the modules that a file imports, at the top or inside a function."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level < 2, f"{path}: an import that climbs out of its room"
            if node.level == 1:
                continue
            names.add(node.module)
            names |= {f"{node.module}.{alias.name}" for alias in node.names if node.module == "discovery"}
    return names


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_room_imports_only_from_the_rooms_before_it(path):
    room = room_of(path)
    if room in EVERYTHING:
        return
    assert room in DOORS, f"a new room {room!r} needs its doors named here"
    used = {name.split(".")[1] for name in imports_of(path) if name.startswith("discovery.")}
    assert used - DOORS[room] - {room} == set()


def test_nothing_imports_the_command_line_and_only_it_imports_the_pipeline():
    for path in MODULES:
        used = {name.split(".")[1] for name in imports_of(path) if name.startswith("discovery.")}
        if room_of(path) not in EVERYTHING:
            assert not used & {"cli", "pipeline"}, path
        if room_of(path) == "pipeline":
            assert "cli" not in used, path


def test_every_library_that_is_imported_is_declared():
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    listed = declared["dependencies"] + declared["optional-dependencies"]["cluster"]
    names = {re.match(r"[A-Za-z0-9_.-]+", item).group().lower() for item in listed}
    import_names = {
        "scikit-learn": "sklearn",
        "umap-learn": "umap",
        "dask": "distributed",
        "python-docx": "docx",
    }
    allowed = {import_names.get(name, name) for name in names} | {"discovery"} | set(sys.stdlib_module_names)
    for path in MODULES:
        foreign = {name.split(".")[0] for name in imports_of(path)} - allowed
        assert not foreign, f"{path.relative_to(ROOT)} imports {foreign}"
