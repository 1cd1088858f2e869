"""Tables that leave the house: harmless in a spreadsheet, exact, written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import Any

import pandas as pd

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def harmless_text(cell: Any) -> Any:
    """A text that a spreadsheet would run as a formula, with an apostrophe in front; all else unchanged."""
    return "'" + cell if isinstance(cell, str) and cell.startswith(FORMULA_STARTS) else cell


def harmless(frame: pd.DataFrame) -> pd.DataFrame:
    """A copy of `frame` in which no text can be run as a formula (column names too); numbers untouched."""
    columns = []
    for position, kind in enumerate(frame.dtypes):
        column = frame.iloc[:, position]
        if pd.api.types.is_numeric_dtype(kind) or pd.api.types.is_datetime64_any_dtype(kind):
            columns.append(column)
        else:
            columns.append(
                pd.Series([harmless_text(cell) for cell in column], index=frame.index, dtype=object)
            )
    names = pd.Index([harmless_text(name) for name in frame.columns], dtype=object)
    if not columns:
        return frame.set_axis(names, axis=1)
    return pd.concat(columns, axis=1).set_axis(names, axis=1)


def csv_text(frame: pd.DataFrame) -> str:
    """`frame` without its index as CSV: shortest exact numbers, missing empty, text harmless."""
    return harmless(frame).to_csv(index=False, lineterminator="\n", na_rep="")


def write_csv(frame: pd.DataFrame, path: Path | str) -> None:
    """Write `csv_text(frame)` as UTF-8 to `path`: under a temporary name, flushed to disk, then renamed.

    A run that is killed leaves the old file or the new one, never a part.
    """
    path = Path(path)
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}.", suffix=".part")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(csv_text(frame))
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
