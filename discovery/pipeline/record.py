"""One recording from file to beats: what a worker does, whole or with the reason why not."""

from __future__ import annotations

import glob
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from discovery.files import sha256
from discovery.pipeline.record_quality import quality_row
from discovery.pipeline.record_stream import main_role, means_over, stretches
from discovery.problems import InputError, Problem

if TYPE_CHECKING:
    from discovery.beats import MeasuredBeats
    from discovery.recordings.index import IndexRow
    from discovery.recordings.source import RecordingSource
    from discovery.recordings.timeline import Assessment
    from discovery.study.settings import Recordings

HIGHEST_RATE_HZ = 10_000.0


@dataclass(frozen=True)
class Task:
    """One line of the index, how the study says its file is read, and whether pictures are wanted."""

    row: IndexRow
    settings: Recordings
    notes: Mapping[str, float | str]  # options of the measurer that the patient table gives
    pictured: bool


@dataclass(frozen=True, kw_only=True)
class Record:
    """What one recording gave. `reason` is empty when it was measured; the tables are then there."""

    recording: str
    patient_id: str
    visit: float
    reason: str
    quality: dict[str, Any]
    beats: pd.DataFrame = field(default_factory=pd.DataFrame)
    windows: pd.DataFrame = field(default_factory=pd.DataFrame)
    sites: pd.DataFrame = field(default_factory=pd.DataFrame)
    migrations: pd.DataFrame = field(default_factory=pd.DataFrame)
    record: dict[str, float] = field(default_factory=dict)
    confidence: dict[str, str] = field(default_factory=dict)
    shape: np.ndarray | None = None
    pictures: dict[str, pd.DataFrame] = field(default_factory=dict)
    sha256: str = ""


@dataclass(frozen=True)
class Surveyed:
    """What the first reading found: quality and sites, R waves, and the slow channels."""

    assessed: Assessment
    r_times_s: np.ndarray | None
    qrs_times_s: np.ndarray | None
    spots: dict[str, np.ndarray]
    svo2: tuple[float, np.ndarray] | None
    extremes: np.ndarray  # (k, 3): second, lowest, highest pressure


def measure_record(task: Task) -> Record:
    """Open, assess and measure one recording. Whatever is wrong with it ends in `reason`, never here."""
    return replace(_measured_or_why_not(task), sha256=content_hash(task.row.path))


def content_hash(path: Path) -> str:
    """SHA-256 over the files of a recording: the file itself, or all of a WFDB record's."""
    stem = path.with_suffix("") if path.suffix in (".hea", ".dat") else path
    wfdb = stem.with_name(stem.name + ".hea").is_file()
    files = sorted(stem.parent.glob(f"{glob.escape(stem.name)}*")) if wfdb else [path]
    each = "".join(f"{file.name} {sha256(file)}\n" for file in files if file.is_file())
    return hashlib.sha256(each.encode()).hexdigest()


def _measured_or_why_not(task: Task) -> Record:
    try:
        with _open(task) as source:
            return _measured(source, task)
    except InputError as fault:
        errors = [problem for problem in fault.problems if problem.severity == "error"]
        reason = "; ".join(problem.sentence() for problem in errors or fault.problems)
    except OSError as fault:
        reason = f"{task.row.file}: {fault.strerror or type(fault).__name__}"
    except Exception as fault:  # one recording never stops the others
        words = " ".join(str(fault).split())[:200]
        reason = f"{task.row.file}: a fault of ours, please report it ({type(fault).__name__}: {words})"
    return Record(
        recording=task.row.file,
        patient_id=task.row.patient_id,
        visit=_visit(task.row),
        reason=reason,
        quality=quality_row(task.row.file, task.row.visit, status="not measured", reason=reason),
    )


def _visit(row: IndexRow) -> float:
    return float("nan") if row.visit is None else float(row.visit)


