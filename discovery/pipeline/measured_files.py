"""What `measure` writes: tables, private patient rows and pictures, and the manifest."""

from __future__ import annotations

import json
import os
import platform
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from discovery.pipeline.folder import PRIVATE, ResultsFolder
from discovery.pipeline.measure import MOST_PICTURES, Measured, measure_study
from discovery.pipeline.parallel import workers_at, workers_here
from discovery.pipeline.progress import Progress, Silent
from discovery.problems import counted
from discovery.study import Study, read_study

if TYPE_CHECKING:
    import pandas as pd

PICTURES = "pictures"


@dataclass(frozen=True, kw_only=True)
class MeasuredFiles:
    """What was measured, where it was written, and what the user should know in words."""

    folder: Path
    measured: Measured
    sentences: tuple[str, ...]


def measure_to_folder(
    study: Path | str | Study,
    *,
    out: Path | str | None = None,
    workers: int | None = None,
    cluster: str | None = None,
    progress: Progress | None = None,
) -> MeasuredFiles:
    """Measure the recordings of `study` and write everything below `out` (`reports/<name>` otherwise).

    Raises
    ------
    InputError
        Every problem of the input, with nothing written; see `measure_study`.
    """
    from discovery.figures.shape import save_shape_components

    began = time.monotonic()
    progress = progress or Silent()
    progress.stage("reading the study")
    study = study if isinstance(study, Study) else read_study(study)
    folder = ResultsFolder(out, study.settings.study.name)
    workers, fewer = workers_here(workers or study.settings.analysis.workers)
    remarks = [fewer] if fewer and cluster is None else []
    with workers_at(cluster):
        measured = measure_study(study, workers=workers, pictures=True, progress=progress)
    remarks += folder.open()
    progress.stage("writing tables")
    write_tables(folder, measured, sites="sites.csv")
    progress.stage("drawing recordings")
    draw_pictures(folder, measured, workers, paper=True)
    for rows in shape_table(measured).values():
        save_shape_components(rows, folder.path / "figures")
    about_run = {
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
        "host": platform.node(),
        "workers": workers,
        "seconds": round(time.monotonic() - began, 1),
    }
    _write_manifest(folder, study, measured, about_run)
    progress.close()
    return MeasuredFiles(folder=folder.path, measured=measured, sentences=(*remarks, *sentences(measured)))


def write_tables(folder: ResultsFolder, measured: Measured, *, sites: str) -> None:
    """The tables that every study with recordings leaves; `sites` names that of the sampling sites."""
    folder.table("quality.csv", measured.quality)
    folder.table(sites, measured.sites)
    folder.table("migrations.csv", measured.migrations)
    if len(measured.reliability):
        folder.table("reliability.csv", measured.reliability)
    if measured.shape is not None:
        folder.text("shape_components.json", json.dumps(measured.shape.to_dict(), allow_nan=False) + "\n")
    folder.private("windows.parquet", measured.windows)
    folder.private("patients.parquet", measured.patients)
    folder.private_file("beats.parquet", measured.beats_file)


def shape_table(measured: Measured) -> dict[str, pd.DataFrame]:
    """The table of the figure of shape components, by its name; nothing where there are none."""
    return {} if measured.shape is None else {"shape_components": measured.shape.waveform_table()}


def draw_pictures(folder: ResultsFolder, measured: Measured, workers: int, *, paper: bool) -> None:
    """The pictures of each recording, below the private folder: they show a patient's waveform.

    `paper`: as PDF too, which takes twice the time.
    """
    draw_into(place_of_pictures(folder), measured.pictures, workers, paper=paper)


def place_of_pictures(folder: ResultsFolder) -> Path:
    """The folder of the pictures, for the owner alone, without those of an earlier run."""
    place = folder.path / PRIVATE / PICTURES
    place.mkdir(mode=0o700, exist_ok=True)
    for old in place.iterdir():
        old.unlink()
    return place


def draw_into(
    place: Path,
    pictures: Mapping[str, dict[str, pd.DataFrame]],
    workers: int,
    *,
    paper: bool,
    go_on: Callable[[], bool] = lambda: True,
) -> None:
    """The pictures of each recording into `place`; none is begun once `go_on` says no."""
    from joblib import Parallel, delayed

    names = _file_names(pictures)
    Parallel(n_jobs=min(workers, max(1, len(names))))(
        delayed(draw_recording)(recording, tables, place, names[recording], paper=paper)
        for recording, tables in pictures.items()
        if go_on()
    )


def draw_recording(
    recording: str, tables: dict[str, pd.DataFrame], place: Path, name: str, *, paper: bool
) -> None:
    """The pictures of one recording, as files that the owner alone can read."""
    from discovery.figures.recording import draw_beat, draw_trace
    from discovery.figures.save import save_figure, save_screen_figure

    for kind, draw in (("trace", draw_trace), ("beat", draw_beat)):
        if kind in tables:
            drawn = partial(draw, title=f"Recording {recording}")
            paths: tuple[Path, ...]
            if paper:
                saved = save_figure(f"{name}_{kind}", drawn, tables[kind], place)
                paths = (saved.svg, saved.pdf, saved.csv)
            else:
                paths = save_screen_figure(f"{name}_{kind}", drawn, tables[kind], place)
            for path in paths:
                os.chmod(path, 0o600)


