"""EDF, EDF+, BDF and BDF+ files, decoded by edfio a run of data records at a time."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import numpy as np

from discovery.recordings.reader import RandomAccessReader, Track, foreign_faults

_ONSET = re.compile(rb"([+-]\d+(?:\.\d*)?)\x14\x14")
MOST_SIGNALS = 4096
LONGEST_GAP_S = 400 * 86400.0


class EdfReader(RandomAccessReader):
    """An EDF or BDF file. Gaps of an interrupted file (EDF+D) come as missing samples.

    edfio reads a BDF file whole; it is handed the header and the wanted data records as a small file
    of their own instead, so that memory stays the same for every length.
    """

    def __init__(self, path: Path):
        super().__init__(path)
        with path.open("rb") as file:
            fixed = file.read(256)
            if len(fixed) < 256:
                raise self.refuse("an EDF or BDF header of 256 bytes", found=f"{len(fixed)} bytes")
            n_signals = self._whole(fixed[252:256], "number of signals")
            if not 1 <= n_signals <= MOST_SIGNALS:
                raise self.refuse(f"1 to {MOST_SIGNALS} signals", found=str(n_signals))
            self._header = fixed + file.read(256 * n_signals)
        if len(self._header) < 256 * (n_signals + 1):
            raise self.refuse("a whole header", found=f"{len(self._header)} bytes")
        self._bdf = fixed[:1] == b"\xff"
        opened = self._decode(0, 0, b"")
        self._record_s = float(opened.data_record_duration)
        if not (np.isfinite(self._record_s) and self._record_s > 0):
            raise self.refuse("data records that last longer than 0 s", found=str(self._record_s))
        per_record = [self._per_record(i, n_signals) for i in range(n_signals)]
        width = 3 if self._bdf else 2
        self._record_bytes = width * sum(per_record)
        held = (path.stat().st_size - len(self._header)) // self._record_bytes if self._record_bytes else 0
        due = self._whole(fixed[236:244], "number of data records")
        if due not in (-1, held):
            self.doubt("as many data records as the header says (cut off?)", found=f"{held} instead of {due}")
        self._n_records = int(held)
        self._onsets = self._record_onsets(per_record, width)
        self._ordinary = []
        tracks: list[Track] = []
        names = [self._header[256 + 16 * i : 272 + 16 * i] for i in range(n_signals)]
        with foreign_faults(self):
            described = iter(opened.signals)
            last = int(self._onsets[-1]) + 1 if self._n_records else 0
            for i, name in enumerate(names):
                if name.rstrip() in (b"EDF Annotations", b"BDF Annotations"):
                    continue
                signal = next(described)
                self._ordinary.append((len(tracks), per_record[i]))
                tracks.append(
                    Track(
                        name=str(signal.label),
                        unit=str(signal.physical_dimension),
                        rate_hz=per_record[i] / self._record_s,
                        n_samples=last * per_record[i],
                    )
                )
        self.tracks = tuple(tracks)
        try:
            self.started = opened.startdatetime.isoformat()
        except ValueError:
            self.started = None

    def _whole(self, field: bytes, what: str) -> int:
        try:
            return int(field.decode("ascii", "replace"))
        except ValueError:
            raise self.refuse(f"a whole number as {what}", found=field.decode("ascii", "replace")) from None

    def _per_record(self, i: int, n_signals: int) -> int:
        at = 256 + 216 * n_signals + 8 * i
        count = self._whole(self._header[at : at + 8], "samples in each data record")
        if not 0 <= count <= 10_000_000:
            raise self.refuse("a believable number of samples in each data record", found=str(count))
        return count

    def _decode(self, first: int, last: int, data: bytes) -> Any:
        """edfio's view of data records `first` to `last`, with their bytes `data`."""
        import edfio

        count = str(last - first).encode().ljust(8)
        small = io.BytesIO(self._header[:236] + count + self._header[244:] + data)
        with foreign_faults(self):
            return (edfio.read_bdf if self._bdf else edfio.read_edf)(small, header_encoding="latin-1")

    def _record_onsets(self, per_record: list[int], width: int) -> np.ndarray:
        """Place of each data record on a grid of whole records, (n,), from the time-keeping marks.

        A continuous file, and one whose marks cannot be read, is 0, 1, 2, ...
        """
        steady = np.arange(self._n_records)
        kind = self._header[192:236].decode("ascii", "replace")
        marks = [
            i
            for i in range(len(per_record))
            if self._header[256 + 16 * i :][:16].rstrip().endswith(b" Annotations")
        ]
        if not (kind.startswith(("EDF+D", "BDF+D")) and marks and self._n_records):
            return steady
        at, size = width * sum(per_record[: marks[0]]), width * per_record[marks[0]]
        onsets = np.empty(self._n_records)
        with self.path.open("rb") as file:
            for i in range(self._n_records):
                file.seek(len(self._header) + i * self._record_bytes + at)
                mark = _ONSET.match(file.read(size))
                onsets[i] = float(mark.group(1)) if mark else np.nan
        places = np.round((onsets - onsets[0]) / self._record_s)
        if (
            np.isnan(places).any()
            or (np.diff(places) < 1).any()
            or places[-1] * self._record_s > LONGEST_GAP_S
        ):
            self.doubt("time marks that increase from record to record; they are left aside", found=kind)
            return steady
        if np.abs((onsets - onsets[0]) / self._record_s - places).max() > 0.01:
            self.doubt("gaps of whole data records; each is moved to the nearest one", found=kind)
        return places.astype(np.int64)

    def read(self, place: int, start: int, stop: int) -> np.ndarray:
        signal, per_record = self._ordinary[place]
        first_place, last_place = start // per_record, -(-stop // per_record)
        first, last = np.searchsorted(self._onsets, [first_place, last_place])
        out = np.full((last_place - first_place, per_record), np.nan)
        if last > first:
            with self.path.open("rb") as file:
                file.seek(len(self._header) + int(first) * self._record_bytes)
                data = file.read(int(last - first) * self._record_bytes)
            samples = self._decode(int(first), int(last), data).signals[signal].data
            out[self._onsets[first:last] - first_place] = samples.reshape(-1, per_record)
        return out.ravel()[start - first_place * per_record : stop - first_place * per_record]