def _open(task: Task) -> RecordingSource:
    from discovery.recordings.source import open_recording

    settings, row = task.settings, task.row
    return open_recording(
        row.path,
        settings.channels,
        units=settings.units,
        rate_hz=row.rate_hz or settings.rate_hz,
        time=settings.time,
        calibration=calibrations(settings),
        patient_id=row.patient_id,
        visit=row.visit,
        started=row.started,
    )


def calibrations(settings: Recordings) -> dict[str, Any]:
    """The study's calibrations (in its own unit, zeroed after the offset) as those of a reader (in mmHg)."""
    from discovery.recordings.calibration import Calibration
    from discovery.recordings.units import QUANTITIES, conversion

    out = {}
    for role, said in settings.calibration.items():
        pressure = QUANTITIES[role][0] == "mmHg"
        factor = conversion(settings.unit_of(role), role)[1] if pressure else 1.0
        offset = 0.0 if said.zero else said.offset * factor  # an open line reads zero, offset and all
        out[role] = Calibration(gain=said.gain, offset=offset, zero_windows=tuple(said.zero))
    return out


def _measured(source: RecordingSource, task: Task) -> Record:
    from discovery.beats.measuring import with_saturation, with_signal_quality

    main = main_role(source.roles)
    if main is None:
        raise _refused(task, ", ".join(source.roles), "a channel for rv, pressure or pa is wanted")
    rate = source.rates_hz[main]
    if rate > HIGHEST_RATE_HZ:
        raise _refused(task, f"{rate:g} Hz", f"a pressure at {HIGHEST_RATE_HZ:g} Hz or less is wanted")
    found = survey(source, main)
    beats = measure_pieces(source, main, found, task)
    beats = replace(beats, windows=with_signal_quality(beats.windows, found.assessed.windows))
    if found.svo2 is not None:
        beats = with_saturation(beats, found.svo2[1], 1.0, found.svo2[0])
    pictures = {}
    if task.pictured:
        from discovery.pipeline.record_pictures import picture_tables

        pictures = picture_tables(source, main, found, beats)
    recording = task.row.file
    return Record(
        recording=recording,
        patient_id=task.row.patient_id,
        visit=_visit(task.row),
        reason="",
        quality=quality_row(
            recording, task.row.visit, assessed=found.assessed, beats=beats, source=source, main=main
        ),
        beats=beats.beats,
        windows=beats.windows,
        sites=found.assessed.segments,
        migrations=found.assessed.events,
        record=beats.record,
        confidence=beats.confidence,
        shape=mean_shape(beats),
        pictures=pictures,
    )


def _refused(task: Task, found: str, wanted: str) -> InputError:
    return InputError([Problem(file=task.row.file, found=found, wanted=wanted)])


def survey(source: RecordingSource, main: str) -> Surveyed:
    """The first reading: everything that must be known before a beat is measured."""
    from discovery.recordings.assessment import Assessor

    assessor: Assessor | None = None
    waves: list[tuple[np.ndarray, np.ndarray]] = []
    slow: dict[str, list[tuple[np.ndarray, np.ndarray]]] = {}
    extremes = []
    for piece in stretches(source, main):
        if assessor is None:
            assessor = Assessor(source.rates_hz[main], start_s=piece.start_s)
        assessor.add(piece.main, piece.beside.get("cvp"))
        if piece.ecg is not None:
            waves.append(r_waves(piece.ecg, piece.whole["ecg"]))
        for role, seconds in (("svo2", 1.0), ("co", 60.0), ("pawp", 60.0)):
            if role in piece.whole:
                slow.setdefault(role, []).append(means_over(piece.whole[role], seconds))
        extremes.append(_extremes(piece.whole[main]))
    if assessor is None:
        wanted = "a recording with samples is wanted"
        raise InputError([Problem(file=source.file, found="an empty one", wanted=wanted)])
    series = {role: _continuous(parts) for role, parts in slow.items()}
    spots = {
        option: np.column_stack([(series[role][0] + 0.5) * 60.0, series[role][1]])
        for role, option in (("co", "cardiac_output"), ("pawp", "pawp"))
        if role in series and np.isfinite(series[role][1]).any()
    }
    svo2 = series.get("svo2")
    return Surveyed(
        assessed=assessor.finish(),
        r_times_s=np.concatenate([r for r, _ in waves]) if waves else None,
        qrs_times_s=np.concatenate([q for _, q in waves]) if waves else None,
        spots=spots,
        svo2=(float(svo2[0][0]), svo2[1]) if svo2 is not None and svo2[0].size else None,
        extremes=np.concatenate(extremes),
    )


