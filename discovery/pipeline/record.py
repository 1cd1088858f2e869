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
from discovery.pipeline.record_stream import main_role, stretches
from discovery.pipeline.record_survey import Surveyed, survey
from discovery.problems import InputError, Problem

if TYPE_CHECKING:
    from discovery.beats import MeasuredBeats
    from discovery.recordings.index import IndexRow
    from discovery.recordings.source import RecordingSource
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
    """The study's calibrations for a reader: the same numbers, the same meaning."""
    from discovery.recordings.calibration import Calibration

    return {
        role: Calibration(gain=said.gain, offset=said.offset, zero_windows=said.zero)
        for role, said in settings.calibration.items()
    }


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
