"""CSV and its relatives, read in blocks by pandas; also compressed (.gz)."""

from __future__ import annotations

import gzip
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from discovery.recordings.reader import Track, foreign_faults
from discovery.recordings.table_reader import Block, TableReader, time_column
from discovery.recordings.text_layout import MISSING, read_layout

HEAD_BYTES = 1 << 16
HEAD_LINES = 400  # a longer preamble is not looked through
BLOCK_ROWS = 100_000


class TextReader(TableReader):
    """A text table whose separator, decimal mark, header lines and units are told from its start.

    The time column is `t`, `time` or the like, in seconds (`ms` and `min` when the name or a line of
    units says so) or as clock times. A cell that is no number is missing, and is reported.
    """

    def __init__(self, path: Path, *, time: str | None = None):
        super().__init__(path)
        opener: Any = gzip.open if path.suffix.lower() == ".gz" else open
        with foreign_faults(self), opener(path, "rb") as file:
            head = file.read(HEAD_BYTES)
        if not head.strip():
            raise self.refuse("a table with rows", found="an empty file")
        if b"\0" in head and head[:2] not in (b"\xff\xfe", b"\xfe\xff"):
            raise self.refuse("a text file", found="binary data")
        self._encoding = _encoding(head)
        lines = head.decode(self._encoding, "replace").splitlines()
        if len(head) == HEAD_BYTES and len(lines) > 1:
            lines.pop()  # cut in the middle
        layout = read_layout(lines[:HEAD_LINES])
        if layout is None:
            raise self.refuse(
                "rows of numbers with one separator (comma, semicolon, tab) and one decimal mark"
            )
        self._layout = layout
        with foreign_faults(self):
            self._time = time_column(layout.names, layout.units, time)
        if self._time is None and layout.clock_columns:
            self._time = (layout.clock_columns[0], 1.0)
        self.has_time = self._time is not None
        self._columns = [i for i in range(len(layout.names)) if not self._time or i != self._time[0]]
        rate = np.nan
        if self.has_time:
            with foreign_faults(self):
                first = next(self.blocks([], rows=20_000), None)
            if first is not None and first.times is not None:
                rate = self.first_rate(first.times)
        self.tracks = tuple(Track(layout.names[i], layout.units[i], rate, -1) for i in self._columns)

    def blocks(self, places: Sequence[int], rows: int = BLOCK_ROWS) -> Iterator[Block]:
        layout = self._layout
        wanted = [self._columns[place] for place in places]
        used = sorted({*wanted, *([self._time[0]] if self._time else [])})
        table = pd.read_csv(
            self.path,
            sep=layout.separator or r"\s+",
            decimal=layout.decimal,
            header=None,
            names=range(len(layout.names)),
            usecols=used,
            skiprows=layout.first_row,
            skip_blank_lines=True,
            na_values=[*MISSING, *(word.upper() for word in MISSING), "NaN"],
            encoding=self._encoding,
            encoding_errors="replace",
            on_bad_lines="warn",
            index_col=False,
            chunksize=rows,
            low_memory=False,
        )
        row = layout.first_row + 1
        days, last = 0.0, -np.inf  # a clock without date starts anew at midnight
        with table:
            for part in table:
                times = self._times(part, row) if self._time else None
                if times is not None and self._time is not None and self._time[0] in layout.clock_columns:
                    nights = np.diff(times, prepend=last if np.isfinite(last) else times[:1]) < -43200.0
                    last = float(times[-1])
                    times = times + days + 86400.0 * np.cumsum(nights)
                    days += 86400.0 * int(nights.sum())
                columns = [self._numbers(part[i], row, layout.names[i]) for i in wanted]
                row += len(part)
                yield Block(times, columns)

    def _numbers(self, column: pd.Series, row: int, name: str) -> np.ndarray:
        if pd.api.types.is_numeric_dtype(column.dtype):
            return column.to_numpy(dtype=np.float64)
        text = column.astype(object)
        if self._layout.decimal == ",":
            text = text.map(lambda cell: cell.replace(",", ".") if isinstance(cell, str) else cell)
        values = pd.to_numeric(text, errors="coerce")
        bad = (values.isna() & column.notna()).to_numpy()
        if bad.any():
            at = int(np.argmax(bad))
            self.doubt(
                f"a number in every cell; {int(bad.sum())} in these rows are none and count as missing",
                found=str(column.iloc[at]),
                row=row + at,
                column=name,
            )
        return values.to_numpy(dtype=np.float64)

    def _times(self, part: pd.DataFrame, row: int) -> np.ndarray:
        """Seconds of each row; a clock time counts from midnight, one with a date from 1970."""
        assert self._time is not None
        place, factor = self._time
        if place not in self._layout.clock_columns:
            return self._numbers(part[place], row, self._layout.names[place]) * factor
        text = part[place].astype(str).str.replace(",", ".", regex=False)
        if self.started is None and len(text):
            self.started = str(text.iloc[0]).replace(" ", "T", 1)
        second = pd.Timedelta(seconds=1)
        if text.str.contains("-", regex=False).all():
            stamps = pd.to_datetime(text, errors="coerce", format="ISO8601", utc=True)
            return ((stamps - pd.Timestamp(0, tz="UTC")) / second).to_numpy(dtype=np.float64)
        return (pd.to_timedelta(text, errors="coerce") / second).to_numpy(dtype=np.float64)


def _encoding(head: bytes) -> str:
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "utf-16"
    for tail in range(4):  # the head may end inside a character
        try:
            head[: len(head) - tail].decode("utf-8-sig")
            return "utf-8-sig"
        except UnicodeDecodeError:
            continue
    return "cp1252"
