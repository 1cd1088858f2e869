"""Open a recording of any format as calibrated channels, given out in pieces of some seconds."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from discovery.problems import InputError, Problem
from discovery.recordings.calibration import Calibration, calibrate
from discovery.recordings.findings import Survey
from discovery.recordings.names import assign_roles
from discovery.recordings.reader import Reader, Track, sane_rate
from discovery.recordings.recording import Channel, Recording, join
from discovery.recordings.units import QUANTITIES, conversion

LOWEST_PRESSURE_RATE_HZ = 60.0  # below it no pressure level is measured
CHUNK_SECONDS = 600.0
_PRESSURES = tuple(role for role, (unit, _) in QUANTITIES.items() if unit == "mmHg")


@dataclass(frozen=True)
class Part:
    """How one role is read: its track, the unit it comes out in, and what is done to the samples."""

    role: str
    place: int
    track: Track
    rate_hz: float
    unit: str
    factor: float
    calibration: Calibration
    zero_starts: np.ndarray
    zero_levels: np.ndarray


class RecordingSource:
    """An open recording. `chunks` reads it from front to back; memory does not grow with its length.

    `problems` holds the doubts (warnings) met so far: absent channels, gaps in the file's structure,
    and, once the record has been read through, channels that are all missing, constant or clipped.
    """

    def __init__(
        self, reader: Reader, parts: list[Part], *, patient_id: str, visit: int | None, started: str | None
    ):
        self._reader = reader
        self._parts = parts
        self._surveyed = False
        self.file = reader.file
        self.patient_id = patient_id
        self.visit = visit
        self.started = started or reader.started

    @property
    def problems(self) -> tuple[Problem, ...]:
        return tuple(self._reader.problems)

    @property
    def roles(self) -> tuple[str, ...]:
        return tuple(part.role for part in self._parts)

    @property
    def rates_hz(self) -> dict[str, float]:
        return {part.role: part.rate_hz for part in self._parts}

    @property
    def duration_s(self) -> float:
        """Length in seconds; NaN for a table, whose length shows only when it has been read."""
        lengths = [
            p.track.start_s + p.track.n_samples / p.rate_hz for p in self._parts if p.track.n_samples >= 0
        ]
        return max(lengths) if len(lengths) == len(self._parts) else float("nan")

    def chunks(self, seconds: float = CHUNK_SECONDS) -> Iterator[Recording]:
        """Consecutive pieces of `seconds` each (the last is shorter), times kept from the file's start.

        Raises `InputError` where the file turns out damaged.
        """
        if not seconds > 0:
            raise ValueError("a piece lasts longer than 0 s")
        surveying = not self._surveyed  # once read to its end a record is known
        surveys = [Survey(part.role, part.track.name, part.unit) for part in self._parts]
        places = [part.place for part in self._parts]
        rates = [part.rate_hz for part in self._parts]
        counts = [0] * len(self._parts)
        for k, raw in enumerate(self._reader.pieces(places, rates, seconds)):
            channels = {}
            length = 0.0
            for i, (part, samples) in enumerate(zip(self._parts, raw)):
                start = part.track.start_s + counts[i] / part.rate_hz
                channel = self._channel(part, samples, start)
                if surveying:
                    surveys[i].add(channel.samples)
                counts[i] += samples.size
                channels[part.role] = channel
                length = max(length, start + samples.size / part.rate_hz - k * seconds)
            yield Recording(
                file=self.file,
                patient_id=self.patient_id,
                visit=self.visit,
                channels=channels,
                start_s=k * seconds,
                duration_s=min(length, seconds),
                started=self.started,
            )
        if surveying and not self._surveyed:
            self._surveyed = True
            self._reader.problems += [problem for survey in surveys for problem in survey.findings(self.file)]

    def _channel(self, part: Part, samples: np.ndarray, start_s: float) -> Channel:
        values = samples
        if part.calibration != Calibration():
            times = start_s + np.arange(samples.size) / part.rate_hz
            values = calibrate(samples, times, part.calibration, part.zero_starts, part.zero_levels)
        values = values * part.factor
        values[~np.isfinite(values)] = np.nan
        return Channel(
            role=part.role,
            name=part.track.name,
            unit=part.unit,
            rate_hz=part.rate_hz,
            start_s=start_s,
            samples=values,
        )

    def read(self) -> Recording:
        """The whole recording as one piece (memory grows with its length). Empty: `InputError`."""
        pieces = list(self.chunks())
        if not pieces:
            raise self._reader.refuse("a recording with samples", found="an empty one")
        return join(pieces)

    def close(self) -> None:
        self._reader.close()

    def __enter__(self) -> RecordingSource:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def open_recording(
    path: Path | str,
    channels: Mapping[str, str],
    *,
    units: str | Mapping[str, str] | None = None,
    rate_hz: float | None = None,
    time: str | None = None,
    calibration: Mapping[str, Calibration] | None = None,
    patient_id: str = "",
    visit: int | None = None,
    started: str | None = None,
) -> RecordingSource:
    """Open `path` (WFDB, EDF+/BDF+, CSV, Parquet, HDF5, MATLAB, DICOM) for the `channels` by role.

    `channels` maps a role (`units.ROLES`) to a channel name, compared kindly (case, blanks, a unit
    behind the name). `units` is used where the file states none: one text
    for all pressures, or one for each role. `rate_hz` serves files that hold no rate; where the file
    says otherwise it is an error. `time` names the time column of a table, which is otherwise the one
    called t, time, time_s or the like. Raises `InputError` with every problem.
    """
    path = Path(path)
    reader = open_reader(path, time=time)
    try:
        return _connect(reader, channels, units, rate_hz, calibration or {}, patient_id, visit, started)
    except BaseException:
        reader.close()
        raise


def open_reader(path: Path, *, time: str | None = None) -> Reader:
    """The reader for `path`, by what its first bytes say, else by its extension."""
    if not path.is_file():
        if path.with_name(path.name + ".hea").is_file():
            from discovery.recordings.wfdb_reader import WfdbReader

            return WfdbReader(path)
        what = "a folder" if path.is_dir() else "no such file"
        raise InputError([Problem(file=path.name, found=what, wanted="a recording that exists")])
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(256)
    except OSError as err:
        reason = err.strerror or str(err)
        raise InputError([Problem(file=path.name, found=reason, wanted="a file that can be read")]) from None
    if size == 0:
        raise InputError([Problem(file=path.name, found="an empty file", wanted="a recording with samples")])
    ending = path.suffix.lower()
    if head[:4] == b"PAR1" or ending in (".parquet", ".pq"):
        from discovery.recordings.parquet_reader import ParquetReader

        return ParquetReader(path, time=time)
    if head[:8] == b"\x89HDF\r\n\x1a\n" or b"MATLAB 7.3" in head[:20] or ending in (".h5", ".hdf5", ".hdf"):
        from discovery.recordings.hdf5_reader import Hdf5Reader

        return Hdf5Reader(path)
    if head[128:132] == b"DICM" or ending in (".dcm", ".dicom"):
        from discovery.recordings.dicom_reader import DicomReader

        return DicomReader(path)
    if ending == ".mat":
        from discovery.recordings.matlab_reader import MatlabReader

        return MatlabReader(path)
    if ending in (".edf", ".bdf") or head[:8] in (b"0       ", b"\xffBIOSEMI"):
        from discovery.recordings.edf_reader import EdfReader

        return EdfReader(path)
    if ending == ".hea" or (ending == ".dat" and path.with_suffix(".hea").is_file()):
        from discovery.recordings.wfdb_reader import WfdbReader

        return WfdbReader(path)
    from discovery.recordings.text_reader import TextReader

    return TextReader(path, time=time)


def _connect(
    reader: Reader,
    channels: Mapping[str, str],
    units: str | Mapping[str, str] | None,
    rate_hz: float | None,
    calibration: Mapping[str, Calibration],
    patient_id: str,
    visit: int | None,
    started: str | None,
) -> RecordingSource:
    file = reader.file
    if not reader.tracks:
        raise reader.refuse("at least one numeric channel", found="none")
    roles, problems = assign_roles(channels, [track.name for track in reader.tracks], file=file)
    problems += [
        Problem(file=file, column=role, found=fault, wanted="a usable calibration")
        for role, each in calibration.items()
        for fault in each.faults()
    ]
    problems += [
        Problem(file=file, found=role, wanted="a calibration belongs to a role that has a channel")
        for role in calibration
        if role not in channels
    ]
    parts = []
    for role, place in roles.items():
        track = reader.tracks[place]
        try:
            target, factor = _unit(role, track, units, file, problems)
        except ValueError as err:
            found = track.unit or (units if isinstance(units, str) else "no unit")
            problems.append(Problem(file=file, column=track.name, found=str(found), wanted=str(err)))
            continue
        rate = _rate(role, track, rate_hz, file, problems)
        if track.n_samples == 0:
            problems.append(
                Problem(file=file, column=track.name, found="no samples", wanted="a channel with samples")
            )
        parts.append(
            Part(
                role=role,
                place=place,
                track=track,
                rate_hz=rate,
                unit=target,
                factor=factor,
                calibration=calibration.get(role, Calibration()),
                zero_starts=np.empty(0),
                zero_levels=np.empty(0),
            )
        )
    errors = [problem for problem in problems if problem.severity == "error"]
    if errors:
        raise InputError([*reader.problems, *problems])
    reader.problems += problems
    parts = [_with_zeros(reader, part) for part in parts]
    return RecordingSource(reader, parts, patient_id=patient_id, visit=visit, started=started)


def _unit(
    role: str, track: Track, units: str | Mapping[str, str] | None, file: str, problems: list[Problem]
) -> tuple[str, float]:
    """Unit and factor for `role`; the file's own unit goes before the study's, with a warning."""
    said = units if isinstance(units, str) or units is None else units.get(role)
    if isinstance(units, str) and role not in _PRESSURES:
        said = None
    if track.unit.strip():
        target, factor = conversion(track.unit, role)
        if said is not None and conversion(said, role)[1] != factor:
            problems.append(
                Problem(
                    file=file,
                    column=track.name,
                    found=track.unit,
                    wanted=f"the unit that the study states, {said!r}; the file's own is used",
                    severity="warning",
                )
            )
        return target, factor
    if said is None:
        if role in _PRESSURES:
            raise ValueError("the unit stands neither in the file nor in the study: give `units`")
        return QUANTITIES[role][0], 1.0
    return conversion(said, role)


def _rate(role: str, track: Track, rate_hz: float | None, file: str, problems: list[Problem]) -> float:
    """The rate of `track`, checked against `rate_hz` where both are there; faults go to `problems`."""

    def fault(found: str, wanted: str) -> None:
        problems.append(Problem(file=file, column=track.name, found=found, wanted=wanted))

    given = rate_hz if rate_hz is not None and sane_rate(rate_hz) else None
    if rate_hz is not None and given is None:
        fault(str(rate_hz), "a sampling rate above 0 Hz and at most 100 kHz")
    if np.isnan(track.rate_hz):
        if given is None:
            if rate_hz is None:
                fault("no sampling rate", "a rate in the file, a time column, or rate_hz in the index")
            return float("nan")
        rate = given
    elif not sane_rate(track.rate_hz):
        fault(f"{track.rate_hz:g} Hz", "a sampling rate above 0 Hz and at most 100 kHz")
        return float("nan")
    else:
        rate = track.rate_hz
        if given is not None and role in _PRESSURES and abs(rate / given - 1.0) > 0.01:
            fault(f"{rate:g} Hz", f"the sampling rate that was stated, {given:g} Hz")
    if role in _PRESSURES and rate < LOWEST_PRESSURE_RATE_HZ:
        fault(f"{rate:g} Hz", f"at least {LOWEST_PRESSURE_RATE_HZ:g} Hz for a pressure")
    return rate


def _with_zeros(reader: Reader, part: Part) -> Part:
    """`part` with the level of each of its zero windows read from the file."""
    windows = sorted(part.calibration.zero_windows)
    if not windows:
        return part
    held: list[list[np.ndarray]] = [[] for _ in windows]
    at = 0
    for (samples,) in reader.pieces([part.place], [part.rate_hz], CHUNK_SECONDS):
        times = part.track.start_s + (at + np.arange(samples.size)) / part.rate_hz
        at += samples.size
        for store, (low, high) in zip(held, windows):
            store.append(samples[(times >= low) & (times < high)])
        if times.size and times[-1] >= windows[-1][1]:
            break
    levels = []
    for store, window in zip(held, windows):
        inside = np.concatenate(store)
        inside = inside[np.isfinite(inside)]
        if not inside.size:
            raise reader.refuse("a zero window in which the channel was recorded", found=f"{list(window)} s")
        levels.append(float(np.median(inside)))
    return Part(
        **{
            **part.__dict__,
            "zero_starts": np.array([low for low, _ in windows]),
            "zero_levels": np.array(levels),
        }
    )
