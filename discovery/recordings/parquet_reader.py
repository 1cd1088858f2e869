"""Parquet tables, read in batches by pyarrow."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from discovery.recordings.reader import Track, foreign_faults
from discovery.recordings.table_reader import Block, TableReader, time_column
from discovery.recordings.units import split_unit

BLOCK_ROWS = 100_000


class ParquetReader(TableReader):
    """The numeric columns of a Parquet file; nulls and NaN are missing.

    Time is a column named `t`, `time_s` or the like in seconds, or one of time stamps. A unit is taken
    from the field's metadata (`unit`, `units`) or from behind the column's name.
    """

    def __init__(self, path: Path, *, time: str | None = None):
        import pyarrow as pa
        import pyarrow.parquet as pq

        super().__init__(path)
        with foreign_faults(self):
            self._file = pq.ParquetFile(path, memory_map=False, pre_buffer=False)
            schema = self._file.schema_arrow
            names = list(schema.names)
            if len(set(names)) < len(names):
                raise self.refuse("a name of its own for every column")
            units = [_unit(schema.field(i)) for i in range(len(names))]
            stamps = [i for i, kind in enumerate(schema.types) if pa.types.is_timestamp(kind)]
            self._time: tuple[int, float] | None = None
            if stamps and time is None:
                self._time = (stamps[0], 1.0)
            else:
                self._time = time_column(names, units, time)
            self._stamped = self._time is not None and self._time[0] in stamps
            self.has_time = self._time is not None
            numeric = [
                i
                for i, kind in enumerate(schema.types)
                if pa.types.is_floating(kind) or pa.types.is_integer(kind) or pa.types.is_decimal(kind)
            ]
            self._columns = [names[i] for i in numeric if self._time is None or i != self._time[0]]
            self._names = names
            rate = np.nan
            if self.has_time:
                first = next(self.blocks([], rows=20_000), None)
                if first is not None and first.times is not None:
                    rate = self.first_rate(first.times)
            rows = int(self._file.metadata.num_rows)
            self.tracks = tuple(
                Track(name, units[names.index(name)], rate, -1 if self.has_time else rows)
                for name in self._columns
            )

    def blocks(self, places: Sequence[int], rows: int = BLOCK_ROWS) -> Iterator[Block]:
        wanted = [self._columns[place] for place in places]
        time_name = self._names[self._time[0]] if self._time else None
        used = list(dict.fromkeys([*([time_name] if time_name else []), *wanted]))
        for batch in self._file.iter_batches(batch_size=rows, columns=used, use_threads=False):
            times = None
            if time_name is not None and self._time is not None:
                times = self._seconds(batch.column(time_name)) * self._time[1]
            yield Block(times, [_floats(batch.column(name)) for name in wanted])

    def _seconds(self, column: Any) -> np.ndarray:
        import pyarrow as pa

        if not self._stamped:
            return _floats(column)
        fine = column.cast(pa.timestamp("ns", tz=column.type.tz), safe=False)
        if self.started is None and len(fine) and fine[0].is_valid:
            self.started = str(np.datetime64(fine[0].value, "ns").astype("datetime64[ms]"))
        ticks = fine.cast(pa.int64())
        first = getattr(self, "_first_tick", None)
        if first is None and ticks.null_count < len(ticks):
            first = self._first_tick = int(ticks.drop_null()[0].as_py())
        missing = np.asarray(ticks.is_null())
        seconds = (np.asarray(ticks.fill_null(first or 0)) - (first or 0)) / 1e9
        return np.where(missing, np.nan, seconds)

    def close(self) -> None:
        self._file.close()


def _floats(column: Any) -> np.ndarray:
    import pyarrow as pa

    return np.asarray(column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False), dtype=np.float64)


def _unit(field: Any) -> str:
    said = {key.decode("utf-8", "replace").lower(): value for key, value in (field.metadata or {}).items()}
    for key in ("unit", "units"):
        if key in said:
            return said[key].decode("utf-8", "replace").strip()
    return split_unit(field.name)[1]
