"""After `discovery compile` nothing is left to compile.

In full (`--validity`): into an empty folder, with the real command; `discovery demo` then leaves not a file
there that was not there before, whichever of its processes ran a loop. Otherwise, in one process and in a
fraction of the time: a run of a study, with everything that is written of it, reaches no loop, and no
kinds of arguments of one, that the part compiled for its kind of outcome had not.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

FEWEST = 24  # patients of a demo
ONE_KIND = """
import gc, json, sys
from pathlib import Path

import numpy as np
import pandas as pd

from discovery.pipeline.compile_parts import reach
from discovery.pipeline.run import run

STUDY = '''
[study]
name = "two_groups"
title = "Made up"

[patients]
file = "patients.csv"
id = "who"
adjust_for = ["years"]

[features]
file = "features.csv"
id = "who"

[analysis]
replicates = 2
permutations = 10
phenotypes = false

[[outcomes]]
name = "distance"
kind = "continuous"
column = "metres"
'''


def reached():
    from numba.core.registry import CPUDispatcher

    loops = [each for each in gc.get_objects() if isinstance(each, CPUDispatcher)]
    return {
        f"{loop.py_func.__module__}.{loop.py_func.__qualname__}{kinds}"
        for loop in loops
        if loop.py_func.__module__.startswith("discovery.")
        for kinds in loop.overloads
    }


reach(sys.argv[2])
before = reached()
folder = Path(sys.argv[1])
rng = np.random.default_rng(4)
who = [f"w{k}" for k in range(70)]
x = rng.normal(size=(70, 5))
pd.DataFrame({"who": who, "years": rng.integers(20, 80, 70), "metres": x[:, 0] + rng.normal(size=70)}).to_csv(
    folder / "patients.csv", index=False
)
pd.DataFrame(x, columns=list("abcde")).assign(who=who).to_csv(folder / "features.csv", index=False)
(folder / "study.toml").write_text(STUDY)
run(folder / "study.toml", out=folder / "results", workers=1)
print(json.dumps({"before": sorted(before), "after": sorted(reached())}))
"""


def loops_of(folder: Path, part: str) -> dict[str, list[str]]:
    ran = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", ONE_KIND, str(folder), part], capture_output=True, text=True
    )
    assert ran.returncode == 0, ran.stderr
    return json.loads(ran.stdout.splitlines()[-1])


def kept(folder: Path) -> set[str]:
    return {path.name for path in folder.rglob("*.nb?")}


@pytest.mark.validity
def test_a_run_after_compiling_compiles_nothing(full_validity, tmp_path):
    if not full_validity:
        loops = loops_of(tmp_path, "continuous")
        assert len(loops["before"]) > 10
        assert set(loops["after"]) <= set(loops["before"])
        return
    cache = tmp_path / "cache"
    here = os.environ | {"NUMBA_CACHE_DIR": str(cache)}
    command = [sys.executable, "-m", "discovery"]
    subprocess.run([*command, "compile", "--quiet"], env=here, check=True)
    before = kept(cache)
    assert len(before) > 300
    again = subprocess.run([*command, "compile"], env=here, check=True, capture_output=True, text=True)
    assert again.stdout == "All is compiled already.\n"
    demo = [*command, "demo", "--quiet", "--patients", str(FEWEST), "--out", str(tmp_path / "out")]
    subprocess.run(demo, env=here, check=True)
    assert kept(cache) - before == set()
