"""Rules that every file of the package keeps."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "discovery"
MODULES = sorted(PACKAGE.rglob("*.py"))
TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "pyproject.toml", "constraints.txt", "LICENSE",
    "discovery", "cohorts", "tests", "reports", "shared",
}  # fmt: skip
OWN_GENERATOR = {"Generator", "SeedSequence", "PCG64", "BitGenerator"}


def tracked_files() -> list[Path]:
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True).stdout
    return [ROOT / name for name in listed.decode().split("\0") if name]


def dotted(node: ast.AST) -> str:
    if isinstance(node, ast.Attribute):
        return f"{dotted(node.value)}.{node.attr}"
    return node.id if isinstance(node, ast.Name) else ""


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_no_global_random_state_and_no_print(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Attribute):
            match = re.fullmatch(r"(?:np|numpy)\.random\.(\w+)", dotted(node))
            assert match is None or match[1] in OWN_GENERATOR, f"{path}:{node.lineno} global random state"
        if isinstance(node, ast.Import):
            assert not {alias.name for alias in node.names} & {"random"}, f"{path}:{node.lineno}"
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print":
            assert path.parent.name == "cli", f"{path}:{node.lineno} prints outside the command line"


def test_the_top_level_holds_what_the_house_allows():
    names = {path.relative_to(ROOT).parts[0] for path in tracked_files()}
    assert {name for name in names if not name.startswith(".")} <= TOP_LEVEL


def test_no_path_of_one_machine_and_no_registry_host_is_tracked():
    for path in tracked_files():
        if path.suffix not in {".py", ".md", ".toml", ".txt", ".csv", ".json", ".j2", ".js", ".css", ""}:
            continue
        text = path.read_text(encoding="utf-8", errors="replace")
        assert not re.search(r"(?<![\w.])/(?:work|root|tmp/bash|home/\w+)/", text), path
        assert "index-url" not in text or path == Path(__file__), path


TELL = "print(chr(10) + chr(32).join(sorted(sys.modules)), file=sys.stderr)"
HELP = """
from discovery.cli.main import main
try:
    main(["--help"])
except SystemExit as stop:
    assert stop.code == 0
"""


def loaded_by(script: str) -> set[str]:
    """Top-level modules loaded when `script` has run in a fresh interpreter."""
    script = f"import sys, atexit\natexit.register(lambda: {TELL})\n{script}"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0, done.stderr
    return {name.split(".")[0] for name in done.stderr.strip().splitlines()[-1].split()}


@pytest.mark.parametrize(
    "script",
    ["import discovery", HELP],
    ids=["import", "help"],
)
def test_starting_loads_no_heavy_library(script):
    heavy = {
        "matplotlib",
        "seaborn",
        "umap",
        "numba",
        "lifelines",
        "sklearn",
        "statsmodels",
        "pandas",
        "scipy",
    }
    assert not loaded_by(script) & heavy


def test_only_the_package_is_packaged():
    from setuptools import find_packages

    found = {name.split(".")[0] for name in find_packages(str(ROOT), include=["discovery*"])}
    assert found == {"discovery"}


def test_words_that_tables_and_report_share_stand_in_one_place():
    from discovery import terms

    shared = {word for word in vars(terms).values() if isinstance(word, str) and " " in word} - {
        terms.__doc__
    }
    assert "main analysis" in shared
    for path in set(MODULES) - {PACKAGE / "terms.py"}:
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.Assign):
                texts = {part.value for part in ast.walk(node.value) if isinstance(part, ast.Constant)}
                assert not texts & shared, f"{path}:{node.lineno} says again {texts & shared}"
