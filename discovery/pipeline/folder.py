"""The results folder: made or reused safely, every file written whole or not at all."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pandas as pd

from discovery.files import write_bytes, write_csv
from discovery.problems import InputError, Problem

MARK = "manifest.json"
PRIVATE = "patient_level"


class ResultsFolder:
    """The folder under `--out`.

    Raises
    ------
    InputError
        The path is a file, or a folder with files that no earlier run of ours left there.
    """

    def __init__(self, path: Path):
        self.path = Path(path)
        if self.path.exists() and not self.path.is_dir():
            raise InputError(
                [Problem(file=str(path), wanted="a folder for the results is wanted, this is a file")]
            )
        if self.path.is_dir() and any(self.path.iterdir()) and not (self.path / MARK).exists():
            wanted = "an empty folder, a new one, or one of an earlier run is wanted; nothing was overwritten"
            raise InputError([Problem(file=str(path), found="other files", wanted=wanted)])

    def open(self) -> None:
        """Make the folder and mark it as ours, so that a run that was stopped can be done again."""
        self.path.mkdir(parents=True, exist_ok=True)
        (self.path / "figures").mkdir(exist_ok=True)
        if not (self.path / MARK).exists():
            self.text(MARK, '{"state": "running"}\n')

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
