"""What tables (CSV, Parquet) share: a time column, or a rate, put on a regular grid in a stream."""

from __future__ import annotations

import re
from abc import abstractmethod
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from discovery.problems import nearest
from discovery.recordings.names import match_name
from discovery.recordings.reader import Reader, first_sample, foreign_faults, sane_rate
from discovery.recordings.units import split_unit

TIME_NAMES = {"t", "ts", "time", "times", "second", "seconds", "sec", "elapsed", "elapsedtime", "timestamp"}
TIME_UNITS = {"": 1.0, "s": 1.0, "sec": 1.0, "seconds": 1.0, "ms": 1e-3, "min": 60.0}
MOST_GAP_SAMPLES = 2**28


@dataclass(frozen=True)
class Block:
    """Rows of a table: seconds (n,) or None, and the wanted columns, each (n,) float64."""

    times: np.ndarray | None
    columns: list[np.ndarray]


def time_column(
    names: Sequence[str], units: Sequence[str], wanted: str | None = None
) -> tuple[int, float] | None:
    """Place of the time column and the factor that makes it seconds, or None without one.

    `wanted` is its name where the user gave it; ValueError when there is no such column.
    """
    if wanted is not None:
        places = match_name(wanted, names)
        if not places:
            raise ValueError(f"no time column {wanted!r}; {nearest(wanted, names)}")
        unit = units[places[0]] or split_unit(names[places[0]])[1]
        return places[0], TIME_UNITS.get(unit.casefold(), 1.0)
    for i, name in enumerate(names):
        stem, behind = split_unit(name)
        unit = units[i] or behind
        if re.sub(r"[^a-z]", "", stem.casefold()) in TIME_NAMES and unit.casefold() in TIME_UNITS:
            return i, TIME_UNITS[unit.casefold()]
    return None


def rate_of(times: np.ndarray) -> float:
    """Sampling rate in Hz told by the time stamps (n,), NaN when they tell none.

    The mean of the ordinary steps, so that stamps cut to milliseconds still give 240 Hz; where stamps
    are coarser than the samples (many equal ones), the count over the span.
    """
    times = times[np.isfinite(times)]
    steps = np.diff(times)
    forward = steps[steps > 0]
    if times.size < 3 or forward.size == 0:
        return np.nan
    if np.mean(steps == 0) > 0.05:
        change = np.flatnonzero(steps > 0)
        if change.size < 3:
            return np.nan
        rate = (change[-1] - change[0]) / (times[change[-1]] - times[change[0]])
    else:
        usual = np.median(forward)
        rate = 1.0 / forward[(forward > 0.5 * usual) & (forward < 1.5 * usual)].mean()
    whole = float(np.round(rate))
    return whole if whole > 0 and abs(rate / whole - 1.0) < 1.5 / times.size else float(rate)


class Grid:
    """Puts stamped rows on the grid of `rate_hz`: missing rows become NaN, doubled ones are left out."""

    def __init__(self, rate_hz: float):
        self.rate_hz = rate_hz
        self.first: float | None = None
        self.doubled = 0
        self.unstamped = 0
        self._last = 0.0
        self._rows = 0

    def place(self, block: Block) -> list[np.ndarray]:
        """The block's columns on the grid. Raises `ValueError` for time that runs backwards."""
        assert block.times is not None
        stamped = np.isfinite(block.times)
        self.unstamped += int((~stamped).sum())
        times = block.times[stamped]
        columns = [column[stamped] for column in block.columns]
        if not times.size:
            return columns
        if self.first is None:
            self.first = float(times[0])
            self._last = self.first - 1.0 / self.rate_hz
        steps = np.diff(times, prepend=self._last) * self.rate_hz
        if (steps < -0.5).any():
            row = int(np.flatnonzero(stamped)[np.argmax(steps < -0.5)])
            raise ValueError(f"time runs backwards at data row {self._rows + row + 1}")
        coarse = np.mean(steps < 0.05) > 0.05
        off_grid = (np.abs(steps - np.round(steps)) > 0.3) | ((steps > 0.05) & (steps < 0.5))
        if not coarse and off_grid.mean() > 0.1:
            raise ValueError(
                f"{off_grid.mean():.0%} of the time stamps lie off a grid of {self.rate_hz:g} Hz"
            )
        self._rows += block.times.size
        self._last = float(times[-1])
        if coarse:
            gap = steps > 1.5 * np.median(steps[steps > 0.05])
            advance = np.where(gap, np.maximum(np.round(steps), 1), 1).astype(np.int64)
        else:
            doubled = steps <= 0.05
            self.doubled += int(doubled.sum())
            advance = np.maximum(np.round(steps), 1).astype(np.int64)
            advance[doubled] = 0
        total = int(advance.sum())
        if total > MOST_GAP_SAMPLES + times.size:
            raise ValueError(f"a gap of {total / self.rate_hz:.0f} s between time stamps")
        if total == times.size and not (advance == 0).any():
            return columns
        at = np.cumsum(advance) - 1
        keep = advance > 0
        out = []
        for column in columns:
            grid = np.full(total, np.nan)
            grid[at[keep]] = column[keep]
            out.append(grid)
        return out


class TableReader(Reader):
    """A table read from front to back; a subclass gives its rows block by block."""

    has_time = False

    @abstractmethod
    def blocks(self, places: Sequence[int]) -> Iterator[Block]:
        """The table's rows in order: the time column (in seconds) and the tracks at `places`."""

    def pieces(
        self, places: Sequence[int], rates: Sequence[float], seconds: float
    ) -> Iterator[list[np.ndarray]]:
        rate = rates[0]
        grid = Grid(rate)
        held: list[list[np.ndarray]] = [[] for _ in places]
        waiting, done, k = 0, 0, 1
        for columns in self._gridded(places, grid):
            for store, column in zip(held, columns):
                store.append(column)
            waiting += columns[0].size
            while done + waiting >= (end := first_sample(k * seconds, 0.0, rate, 2**62)):
                joined = [np.concatenate(store) for store in held]
                yield [column[: end - done] for column in joined]
                held = [[column[end - done :]] for column in joined]
                waiting -= end - done
                done, k = end, k + 1
        if waiting:
            yield [np.concatenate(store) for store in held]
        if grid.doubled:
            self.doubt("one row for each instant; the first is used", found=f"{grid.doubled} doubled rows")
        if grid.unstamped:
            self.doubt("a time in every row; these are left out", found=f"{grid.unstamped} rows without")

    def _gridded(self, places: Sequence[int], grid: Grid) -> Iterator[list[np.ndarray]]:
        blocks = self.blocks(places)
        while True:
            with foreign_faults(self):
                block = next(blocks, None)
                if block is None:
                    return
                columns = grid.place(block) if self.has_time else block.columns
            if columns[0].size:
                yield columns

    def first_rate(self, times: np.ndarray) -> float:
        """The rate that the first stamps tell, noted as a doubt when they tell none."""
        rate = rate_of(times)
        if not sane_rate(rate):
            self.doubt("time stamps that increase in even steps", found="no rate can be told from them")
            return np.nan
        return rate
