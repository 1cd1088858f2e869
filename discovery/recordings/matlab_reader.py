"""MATLAB files of versions 4 to 7, read whole by scipy (version 7.3 is HDF5)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from discovery.recordings.hdf5_reader import MOST_COLUMNS, RATE_KEYS, UNIT_KEYS
from discovery.recordings.reader import RandomAccessReader, Track, foreign_faults

MOST_BYTES = 2**31


class MatlabReader(RandomAccessReader):
    """Every numeric vector, matrix column and field of a structure is a track.

    Variables of this format are compressed as a whole and cannot be read in part: memory grows with
    the file, so files above 2 GiB unpacked are refused (save them as version 7.3). Rate and unit are
    looked for in variables named `fs`, `units` and the like, beside the signal.
    """

    def __init__(self, path: Path):
        import scipy.io

        super().__init__(path)
        with foreign_faults(self):
            listed = scipy.io.whosmat(str(path))
            if sum(8 * float(np.prod(shape, dtype=float)) for _, shape, _ in listed) > MOST_BYTES:
                raise self.refuse("variables below 2 GiB in all; save the file as version 7.3")
            held = scipy.io.loadmat(str(path), squeeze_me=True, struct_as_record=True)
            self._signals: list[np.ndarray] = []
            tracks: list[Track] = []
            self._add(held, "", tracks)
        self.tracks = tuple(tracks)

    def _add(self, held: dict[str, Any], prefix: str, tracks: list[Track]) -> None:
        said = {key.casefold(): value for key, value in held.items()}
        rate = next((_number(said[key]) for key in RATE_KEYS if key in said), np.nan)
        unit = next((str(said[key]) for key in UNIT_KEYS if key in said and np.ndim(said[key]) == 0), "")
        for name, value in held.items():
            if name.startswith("__"):
                continue
            array = np.asarray(value)
            if array.dtype.names and array.size == 1 and not prefix:
                fields = {key: array[key].item() for key in array.dtype.names}
                self._add(fields, f"{name}.", tracks)
            elif array.dtype.kind in "iuf" and array.ndim in (1, 2) and array.size > 1:
                columns = (
                    np.atleast_2d(array) if array.ndim == 1 or array.shape[0] < array.shape[1] else array.T
                )
                if len(columns) > MOST_COLUMNS:
                    continue
                for i, column in enumerate(columns):
                    label = f"{prefix}{name}" if len(columns) == 1 else f"{prefix}{name}[{i}]"
                    self._signals.append(column)
                    tracks.append(Track(name=label, unit=unit, rate_hz=rate, n_samples=column.size))

    def read(self, place: int, start: int, stop: int) -> np.ndarray:
        return self._signals[place][start:stop]


def _number(value: Any) -> float:
    array = np.asarray(value).ravel()
    return float(array[0]) if array.size == 1 and array.dtype.kind in "iuf" else np.nan
