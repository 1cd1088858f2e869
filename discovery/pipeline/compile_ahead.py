"""Numeric loops are compiled by processes of their own: all of them when asked, or beside a first run.

Compiling takes a minute or two and happens once; what is compiled is kept on disk, with a mark beside it for
each part that was begun, and says there whether it is done. A process compiles one loop at a time, whatever
its threads do, so there are several, each with some of the parts.
"""

from __future__ import annotations

import hashlib
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from discovery.pipeline.compile_parts import SECONDS, parts_of, reach, said, shared_out
from discovery.pipeline.garbage import collect_seldom
from discovery.pipeline.progress import Progress, Silent
from discovery.study import Study

LONGEST_S = 600.0
MOST_PROCESSES = 4  # each compiles anew what its parts have in common with those of the others
DONE = "done"


@contextmanager
def compiling_ahead(study: Study, *, workers: int) -> Iterator[Compiling]:
    """Compile beside what is done inside the block, where that has never been begun with this code.

    Nothing is begun with one worker, or where compiled code cannot be kept.
    """
    marks = Marks.of_this_code() if workers > 1 else None
    parts = [] if marks is None else [part for part in parts_of(study) if marks.begin(part)]
    begun = Compiling(marks)
    try:
        begun.begin(shared_out(parts, min(workers, MOST_PROCESSES)))
        yield begun
    finally:
        if not begun.end() and marks is not None:
            marks.forget(parts)


def compile_all(*, workers: int, progress: Progress | None = None) -> list[str]:
    """Compile every part that is not done yet, so that no run has to; the parts, in words.

    Raises
    ------
    OSError
        Compiled code cannot be kept.
    RuntimeError
        A part could not be compiled: what its process said.
    """
    progress = progress or Silent()
    marks = Marks.of_this_code()
    if marks is None:
        raise OSError("no folder is writable for compiled code; the variable NUMBA_CACHE_DIR can name one")
    parts = [part for part in SECONDS if not marks.is_done(part)]
    shares = shared_out(parts, min(workers, MOST_PROCESSES))
    with tempfile.TemporaryFile("w+", encoding="utf-8", errors="replace") as faults:
        compiling = Compiling(marks)
        try:
            for part in parts:
                marks.begin(part)
            compiling.begin(shares, faults)
            compiling.follow(shares, progress)
        finally:
            compiling.end()
            marks.forget(parts)
        if not all(marks.is_done(part) for part in parts):
            faults.seek(0)
            raise RuntimeError(f"not everything could be compiled\n{faults.read()}")
    return [said(part) for part in parts]


class Compiling:
    """Processes that compile; without any, nothing is waited for."""

    def __init__(self, marks: Marks | None = None):
        self.processes: list[subprocess.Popen] = []
        self.marks = marks

    def begin(self, shares: list[list[str]], faults: IO | None = None) -> None:
        """One process for each share, known from its start: who is stopped meanwhile stops those begun."""
        for share in shares:
            self.processes.append(_process(share, faults))

    def wait(self, progress: Progress, part: str | None = None) -> None:
        """Return when all have ended, or have done `part`: whoever needs a loop now would only compile it
        a second time."""
        if not self._under_way(part):
            return
        progress.stage("compiling, which only the first run does")
        until = time.monotonic() + LONGEST_S
        while time.monotonic() < until and self._under_way(part):
            time.sleep(0.1)

    def follow(self, shares: list[list[str]], progress: Progress) -> None:
        """Return when all have ended; what is being compiled is a stage."""
        before: list[str] = []
        while self._under_way(None) and self.marks is not None:
            left = [[part for part in share if not self.marks.is_done(part)] for share in shares]
            now = [said(share[0]) for share in left if share]
            if now and now != before:
                progress.stage(f"compiling: {', '.join(now)}")
                before = now
            time.sleep(0.1)
        progress.close()

    def _under_way(self, part: str | None) -> bool:
        if part is not None and (self.marks is None or self.marks.is_done(part)):
            return False
        return any(process.poll() is None for process in self.processes)

    def end(self) -> bool:
        """Whether all had ended by themselves; those that had not are stopped."""
        left = [process for process in self.processes if process.poll() is None]
        for process in left:
            process.kill()
        for process in self.processes:
            process.wait()
        return not left


class Marks:
    """A file for each part beside the compiled code: there when it was begun with this code, "done" in it
    when it has ended well."""

    def __init__(self, folder: Path, code: str):
        self.folder = folder
        self.code = code

    @classmethod
    def of_this_code(cls) -> Marks | None:
        """None where compiled code cannot be kept."""
        folder = _kept_in()
        return None if folder is None else cls(folder, _code())

    def _of(self, part: str) -> Path:
        return self.folder / f"compiled_ahead_{self.code}_{part}"

    def begin(self, part: str) -> bool:
        """Leave the mark; whether there was none. The first one of a code takes the place of all others."""
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            self._of(part).touch(exist_ok=False)
        except OSError:
            return False
        for old in self.folder.glob("compiled_ahead_*"):
            if not old.name.startswith(self._of("").name):
                old.unlink(missing_ok=True)
        return True

    def is_done(self, part: str) -> bool:
        try:
            return self._of(part).read_text(encoding="utf-8") == DONE
        except OSError:
            return False

    def done(self, part: str) -> None:
        self._of(part).write_text(DONE, encoding="utf-8")

    def forget(self, parts: Iterable[str]) -> None:
        """Those of them that are not done are as if never begun."""
        for part in parts:
            if not self.is_done(part):
                self._of(part).unlink(missing_ok=True)


def _process(share: list[str], faults: IO | None) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-m", __name__, *share],
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=faults or subprocess.DEVNULL,
    )  # fmt: skip


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
        if b"compiled import compiled" in text or path.name in ("compiled.py", "compile_parts.py"):
            digest.update(text)
    return digest.hexdigest()[:16]


def compile_parts(parts: Iterable[str]) -> bool:
    """Compile in this process, part after part, and mark what is done; whether all of it is."""
    import traceback

    marks = Marks.of_this_code()
    well = True
    for part in parts:
        try:
            reach(part)
        except Exception:  # the others can still be compiled
            traceback.print_exc()
            well = False
        else:
            if marks is not None:
                marks.done(part)
    return well


if __name__ == "__main__":
    collect_seldom()
    sys.exit(0 if compile_parts(sys.argv[1:]) else 1)
