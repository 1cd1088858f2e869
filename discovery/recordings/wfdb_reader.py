"""WFDB records: one or many segments, several rates, from local files only."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np

from discovery.recordings.reader import LONGEST_SAMPLES, RandomAccessReader, Track, foreign_faults

# Bytes that one sample takes in the data file, by WFDB format number; compressed ones are not listed.
_BYTES = {
    "8": 1,
    "16": 2,
    "24": 3,
    "32": 4,
    "61": 2,
    "80": 1,
    "160": 2,
    "212": 1.5,
    "310": 4 / 3,
    "311": 4 / 3,
}
_BLOCK_SAMPLES = 450_000  # read at a time: half an hour at 250 Hz
_LOCAL_NAME = re.compile(r"[A-Za-z0-9_.~+ -]+")


class WfdbReader(RandomAccessReader):
    """A WFDB record given by its header file, or by its name without extension.

    wfdb can fetch over the network when a name looks like an address. Names here are joined to a
    local folder, and any that holds a slash or a colon is refused before wfdb sees it.
    """

    def __init__(self, path: Path):
        super().__init__(path)
        self._folder = path.parent.resolve()
        if "::" in str(self._folder) or "://" in str(self._folder):
            raise self.refuse("a folder whose name holds no '::' (such names mean an address)")
        header = self._header(path.stem if path.suffix in (".hea", ".dat") else path.name)
        # Each stretch: first frame of the record, number of frames, record name ("" for a gap).
        self._stretches: list[tuple[int, int, str]] = []
        self._headers: dict[str, Any] = {}
        if getattr(header, "n_seg", None) is None:
            self._add_stretch(str(header.record_name), header, None)
        else:
            self._add_segments(header)
        rate = float(header.fs) if header.fs is not None else np.nan
        self._frames = sum(length for _, length, _ in self._stretches)
        if self._frames > LONGEST_SAMPLES:
            raise self.refuse("a record of believable length", found=f"{self._frames} frames")
        self._frame_rate = rate
        self._asked: dict[str, None] = {}
        self._held: dict[str, np.ndarray] = {}
        self._held_at: tuple[str, int] | None = None
        tracks: dict[str, Track] = {}
        self._frame_samples: dict[str, int] = {}
        for each in self._headers.values():
            for name, unit, per_frame in zip(
                each.sig_name or [], each.units or [], each.samps_per_frame or []
            ):
                label = str(name) if name is not None else ""
                if label in tracks:
                    continue
                self._frame_samples[label] = int(per_frame)
                tracks[label] = Track(
                    name=label,
                    unit="" if unit in (None, "NU") else str(unit),
                    rate_hz=rate * int(per_frame),
                    n_samples=self._frames * int(per_frame),
                )
        self.tracks = tuple(tracks.values())
        base_date, base_time = getattr(header, "base_date", None), getattr(header, "base_time", None)
        if base_time is not None:
            self.started = f"{base_date.isoformat()}T{base_time}" if base_date is not None else str(base_time)

    def _header(self, name: str) -> Any:
        import wfdb

        if not _LOCAL_NAME.fullmatch(name) or ".." in name:
            raise self.refuse("record names are plain file names in the header's own folder", found=name)
        if not (self._folder / f"{name}.hea").is_file():
            raise self.refuse(f"the header file {name}.hea beside the others", found="no such file")
        with foreign_faults(self):
            return wfdb.rdheader(str(self._folder / name))

    def _add_segments(self, header: Any) -> None:
        first = 0
        n_listed = min(len(header.seg_name), len(header.seg_len))
        if n_listed == 0:
            raise self.refuse("the header lists its segments")
        for name, length in zip(header.seg_name, header.seg_len):
            if length is None or length < 0:
                raise self.refuse("every segment's length is given", found=str(name))
            if name == "~":
                self._stretches.append((first, int(length), ""))
            elif length == 0:  # the layout header: names and units, no samples
                self._headers[name] = self._header(name)
            else:
                self._add_stretch(str(name), self._header(name), int(length))
            first += int(length)

    def _add_stretch(self, name: str, header: Any, length: int | None) -> None:
        first = self._stretches[-1][0] + self._stretches[-1][1] if self._stretches else 0
        if getattr(header, "n_seg", None) is not None:
            raise self.refuse("a segment holds signals, not segments of its own", found=name)
        for file_name in header.file_name or []:
            if not _LOCAL_NAME.fullmatch(str(file_name)) or ".." in str(file_name):
                raise self.refuse("data files lie in the header's own folder", found=str(file_name))
        held = self._frames_held(header)
        due = length if length is not None else header.sig_len
        if due is None:
            due = held
        if due is None:
            raise self.refuse("the record's length is given in its header", found=name)
        if due < 0:
            raise self.refuse("a record's length is not negative", found=str(due))
        self._headers[name] = header
        if held is not None and held < due:
            self.doubt(
                "the data file is as long as its header says (cut off?)", found=f"{held} of {due} frames"
            )
            self._stretches.append((first, held, name))
            if length is not None:
                self._stretches.append((first + held, due - held, ""))
        else:
            self._stretches.append((first, int(due), name))

    def _frames_held(self, header: Any) -> int | None:
        """Frames that the data files can hold; None where the format does not tell by its size."""
        frames: list[int] = []
        file_names, formats = header.file_name or [], header.fmt or []
        for file_name in dict.fromkeys(file_names):
            lines = [i for i, each in enumerate(file_names) if each == file_name]
            path = self._folder / str(file_name)
            if not path.is_file():
                raise self.refuse("the data file that the header names", found=f"{file_name}: no such file")
            counts = [header.samps_per_frame[i] for i in lines]
            if any(c is None or not 1 <= c <= 100_000 for c in counts):
                raise self.refuse("a believable number of samples per frame", found=str(counts[:4]))
            size = _BYTES.get(str(formats[lines[0]]))
            if size is None:
                continue
            skip = header.byte_offset[lines[0]] or 0
            frames.append(max(int((path.stat().st_size - skip) // (size * sum(counts))), 0))
        return min(frames) if frames else None

    def read(self, place: int, start: int, stop: int) -> np.ndarray:
        name = self.tracks[place].name
        per_frame = self._frame_samples[name]
        first_frame, last_frame = start // per_frame, -(-stop // per_frame)
        out = np.full((last_frame - first_frame) * per_frame, np.nan)
        for begin, length, record in self._stretches:
            low, high = max(begin, first_frame), min(begin + length, last_frame)
            if high <= low or not record:
                continue
            names = self._names(record)
            if name not in names or self._headers[record].samps_per_frame[names.index(name)] != per_frame:
                continue
            while low < high:
                number = (low - begin) // self._block_frames
                block_start = begin + number * self._block_frames
                ahead = min(block_start + self._block_frames, high)
                samples = self._block(record, number, length, name)
                part = samples[(low - block_start) * per_frame : (ahead - block_start) * per_frame]
                at = (low - first_frame) * per_frame
                out[at : at + part.size] = part
                low = ahead
        return out[start - first_frame * per_frame : stop - first_frame * per_frame]

    def _names(self, record: str) -> list[str]:
        return [str(each) if each is not None else "" for each in self._headers[record].sig_name or []]

    @property
    def _block_frames(self) -> int:
        return max(1, _BLOCK_SAMPLES // max(self._frame_samples.values()))

    def _block(self, record: str, number: int, length: int, name: str) -> np.ndarray:
        """One signal of a block of a record's frames; every call of wfdb reads the header anew, so the block
        last read is kept, with all the signals that were asked for so far."""
        import wfdb

        if self._held_at != (record, number) or name not in self._held:
            self._asked[name] = None
            self._held_at, self._held = None, {}
            names = self._names(record)
            places = [names.index(each) for each in self._asked if each in names]
            signals = wfdb.rdrecord(
                str(self._folder / record),
                sampfrom=number * self._block_frames,
                sampto=min((number + 1) * self._block_frames, length),
                channels=places,
                smooth_frames=False,
            ).e_p_signal
            self._held = dict(zip((names[each] for each in places), signals))
            self._held_at = (record, number)
        return self._held[name]
