"""The results folder: made or reused safely, every file written whole or not at all."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from contextlib import suppress
from pathlib import Path

import pandas as pd

from discovery.files import sha256, write_bytes, write_csv
from discovery.problems import InputError, Problem

MARK = "manifest.json"
PRIVATE = "patient_level"
EDITED = ".edited"


class ResultsFolder:
    """The folder under `--out`; `reports/<name>` below the current folder without one.

    Raises
    ------
    InputError
        The path is empty, is a file, cannot be made or written, or is a folder with files that no
        earlier run of ours left there, or with one called `foreign`. Nothing is left behind by trying.
    """

    def __init__(self, path: Path | str | None, name: str = "", *, foreign: str = ""):
        if path is not None and not str(path).strip():
            wanted = "the name of a folder for the results is wanted; nothing was written"
            raise InputError([Problem(file="--out", found="an empty name", wanted=wanted)])
        self.path = Path(path) if path is not None else Path("reports") / name
        self.foreign = foreign
        in_the_way = ""
        with suppress(OSError, ValueError):  # trying to write says what is wrong
            in_the_way = self._in_the_way()
        if in_the_way:
            raise InputError([Problem(file=short(str(self.path)), wanted=in_the_way)])
        self._try_to_write()

    def _in_the_way(self) -> str:
        if self.path.exists() and not self.path.is_dir():
            return "a folder for the results is wanted, this is a file; nothing was overwritten"
        if self.path.is_dir() and any(self.path.iterdir()) and earlier(self.path) is None:
            return (
                "here are other files; an empty folder, a new one, or one of an earlier run is wanted; "
                "nothing was overwritten"
            )
        if self.foreign and self.foreign in (earlier(self.path) or {}):
            return (
                f"here are other results ({self.foreign}); another folder is wanted; nothing was overwritten"
            )
        return ""

    def _try_to_write(self) -> None:
        made: list[Path] = []
        try:
            for folder in reversed([self.path, *self.path.parents]):
                if not folder.exists():
                    folder.mkdir()
                    made.append(folder)
            with tempfile.TemporaryFile(dir=self.path):
                pass
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            wanted = (
                f"a folder that can be made and written is wanted for the results ({reason}); "
                "nothing was written"
            )
            raise InputError([Problem(file=short(str(self.path)), wanted=wanted)]) from None
        finally:
            for folder in reversed(made):
                with suppress(OSError):
                    folder.rmdir()

    def open(self) -> list[str]:
        """Make the folder and mark it as ours, so that a run that was stopped can be done again.

        What somebody edited since the earlier run is kept as a copy; returns a sentence for each.
        """
        self.path.mkdir(parents=True, exist_ok=True)
        (self.path / "figures").mkdir(exist_ok=True)
        kept = self._keep_edited(earlier(self.path) or {})
        self.text(MARK, '{"state": "running"}\n')
        return kept

    def _keep_edited(self, hashes: dict[str, str]) -> list[str]:
        sentences = []
        for name, digest in sorted(hashes.items()):
            path = self.path / name
            if EDITED in path.name or not path.is_file() or sha256(path) == digest:
                continue
            copy = free_name(path)
            shutil.copy2(path, copy)
            sentences.append(
                f"{name} was edited since the earlier run; the edited copy is kept as "
                f"{copy.relative_to(self.path).as_posix()}"
            )
        return sentences

    def table(self, name: str, frame: pd.DataFrame) -> None:
        write_csv(frame, self.path / name)

    def text(self, name: str, text: str) -> None:
        write_bytes(self.path / name, text.encode("utf-8"))

    def private(self, name: str, frame: pd.DataFrame) -> None:
        """Patient rows: Parquet in a folder that only the owner can read and git leaves out."""
        folder = self._private_folder()
        temporary = folder / f".{name}.part"
        frame.to_parquet(temporary, index=False)
        os.chmod(temporary, 0o600)
        os.replace(temporary, folder / name)

    def private_file(self, name: str, source: Path) -> None:
        """A copy of a file that was written elsewhere, such as a table too large to hold."""
        folder = self._private_folder()
        temporary = folder / f".{name}.part"
        shutil.copyfile(source, temporary)
        os.chmod(temporary, 0o600)
        os.replace(temporary, folder / name)

    def _private_folder(self) -> Path:
        folder = self.path / PRIVATE
        folder.mkdir(mode=0o700, exist_ok=True)
        write_bytes(folder / ".gitignore", b"*\n")
        return folder


def earlier(folder: Path) -> dict[str, str] | None:
    """The hash of each file that an earlier run left in `folder`, by name; None if none of ours did.

    A run that was stopped left no hashes: its files may be of two runs.
    """
    try:
        manifest = json.loads((folder / MARK).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    if not isinstance(manifest, dict):
        return None
    if manifest == {"state": "running"}:
        return {}
    hashes = manifest.get("outputs")
    if not isinstance(hashes, dict) or not {"schema", "inputs", "run"} <= set(manifest):
        return None
    inside = {
        name: digest
        for name, digest in hashes.items()
        if not Path(name).is_absolute() and ".." not in Path(name).parts
    }
    return inside


def free_name(path: Path) -> Path:
    """`methods.md` as `methods.edited.md`, with a number where that is taken."""
    number = 1
    while True:
        mark = EDITED if number == 1 else f"{EDITED}{number}"
        free = path.with_name(f"{path.stem}{mark}{path.suffix}")
        if not free.exists():
            return free
        number += 1


def short(path: str) -> str:
    """A path fit for a message: the end of a very long one."""
    return path if len(path) <= 200 else f"…{path[-200:]}"