def _extremes(channel) -> np.ndarray:
    """Second, lowest and highest pressure of each second of a piece, (k, 3)."""
    number = np.floor(channel.times() + 1e-9).astype(np.int64)
    first = np.flatnonzero(np.diff(number, prepend=number[0] - 1))
    low = np.fmin.reduceat(channel.samples, first)
    high = np.fmax.reduceat(channel.samples, first)
    return np.column_stack([number[first], low, high])


def _continuous(parts: list[tuple[np.ndarray, np.ndarray]]) -> tuple[np.ndarray, np.ndarray]:
    """Numbered means of consecutive pieces as one series without a hole in its numbers."""
    number = np.concatenate([part[0] for part in parts])
    mean = np.concatenate([part[1] for part in parts])
    if not number.size:
        return number, mean
    whole = np.arange(number.min(), number.max() + 1)
    out = np.full(whole.size, np.nan)
    out[number - whole[0]] = mean
    return whole, out


def r_waves(around, piece) -> tuple[np.ndarray, np.ndarray]:
    """R waves and QRS onsets of one piece of ECG, s from the start of the file, found with its neighbours."""
    from discovery.beats.detect import detect_r_waves, qrs_onsets

    if around.samples.size < around.rate_hz:
        return np.empty(0), np.empty(0)
    r = detect_r_waves(around.samples, around.rate_hz)
    q = qrs_onsets(around.samples, around.rate_hz, r)
    mine = (r + around.start_s >= piece.start_s) & (r + around.start_s < piece.end_s)
    return r[mine] + around.start_s, q[mine] + around.start_s


def measure_pieces(source: RecordingSource, main: str, found: Surveyed, task: Task) -> MeasuredBeats:
    """The second reading: beats and windows, piece by piece."""
    from discovery.beats import Measurer, Options

    assessed = found.assessed
    known: dict[str, Any] = {**task.notes, **found.spots}
    options = Options(
        window_s=task.settings.window_s,
        line=(assessed.natural_hz, assessed.damping),
        site_at=assessed.site_at,
        line_state_at=assessed.line_state_at,
        unusable_s=assessed.held,
        **known,
    )
    measurer: Measurer | None = None
    for piece in stretches(source, main):
        if measurer is None:
            measurer = Measurer(
                source.rates_hz[main],
                start_s=piece.start_s,
                options=options,
                r_times_s=found.r_times_s,
                qrs_times_s=found.qrs_times_s,
            )
        if main == "pa":
            measurer.add(None, pa=piece.main, **piece.beside)
        else:
            measurer.add(piece.main, **piece.beside)
    assert measurer is not None
    return measurer.finish()


def mean_shape(beats: MeasuredBeats) -> np.ndarray | None:
    """Mean normalised RV beat over the valid windows, (points,); None when no window has one."""
    from discovery.summaries.shape import normalised_beat

    if not len(beats.windows):
        return None
    valid = beats.windows["valid"].to_numpy(dtype=bool)
    shapes = [normalised_beat(e) for e, good in zip(beats.ensembles, valid) if good and e is not None]
    whole = [shape for shape in shapes if np.isfinite(shape).all()]
    return np.mean(whole, axis=0) if whole else None
