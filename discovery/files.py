"""Files that a reader opens: written whole or not at all, exact, harmless in a spreadsheet."""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


def write_bytes(path: Path | str, content: bytes) -> Path:
    """Write `content` to `path`: under a temporary name beside it, flushed to disk, then renamed.

    A run that is killed leaves the old file or the new one, never a part.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
    return path


def harmless_text(cell: Any) -> Any:
    """A text that a spreadsheet would run as a formula, with an apostrophe in front; all else unchanged.

    A text that is a number, such as -1.5, stays: run or read, it is the same.
    """
    if isinstance(cell, str) and cell.startswith(FORMULA_STARTS) and not _is_number(cell):
        return "'" + cell
    return cell


def harmless(frame: pd.DataFrame) -> pd.DataFrame:
    """A copy of `frame` in which no text can be run as a formula (column names too); numbers untouched."""
    import pandas as pd

    columns = []
    for position, kind in enumerate(frame.dtypes):
        column = frame.iloc[:, position]
        if pd.api.types.is_numeric_dtype(kind) or pd.api.types.is_datetime64_any_dtype(kind):
            columns.append(column)
        else:
            cells = [harmless_text(cell) for cell in column]
            columns.append(pd.Series(cells, index=frame.index, dtype=object))
    names = pd.Index([harmless_text(name) for name in frame.columns], dtype=object)
    if not columns:
        return frame.set_axis(names, axis=1)
    return pd.concat(columns, axis=1).set_axis(names, axis=1)


def csv_text(frame: pd.DataFrame) -> str:
    """`frame` without its index as CSV: shortest exact numbers, missing empty, text harmless."""
    return harmless(frame).to_csv(index=False, lineterminator="\n", na_rep="")


def write_csv(frame: pd.DataFrame, path: Path | str) -> Path:
    """Write `csv_text(frame)` as UTF-8 to `path`, whole or not at all."""
    return write_bytes(path, csv_text(frame).encode("utf-8"))


def sha256(path: Path | str) -> str:
    """The SHA-256 of a file's bytes, as hexadecimal text."""
    digest = hashlib.sha256()
    with Path(path).open("rb") as file:
        for block in iter(lambda: file.read(1 << 20), b""):
            digest.update(block)
    return digest.hexdigest()


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
