"""Recordings to beats, windows and one row a patient and visit, for every recording of a study."""

from __future__ import annotations

import hashlib
import shutil
import tempfile
import weakref
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from discovery.files import sha256
from discovery.pipeline.garbage import collect_seldom
from discovery.pipeline.learned_shape import TOO_FEW, given_components, learned_shape, score_reliability
from discovery.pipeline.progress import Progress, Silent
from discovery.pipeline.record import Record, Task, measure_record
from discovery.pipeline.record_quality import quality_row
from discovery.problems import InputError, Problem
from discovery.study import Study, read_study
from discovery.study.paths import resolve

if TYPE_CHECKING:
    import pyarrow as pa

    from discovery.recordings.index import IndexRow
    from discovery.summaries.shape import ShapeComponents

MOST_PICTURES = 50
BEATS = "beats.parquet"
# Columns of the patient table that serve the measuring: option, limits, whether they hold for every visit.
NOTES = {
    "height_cm": ("height_cm", 30.0, 250.0, True),
    "weight_kg": ("weight_kg", 1.0, 400.0, True),
    "cardiac_output_l_min": ("cardiac_output", 0.5, 20.0, False),
    "wedge_pressure_mmhg": ("pawp", -10.0, 60.0, False),
    "arterial_saturation_percent": ("sao2", 40.0, 100.0, False),
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Measured:
    """What the recordings of a study gave.

    windows, patients, quality, sites (stretches of one sampling site), migrations, reliability: tables.
    `quality` has a row for each recording of the index, also for those that were not measured. `shape`
    are the components of the beat, learned or given, None with fewer than ten patients. `pictures` holds, by
    recording, the tables that its pictures draw. `input_hashes`: SHA-256 of the index, and one for all
    recordings together. The beats can be many, so they wait in `beats_file`
    for as long as this object lives; `beats` reads it.
    """

    windows: pd.DataFrame
    patients: pd.DataFrame
    quality: pd.DataFrame
    sites: pd.DataFrame
    migrations: pd.DataFrame
    reliability: pd.DataFrame
    shape: ShapeComponents | None
    pictures: dict[str, dict[str, pd.DataFrame]]
    notes: tuple[str, ...]
    input_hashes: dict[str, str]
    beats_file: Path

    @property
    def beats(self) -> pd.DataFrame:
        return pd.read_parquet(self.beats_file)


def measure_study(
    study: Study | Path | str,
    *,
    workers: int | None = None,
    pictures: bool = False,
    progress: Progress | None = None,
    when_read: Callable[[dict[str, dict[str, pd.DataFrame]]], None] | None = None,
) -> Measured:
    """Measure every recording of the index whose patient the study has.

    Parameters
    ----------
    study : Study, or the path of a study file or of the folder that holds `study.toml`
    workers : processes to use; the study's own setting otherwise. The tables do not depend on it.
    pictures : also make the tables that the pictures of the first 50 recordings draw
    progress : what to tell how far the work is
    when_read : called with the tables of the pictures once all is read, before patients are summed up

    Returns
    -------
    Measured

    Raises
    ------
    InputError
        No [recordings], a faulty index, or not one recording that could be measured (all reasons).
    """
    progress = progress or Silent()
    study = study if isinstance(study, Study) else read_study(study)
    rows, absent = rows_to_measure(study)
    given = given_components(study)
    first = first_visits(rows)
    tasks = [
        Task(
            row,
            _settings(study),
            notes_of(study, row, first[row.patient_id]),
            pictures and at < MOST_PICTURES,
        )
        for at, row in enumerate(rows)
    ]
    progress.stage("measuring recordings")
    place = Path(tempfile.mkdtemp(prefix="discovery-beats-"))
    try:
        records = _all_records(tasks, workers or study.settings.analysis.workers, place / BEATS, progress)
        if all(record.reason for record in records):
            raise _nothing_measured(records, _settings(study).folder)
        if when_read is not None:
            when_read(_pictures_of(records))
        progress.stage("summing up patients")
        hashes, least = _hashes(study, records), _settings(study).least_windows
        measured = summed_up(records, rows, hashes, place / BEATS, least, given, absent)
    except BaseException:
        shutil.rmtree(place, ignore_errors=True)
        raise
    weakref.finalize(measured, shutil.rmtree, place, ignore_errors=True)
    return measured


def _all_records(tasks: list[Task], workers: int, beats_file: Path, progress: Progress) -> list[Record]:
    """Every record without its beats, which go to the file as they come."""
    records: list[Record] = []
    with BeatsFile(beats_file) as beats:
        for record in measured_in_order(tasks, workers):
            beats.add(record)
            records.append(replace(record, beats=pd.DataFrame()))
            progress.update(len(records), len(tasks))
    return records


def _nothing_measured(records: list[Record], folder: str) -> InputError:
    found = f"{len(records)} of {len(records)} not measured"
    wanted = "at least one recording that can be measured is wanted"
    reasons = [Problem(file=record.recording, wanted=record.reason) for record in records]
    return InputError([Problem(file=folder, found=found, wanted=wanted), *reasons])


def _pictures_of(records: list[Record]) -> dict[str, dict[str, pd.DataFrame]]:
    return {r.recording: r.pictures for r in records if r.pictures and not r.reason}


def _hashes(study: Study, records: list[Record]) -> dict[str, str]:
    settings = _settings(study)
    every = "".join(f"{record.recording} {record.sha256}\n" for record in records)
    shape = settings.shape_components
    return ({shape: sha256(resolve(study.folder, shape))} if shape else {}) | {
        f"{settings.folder}/{settings.index}": sha256(study.folder / settings.folder / settings.index),
        f"{settings.folder}: {len(records)} recordings": hashlib.sha256(every.encode()).hexdigest(),
    }


def _settings(study: Study):
    settings = study.settings.recordings
    if settings is None:
        wanted = "a section [recordings] is wanted: folder, and channels by role"
        raise InputError([Problem(file="study.toml", column="recordings", found="none", wanted=wanted)])
    return settings


def rows_to_measure(study: Study) -> tuple[list[IndexRow], list[dict[str, object]]]:
    """The rows of the index whose file is there and whose patient the study has, in their order; and a row
    of the quality table for each file that is not there."""
    from discovery.recordings.index import read_index

    settings = _settings(study)
    index = read_index(study.folder / settings.folder, settings.index)
    known = set(study.patients.index)
    rows = [row for row in index.rows if row.patient_id in known]
    if not rows:
        wanted = "a recording of a patient of the study is wanted"
        raise InputError([Problem(file=settings.index, found="none", wanted=wanted)])
    gone = "no such file in the folder of recordings"
    absent = [
        quality_row(problem.found, None, status="not measured", reason=gone)
        for problem in index.problems
        if problem.column == "file"
    ]
    return rows, absent


def notes_of(study: Study, row: IndexRow, first_visit: int | None) -> dict[str, float | str]:
    """What the patient table says that serves the measuring (`NOTES`, ventilation); the unlikely left out.

    Body size holds for every visit, all else for the first one alone.
    """
    from discovery.beats.respiration import MODES

    out: dict[str, float | str] = {}
    patients, first = study.patients, row.visit == first_visit
    for column, (option, low, high, always) in NOTES.items():
        if not (always or first) or column not in patients.columns:
            continue
        if pd.api.types.is_numeric_dtype(patients[column]):
            value = float(patients.at[row.patient_id, column])
            if low <= value <= high:
                out[option] = value
    if first and "ventilation" in patients.columns:
        said = patients.at[row.patient_id, "ventilation"]
        if said in MODES:
            out["ventilation"] = str(said)
    return out


def first_visits(rows: list[IndexRow]) -> dict[str, int | None]:
    """The lowest visit of each patient in the index; None where the index gives none."""
    first: dict[str, int | None] = {}
    for row in rows:
        before = first.get(row.patient_id)
        first[row.patient_id] = row.visit if before is None else min(before, row.visit or before)
    return first


def measured_in_order(tasks: list[Task], workers: int) -> Iterator[Record]:
    """The records in the order of the tasks, whatever the number of processes.

    Processes, not threads: the packages that read files set the warnings of their whole process.
    """
    workers = min(workers, len(tasks))
    if workers <= 1:
        yield from map(measure_record, tasks)
        return
    from joblib import Parallel, delayed

    yield from Parallel(n_jobs=workers, return_as="generator")(delayed(_in_worker)(t) for t in tasks)


def _in_worker(task: Task) -> Record:
    collect_seldom()
    return measure_record(task)


class BeatsFile:
    """Beats of record after record into one Parquet file, a row group each; holds one record at a time."""

    def __init__(self, path: Path):
        self.path = path
        self._writer: Any = None
        self._columns: list[str] = []

    def __enter__(self) -> BeatsFile:
        return self

    def __exit__(self, *_: object) -> None:
        if self._writer is None:
            self._write(pd.DataFrame(columns=["recording", "patient_id", "visit", *FIRST_OF_BEATS]))
        self._writer.close()

    def add(self, record: Record) -> None:
        if len(record.beats):
            self._write(_labelled(record.beats, record))

    def _write(self, table: pd.DataFrame) -> None:
        import pyarrow.parquet as pq

        arrow = as_arrow(table)
        if self._writer is None:
            self._writer = pq.ParquetWriter(self.path, arrow.schema, compression="zstd")
        self._writer.write_table(arrow)


FIRST_OF_BEATS = ("t_ed", "t_dpdt_max", "accepted", "reason", "sampling_site")
TEXTS_OF_BEATS = ("recording", "patient_id", "reason", "sampling_site")
TRUTHS_OF_BEATS = ("accepted", "regular", "onset_doubtful", "end_expiratory")


def as_arrow(table: pd.DataFrame) -> pa.Table:
    """A table of beats with one fixed type a column, so that every recording's fits the same file."""
    import pyarrow as pa

    arrays = []
    for name in table.columns:
        column = table[name]
        if name in TEXTS_OF_BEATS:
            arrays.append(pa.array(column.astype(object).tolist(), type=pa.string()))
        elif name == "visit":
            whole = [None if v != v else int(v) for v in column.tolist()]
            arrays.append(pa.array(whole, type=pa.int64()))
        elif name in TRUTHS_OF_BEATS:
            arrays.append(pa.array(column.to_numpy(dtype=bool), type=pa.bool_()))
        else:
            arrays.append(pa.array(column.to_numpy(dtype=np.float64), type=pa.float64()))
    return pa.table(arrays, names=list(table.columns))


def _labelled(table: pd.DataFrame, record: Record, *, after: int = 0) -> pd.DataFrame:
    """`table` with recording in front and patient and visit behind it (or behind the first `after`)."""
    out = table.copy()
    out.insert(0, "recording", record.recording)
    out.insert(1 + after, "patient_id", record.patient_id)
    out.insert(2 + after, "visit", record.visit)
    return out


def summed_up(
    records: list[Record],
    rows: list[IndexRow],
    hashes: dict[str, str],
    beats_file: Path,
    least_windows: int,
    given: ShapeComponents | None = None,
    absent: Iterable[dict[str, object]] = (),
) -> Measured:
    """The tables of a study from those of its recordings.

    given : shape components that are not learned; absent : quality rows of files that are not there
    """
    measured = [record for record in records if not record.reason]
    patients, shape, notes = patient_table(in_time(records, rows), least_windows=least_windows, given=given)
    windows = _stacked(_labelled(r.windows, r, after=3) for r in measured if len(r.windows))
    features = [name for name in patients.columns if f"{name}__n" in patients.columns]
    return Measured(
        windows=_whole_visits(windows),
        patients=_whole_visits(patients),
        quality=_whole_visits(pd.DataFrame([*(record.quality for record in records), *absent])),
        sites=_stacked(r.sites.assign(recording=r.recording) for r in measured),
        migrations=_stacked(r.migrations.assign(recording=r.recording) for r in measured),
        reliability=_reliability(windows, features, patients),
        shape=shape,
        pictures=_pictures_of(measured),
        notes=tuple(notes),
        input_hashes=hashes,
        beats_file=beats_file,
    )


def _reliability(windows: pd.DataFrame, features: list[str], patients: pd.DataFrame) -> pd.DataFrame:
    from discovery.summaries.reliability import reliability_table

    if not len(windows):
        return pd.DataFrame()
    scores = score_reliability(patients)
    tables = [reliability_table(windows, features), *([scores] if len(scores) else [])]
    return pd.concat(tables, ignore_index=True)


def _stacked(tables: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Tables one below the other, `recording` first; an empty one lends its columns alone."""
    tables = list(tables)
    filled = [table for table in tables if len(table)]
    out = pd.concat(filled, ignore_index=True) if filled else (tables or [pd.DataFrame()])[0]
    first = ["recording"] if "recording" in out.columns else []
    return out[[*first, *(name for name in out.columns if name not in first)]]


def _whole_visits(table: pd.DataFrame) -> pd.DataFrame:
    return table.astype({"visit": "Int64"}) if "visit" in table.columns else table


def in_time(records: list[Record], rows: list[IndexRow]) -> list[Record]:
    """Records with those of one patient and visit in the order of their start, as the index gives it."""
    starts = [(row.started or "", row.start_s if row.start_s is not None else 0.0) for row in rows]
    order = sorted(range(len(records)), key=lambda i: starts[i])
    return [records[i] for i in order]


def patient_table(
    records: list[Record], *, least_windows: int, given: ShapeComponents | None = None
) -> tuple[pd.DataFrame, ShapeComponents | None, list[str]]:
    """One row a patient and visit, the shape components, and what the reader should know."""
    groups: dict[tuple[str, float | None], list[Record]] = {}
    for record in records:
        visit = None if record.visit != record.visit else record.visit
        groups.setdefault((record.patient_id, visit), []).append(record)
    keys = sorted(groups, key=lambda key: (key[0], np.inf if key[1] is None else key[1]))
    rows = [patient_row(groups[key], least_windows) for key in keys]
    filled = [row for row in rows if row is not None]
    columns = list(dict.fromkeys(name for row in filled for name in row))
    out = [row if row is not None else _unseen(key, columns) for key, row in zip(keys, rows)]
    table = pd.DataFrame(out, columns=columns) if filled else pd.DataFrame()
    shape, scores = learned_shape([groups[key] for key in keys], given)
    if scores is None:
        return table, shape, [TOO_FEW]
    return pd.concat([table, scores], axis=1), shape, []


def patient_row(records: list[Record], least_windows: int) -> dict[str, object] | None:
    """The row of one patient and visit; None when none of the recordings has a window."""
    from discovery.summaries.patient_rows import patient_values

    mine = [record for record in records if not record.reason and len(record.windows)]
    if not mine:
        return None
    windows = pd.concat([_labelled(record.windows, record) for record in mine], ignore_index=True)
    whole = pd.DataFrame(
        [
            {"recording": r.recording, "patient_id": r.patient_id, "visit": r.visit, **r.record,
             "duration_min": r.quality["duration_s"] / 60.0}
            for r in mine
        ]
    )  # fmt: skip
    confidence = {
        key: "none" if all(record.confidence[key] == "none" for record in mine) else "low"
        for key in mine[0].confidence
    }
    return patient_values(windows, whole, confidence=confidence, least_windows=least_windows)[0]


def _unseen(key: tuple[str, float | None], columns: list[str]) -> dict[str, object]:
    """A row that says that nothing was seen of this patient and visit."""
    row: dict[str, object] = dict.fromkeys(columns, np.nan)
    for name in columns:
        if name.endswith("__reason"):
            row[name] = "no valid window"
        elif name.endswith("__n") or name in ("n_windows", "n_beats", "n_accepted"):
            row[name] = 0
        elif name in ("minutes_observed", "minutes_valid"):
            row[name] = 0.0
    row["patient_id"], row["visit"] = key[0], np.nan if key[1] is None else key[1]
    return row
