"""Take a Parquet file apart: numbers stay as stored, everything else becomes text."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np

from discovery.problems import InputError, Problem, shown
from discovery.study.findings import Findings
from discovery.study.numbers import LARGEST, Numbers
from discovery.study.stored_text import arrow_text
from discovery.study.tables import LONGEST_CELL, Table, check_header, normal_name


def read_parquet(content: bytes, name: str, findings: Findings) -> Table | None:
    """A table from the bytes of a Parquet file."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        stored = pq.ParquetFile(pa.BufferReader(content)).read(use_threads=False)
        stored.validate(full=True)  # text that is no UTF-8, lengths that do not fit
        header = [normal_name(column) for column in stored.column_names]
        columns = [usable(stored.column(position)) for position in range(len(header))]
    except (pa.ArrowException, OSError, ValueError, KeyError, OverflowError, MemoryError) as error:
        first = (str(error).splitlines() or [""])[0][:200]
        wanted = f"a Parquet file is wanted, this is none or is damaged ({first})"
        raise InputError([Problem(file=name, found=f"{len(content)} bytes", wanted=wanted)]) from None
    kept = check_header(header, name, 1, findings)
    if kept is None:
        return None
    if not stored.num_rows:
        found = f"{len(header)} column{'s' if len(header) != 1 else ''} and no row"
        findings.error("no rows", name, "a row or more is wanted", found=found)
        return None
    table = Table(
        file=name,
        columns=tuple(header[position] for position in kept),
        rows=np.arange(1, stored.num_rows + 1),
        sha256=hashlib.sha256(content).hexdigest(),
        cells={},
    )
    for position in kept:
        column = columns[position]
        if isinstance(column, list):
            table.cells[header[position]] = column
            refuse_long_cells(column, header[position], name, findings)
        else:
            table.stored[header[position]] = column
            table.read[header[position], frozenset()] = arrow_numbers(column)
    return table


def usable(column: Any) -> Any:
    """A stored column: as it is if it holds numbers or truth values, else its cells as text."""
    import pyarrow as pa

    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.cast(kind.value_type)
        kind = column.type
    numeric = (
        pa.types.is_integer,
        pa.types.is_floating,
        pa.types.is_decimal,
        pa.types.is_boolean,
        pa.types.is_null,
    )
    return column if any(holds(kind) for holds in numeric) else arrow_text(column)


def refuse_long_cells(cells: list[str], column: str, name: str, findings: Findings) -> None:
    long = [row for row, cell in enumerate(cells) if len(cell) > LONGEST_CELL]
    wanted = f"a cell of at most {LONGEST_CELL} characters is wanted"
    findings.error_cells(
        "long cell", name, wanted, column, [row + 1 for row in long], [shown(cells[row]) for row in long]
    )


def arrow_numbers(column: Any) -> Numbers:
    """A column stored as numbers or truth values."""
    import pyarrow as pa

    if pa.types.is_null(column.type):
        return Numbers(values=np.full(len(column), np.nan), filled=0)
    if pa.types.is_boolean(column.type):
        column = column.cast(pa.int8())
    values = np.array(column.cast(pa.float64(), safe=False).to_numpy(), dtype=np.float64)
    infinite = np.flatnonzero(np.abs(values) > LARGEST)
    filled = int((~np.isnan(values)).sum())
    values[infinite] = np.nan
    return Numbers(values=values, filled=filled, infinite=infinite.tolist())
