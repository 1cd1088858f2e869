"""The first run on a machine: numeric loops are compiled by processes of their own, beside the first stages.

Compiling takes minutes and happens once; what is compiled is kept on disk. A process compiles one loop at a
time, whatever its threads do, so one core of two would wait. Two more processes, each with a part of the
kinds of outcomes, take a small made-up study through the same stages meanwhile.
"""

from __future__ import annotations

import hashlib
import platform
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from discovery.pipeline.progress import Progress, Silent
from discovery.study import Study

HEAVY = ("survival", "recurrent", "count")  # the first process; the second has the other kinds
LONGEST_S = 600.0
PHENOTYPES = "phenotypes"


@contextmanager
def compiling_ahead(study: Study, *, workers: int) -> Iterator[Compiling]:
    """Compile beside what is done inside the block, where that has never been begun with this code.

    Nothing is begun with one worker, or where compiled code cannot be kept.
    """
    mark = _first_mark() if workers > 1 else None
    begun = Compiling([] if mark is None else _begin(study))
    try:
        yield begun
    finally:
        if not begun.end() and mark is not None:
            mark.unlink(missing_ok=True)


class Compiling:
    """Processes that compile; without any, nothing is waited for."""

    def __init__(self, processes: list[subprocess.Popen]):
        self.processes = processes

    def wait(self, progress: Progress) -> None:
        """Return when all have ended: whoever needs a loop now would only compile it a second time."""
        if not any(process.poll() is None for process in self.processes):
            return
        progress.stage("compiling, which only the first run does")
        until = time.monotonic() + LONGEST_S
        while time.monotonic() < until and any(process.poll() is None for process in self.processes):
            time.sleep(0.1)

    def end(self) -> bool:
        """Whether all had ended by themselves; those that had not are stopped."""
        left = [process for process in self.processes if process.poll() is None]
        for process in left:
            process.kill()
        for process in self.processes:
            process.wait()
        return not left


def _begin(study: Study) -> list[subprocess.Popen]:
    kinds = list(dict.fromkeys(outcome.kind for outcome in study.outcomes))
    parts = [[kind for kind in kinds if kind in HEAVY], [kind for kind in kinds if kind not in HEAVY]]
    if study.settings.analysis.phenotypes:
        parts[1].append(PHENOTYPES)
    return [
        subprocess.Popen(
            [sys.executable, "-m", __name__, *part],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )
        for part in parts
        if part
    ]  # fmt: skip


def _first_mark() -> Path | None:
    """The mark now left beside the compiled code; None where a run has begun to compile this code before."""
    folder = _kept_in()
    if folder is None:
        return None
    mark = folder / f"compiled_ahead_{_code()}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        mark.touch(exist_ok=False)
    except OSError:
        return None
    for old in folder.glob("compiled_ahead_*"):
        if old != mark:
            old.unlink(missing_ok=True)
    return mark


def _kept_in() -> Path | None:
    from discovery.kernels.chained import impute_columns

    path = impute_columns.stats.cache_path
    return None if path is None else Path(path)


def _code() -> str:
    """A digest of every module with compiled loops and of all that decides how they are compiled."""
    import llvmlite.binding
    import numba

    about = (platform.python_version(), numba.__version__, llvmlite.binding.get_host_cpu_name())
    digest = hashlib.sha256("\n".join(about).encode())
    for path in sorted(Path(__file__).parents[1].glob("*/*.py")):
        text = path.read_bytes()
        if b"compiled import compiled" in text or path.name == "compiled.py":
            digest.update(text)
    return digest.hexdigest()[:16]


def compile_for(kinds: Iterable[str]) -> None:
    """Take a small study with these kinds of outcomes, and the search for groups, through every stage."""
    from tempfile import TemporaryDirectory

    from discovery.pipeline.doubts import with_doubts
    from discovery.pipeline.run import analyse
    from discovery.pipeline.small_study import write_small_study
    from discovery.study import read_study

    asked = list(kinds)
    with TemporaryDirectory() as folder:
        outcomes = [kind for kind in asked if kind != PHENOTYPES] or ["continuous"]
        path = write_small_study(Path(folder), outcomes, phenotypes=PHENOTYPES in asked)
        analyse(with_doubts(read_study(path)), workers=1, progress=Silent())


if __name__ == "__main__":
    compile_for(sys.argv[1:])
