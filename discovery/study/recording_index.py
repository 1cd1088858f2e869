"""The index of a folder of recordings: is it there, are its files, are its patients known."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from discovery.problems import InputError
from discovery.study.findings import LISTED_PER_KIND, Findings
from discovery.study.paths import neighbours, read_bytes, resolve
from discovery.study.settings import Recordings
from discovery.study.source import Source
from discovery.study.table_files import read_table


def check_recordings(
    settings: Recordings, folder: Path, patients: set[str] | None, findings: Findings
) -> None:
    """Check the folder and its index; no recording is opened.

    The index needs the columns `file` and `patient_id`, may have `visit`, `start`, `rate_hz`. A
    listed file that is not there, or a patient that is not in the study, is a warning: what else
    can be measured is measured. `patients` is None where they are not known.
    """
    try:
        place = resolve(folder, settings.folder)
    except InputError as error:
        findings.extend(error.problems)
        return
    if not place.is_dir():
        wanted = f"a folder with recordings is wanted; {neighbours(place)}"
        findings.error("no folder", settings.folder, wanted)
        return
    if settings.shape_components is not None:
        try:
            read_bytes(
                resolve(folder, settings.shape_components),
                settings.shape_components,
                wanted="the shape_components.json of another study is wanted",
            )
        except InputError as error:
            findings.extend(error.problems)
    name = f"{settings.folder}/{settings.index}"
    try:
        table = read_table(resolve(place, settings.index), name, findings)
    except InputError as error:
        findings.extend(error.problems)
        return
    if table is None:
        return
    index = Source(table, "recordings", frozenset(), findings)
    if not all(
        [
            index.require("file", "the index of recordings"),
            index.require("patient_id", "the index of recordings"),
        ]
    ):
        return
    files, ids = table.text("file"), table.text("patient_id")
    index.error_rows("empty id", "an id is wanted in every row", "patient_id", empty(ids), ids)
    index.error_rows("no file name", "the name of a recording is wanted", "file", empty(files), files)
    for column in ("visit", "rate_hz"):
        if column in table.columns:
            values = index.require_numbers(column)
            wrong = values <= 0 if column == "rate_hz" else (values < 1) | (values != np.round(values))
            wanted = (
                "a number above 0 is wanted" if column == "rate_hz" else "a visit is a whole number from 1"
            )
            index.error_rows(
                f"{column} out of range", wanted, column, np.flatnonzero(np.isfinite(values) & wrong)
            )
    absent = []
    for position, file in enumerate(files):
        if not file:
            continue
        try:
            path = resolve(place, file)
            if not path.exists() and not list(
                path.parent.glob(f"{path.name}.*")
            ):  # a WFDB record goes without ending
                absent.append(position)
        except InputError as error:
            findings.extend(error.problems)
        except (OSError, ValueError):
            absent.append(position)
    warn_rows(index, "no recording", "there is no such file; it cannot be measured", "file", absent, files)
    known = set(ids) if patients is None else patients
    unknown = [position for position, label in enumerate(ids) if label and label not in known]
    wanted = "the study has no such patient; the recording is left out"
    warn_rows(index, "recording of no patient", wanted, "patient_id", unknown, ids)


def empty(cells: list[str]) -> np.ndarray:
    return np.flatnonzero([not cell for cell in cells])


def warn_rows(
    index: Source, kind: str, wanted: str, column: str, positions: list[int], cells: list[str]
) -> None:
    for position in positions[:LISTED_PER_KIND]:
        more = (
            len(positions) - LISTED_PER_KIND
            if position == positions[0] and len(positions) > LISTED_PER_KIND
            else 0
        )
        index.findings.warn(
            kind, index.file, wanted, found=cells[position], row=index.row(position), column=column, more=more
        )
