"""Times of follow-up and of entry, as every outcome that has them is held to."""

from __future__ import annotations

import numpy as np

from discovery.study.numbers import LARGEST, too_small
from discovery.study.source import Source


def read_times(source: Source, column: str, outcome: str) -> np.ndarray:
    """Times of 0 or more; a zero is kept with a warning. Below 1e-100 no other number is a time."""
    time = source.require_numbers(column)
    source.error_rows("negative time", "a time of 0 or more is wanted", column, np.flatnonzero(time < 0))
    refuse_tiny(source, column, time)
    zero = np.flatnonzero(time == 0)
    if zero.size:
        wanted = (
            f"{zero.size} patient{'s have' if zero.size > 1 else ' has'} no follow-up for {outcome!r}: kept, "
            "but without an event such a row is never at risk; check that the time is known"
        )
        source.findings.warn(
            "zero time", source.file, wanted, found="0", row=source.row(zero[0]), column=column
        )
    return time


def refuse_tiny(source: Source, column: str, time: np.ndarray) -> None:
    """Note times (n,) above 0 that are too small to compute with."""
    wanted = f"a time of 0, or one that can be computed with ({1 / LARGEST:g} or more), is wanted"
    source.error_rows("tiny time", wanted, column, np.flatnonzero(too_small(time)))


def entry_numbers(source: Source, column: str) -> np.ndarray:
    entry = source.require_numbers(column)
    source.error_rows("negative time", "a time of 0 or more is wanted", column, np.flatnonzero(entry < 0))
    refuse_tiny(source, column, entry)
    return entry


def read_entry(source: Source, column: str, time: np.ndarray, time_column: str) -> np.ndarray:
    entry = entry_numbers(source, column)
    late = np.flatnonzero((entry >= time) & (time >= 0) & (entry >= 0))
    for position in late[:20]:
        wanted = f"an entry before the end of follow-up ({time_column} is {time[position]:g}) is wanted"
        source.findings.error(
            "entry after time",
            source.file,
            wanted,
            found=f"{entry[position]:g}",
            row=source.row(position),
            column=column,
            more=max(0, late.size - 20) if position == late[0] else 0,
        )
    return entry
