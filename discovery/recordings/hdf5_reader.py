"""HDF5 files, and MATLAB v7.3 files, which are HDF5 inside."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from discovery.recordings.reader import RandomAccessReader, Track, foreign_faults

RATE_KEYS = (
    "sampling_rate",
    "sample_rate",
    "rate_hz",
    "fs",
    "sampling_frequency",
    "samplingrate",
    "rate",
    "frequency",
)
UNIT_KEYS = ("units", "unit", "physical_dimension")
MOST_COLUMNS = 64
SEARCH_BYTES, LARGEST_HEAP = 1 << 22, 1 << 28


class Hdf5Reader(RandomAccessReader):
    """Every numeric vector of the file is a track named by its path (`/group/RVP` is `group/RVP`).

    There is no standard place for rate and unit. They are looked for among the attributes of the data
    set, of the groups above it, and as data sets of their own (`fs`, `units`) in the same group.
    A matrix with few columns (or rows) is one track for each, `name[0]`, `name[1]`, ...
    """

    def __init__(self, path: Path):
        import h5py

        super().__init__(path)
        if path.stat().st_size and not whole_heaps(path):
            raise self.refuse("a whole, undamaged file", found="a broken heap of texts")
        with foreign_faults(self):
            self._file = h5py.File(path, "r")
            self._sets: list[tuple[Any, int | None, int]] = []  # data set, its column or row, long axis
            tracks: list[Track] = []
            found: list[Any] = []
            self._file.visititems(
                lambda _, item: found.append(item) if isinstance(item, h5py.Dataset) else None
            )
            for item in found:
                self._add(item, tracks)
        self.tracks = tuple(tracks)

    def _add(self, item: Any, tracks: list[Track]) -> None:
        if item.dtype.kind not in "iuf" or item.size < 2 or item.ndim not in (1, 2):
            return
        name = item.name.lstrip("/")
        long = int(np.argmax(item.shape))
        columns = 1 if item.ndim == 1 else item.shape[1 - long]
        if (
            columns > MOST_COLUMNS
            or item.attrs.get("MATLAB_class", b"") == b"char"
            or name.startswith("#refs#")
        ):
            return
        rate = _number(_about(item, RATE_KEYS))
        unit = _text(_about(item, UNIT_KEYS))
        for column in range(columns):
            self._sets.append((item, None if item.ndim == 1 else column, long))
            label = name if columns == 1 else f"{name}[{column}]"
            tracks.append(Track(name=label, unit=unit, rate_hz=rate, n_samples=int(item.shape[long])))

    def read(self, place: int, start: int, stop: int) -> np.ndarray:
        item, column, long = self._sets[place]
        if column is None:
            return item[start:stop]
        return item[start:stop, column] if long == 0 else item[column, start:stop]

    def close(self) -> None:
        self._file.close()


def whole_heaps(path: Path) -> bool:
    """Whether the heaps in which HDF5 keeps texts of varying length can be walked from end to end.

    The HDF5 library walks them without a check: an object of size 0 makes it go round for ever.
    """
    mark, at = b"GCOL\x01", 0
    with path.open("rb") as file:
        while block := file.read(SEARCH_BYTES):
            found = block.find(mark)
            while found >= 0:
                file.seek(at + found)
                if not _whole_heap(file.read(16), file):
                    return False
                found = block.find(mark, found + 1)
            if len(block) < SEARCH_BYTES:
                return True
            at += len(block) - len(mark)  # a mark may lie across two blocks
            file.seek(at)
    return True


def _whole_heap(head: bytes, file: BinaryIO) -> bool:
    """Whether the heap that begins with `head`, its objects next in `file`, ends where it says."""
    if len(head) < 16:
        return False
    (size,) = struct.unpack_from("<Q", head, 8)
    if not 16 <= size <= LARGEST_HEAP:
        return False
    objects = file.read(size - 16)
    if len(objects) < size - 16:
        return False
    at = 0
    while at + 16 <= len(objects):
        number, _, _, length = struct.unpack_from("<HHIQ", objects, at)
        step = length if number == 0 else 16 + (length + 7) // 8 * 8
        if step < 16 or at + step > len(objects):
            return False
        at += step
    return True


def _about(item: Any, keys: tuple[str, ...]) -> Any:
    """What is said of `item` under any of `keys`: its attributes, then those of the groups above."""
    import h5py

    for holder in (item, item.parent, item.file):
        said = {str(key).casefold(): key for key in holder.attrs}
        for key in keys:
            if key in said:
                return holder.attrs[said[key]]
    beside = {str(key).casefold(): key for key in item.parent}
    for key in keys:
        if (
            key in beside
            and isinstance(item.parent[beside[key]], h5py.Dataset)
            and item.parent[beside[key]].size < 64
        ):
            return item.parent[beside[key]][()]
    return None


def _number(value: Any) -> float:
    try:
        array = np.asarray(value, dtype=np.float64).ravel()
    except (TypeError, ValueError):
        return np.nan
    return float(array[0]) if array.size == 1 else np.nan


def _text(value: Any) -> str:
    """Text from an attribute, a byte string, or MATLAB's array of character codes."""
    if value is None:
        return ""
    array = np.asarray(value)
    if array.dtype.kind in "iu":
        return "".join(chr(code) for code in array.ravel() if 0 < code < 0x110000)
    first = array.ravel()[0] if array.size else ""
    return first.decode("utf-8", "replace") if isinstance(first, bytes) else str(first)