def _file_names(recordings) -> dict[str, str]:
    """A file name for each recording, numbered where two would get the same."""
    from discovery.figures.save import file_name

    names: dict[str, str] = {}
    for recording in recordings:
        name = file_name(recording)[:80]
        taken = set(names.values())
        number = 2
        while (name if number == 2 else f"{name}_{number}") in taken:
            number += 1
        names[recording] = name if number == 2 else f"{name}_{number}"
    return names


def sentences(measured: Measured) -> Iterator[str]:
    """What was measured and what was not, in words."""
    status = measured.quality["status"]
    total, whole = len(status), int((status == "measured").sum())
    beats = int(measured.quality["n_accepted"].sum())
    yield f"{whole} of {total} recordings measured, {beats} beats accepted"
    if whole < total:
        yield f"{total - whole} without a beat; quality.csv says why"
    if total > MOST_PICTURES:
        yield f"pictures are drawn of the first {MOST_PICTURES} recordings only"
    yield from measured.notes


def _write_manifest(folder: ResultsFolder, study: Study, measured: Measured, about_run: dict) -> None:
    """Provenance of a folder that holds no report; clock, host and workers under `run` alone."""
    from discovery.pipeline.settings import versions
    from discovery.report.manifest import SCHEMA, outputs

    asked = study.settings.model_dump(mode="json")
    asked.get("analysis", {}).pop("workers", None)
    content = {
        "schema": SCHEMA,
        "command": "measure",
        "name": study.settings.study.name,
        "inputs": {**study.input_hashes, **measured.input_hashes},
        "settings": asked,
        "versions": versions(),
        "notes": list(measured.notes),
        "outputs": outputs(folder.path),
        "run": about_run,
    }
    folder.text("manifest.json", json.dumps(content, indent=2, sort_keys=True, ensure_ascii=False) + "\n")


def first_visits(measured: Measured) -> pd.DataFrame:
    """The row of each patient's first visit, by patient."""
    rows = measured.patients.sort_values(["patient_id", "visit"], kind="stable", na_position="last")
    return rows.drop_duplicates("patient_id").set_index("patient_id")


def feature_table(measured: Measured) -> pd.DataFrame:
    """The features that a run tests: one row a patient (index), from the row of the first visit.

    Medians over windows, burden and trend of the recordings, and the components of the shape; without
    what the registry calls a covariate or a measure of quality.
    """
    from discovery.beats.registry import columns_of, feature_of_column

    rows = first_visits(measured)
    record = set(columns_of("record"))
    chosen = []
    for name in rows.columns:
        found = feature_of_column(name)
        shape = name.startswith("rv_shape_component_")
        tested = found is not None and found[0].direction not in ("covariate", "quality")
        measured_one = f"{name}__n" in rows.columns or name in record
        if shape or (tested and measured_one and not name.endswith("_observed_min")):
            chosen.append(name)
    return rows[chosen].astype(float)


def about_shape(study: Study, measured: Measured) -> list[str]:
    """Where the shape components come from, in a sentence."""
    settings, shape = study.settings.recordings, measured.shape
    if settings is None or shape is None:
        return []
    kept = 100 * float(shape.explained_variance_ratio_.sum())
    count = len(shape.score_sd_)
    if settings.shape_components is None:
        return [
            f"The {count} shape components ({kept:.0f} % of the variance of the normalised averaged beat) "
            f"were learned from {shape.n_beats_} patients of this study, blind to every outcome"
        ]
    return [
        f"The {count} shape components are those of {settings.shape_components}, learned from "
        f"{shape.n_beats_} other patients and not changed"
    ]


def with_measured(study: Study, measured: Measured) -> tuple[Study, list[str]]:
    """`study` with what was measured as features, and what the report says of it."""
    from discovery.beats.registry import feature_of_column, label_of_column, unit_of_column
    from discovery.study import with_features

    features = feature_table(measured)
    labels, units, families = {}, {}, {}
    for name in features.columns:
        found = feature_of_column(name)
        if found is None:
            number = name.rsplit("_", 1)[1]
            labels[name], units[name], families[name] = (
                f"Shape of the beat, component {number}",
                "SD",
                "shape",
            )
        else:
            labels[name], units[name] = label_of_column(name), unit_of_column(name)
            families[name] = found[0].family
    study = with_features(study, features, labels=labels, units=units, families=families)
    visits = measured.patients.groupby("patient_id").size()
    status = measured.quality["status"]
    whole = int((status == "measured").sum())
    notes = [
        f"{features.shape[1]} features were measured from {whole} of {len(status)} "
        "recordings: medians over valid windows of one minute, burden and trend of the recording. "
        "quality.csv says why the others were not."
    ]
    if (visits > 1).any():
        notes.append(
            f"Several visits: {counted(int((visits > 1).sum()))}; the first one is analysed, the others "
            "serve the reliability of the features (reliability.csv)."
        )
    notes += [f"{note[0].upper()}{note[1:]}." for note in measured.notes]
    notes += [f"{sentence}." for sentence in about_shape(study, measured)]
    hashes = {**study.input_hashes, **measured.input_hashes}
    return replace(study, input_hashes=hashes), notes
