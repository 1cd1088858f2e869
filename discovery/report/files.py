"""Files that a reader opens: written whole or not at all, and harmless in a spreadsheet."""

from __future__ import annotations

import hashlib
import os
import threading
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


@dataclass(frozen=True, kw_only=True)
class SavedFigure:
    """A figure on disk and the words that go with it; what the report embeds."""

    figure_id: str
    svg: Path
    pdf: Path
    csv: Path
    title: str = ""
    caption: str = ""
    description: str = ""  # for a reader who cannot see the picture
    outcome: str = ""  # empty: belongs to the study as a whole


def write_bytes(path: Path, content: bytes) -> Path:
    """Write `content` to `path` atomically: a temporary name beside it, fsync, rename."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name[:40]}.{os.getpid()}-{threading.get_ident()}")
    try:
        with temporary.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    return path


def harmless(cell: object) -> object:
    """A text that a spreadsheet would run as a formula, with an apostrophe in front; else unchanged."""
    if isinstance(cell, str) and cell.startswith(FORMULA_STARTS) and not _is_number(cell):
        return "'" + cell
    return cell


def csv_bytes(table: pd.DataFrame) -> bytes:
    """`table` as UTF-8 CSV without its index: full precision, undefined empty, formulas made harmless."""
    columns = {}
    for position, kind in enumerate(table.dtypes):
        cells = table.iloc[:, position]
        plain = pd.api.types.is_numeric_dtype(kind) or pd.api.types.is_datetime64_any_dtype(kind)
        columns[position] = cells if plain else cells.astype(object).map(harmless)
    safe = pd.DataFrame(columns, index=table.index)
    safe.columns = pd.Index([harmless(str(name)) for name in table.columns])
    return safe.to_csv(index=False, lineterminator="\n").encode("utf-8")


def sha256(path: Path) -> str:
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
