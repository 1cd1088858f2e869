"""Read a study: the study file and its tables, every fault in them noted in one go."""

from __future__ import annotations

import hashlib
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from discovery.problems import InputError, Problem
from discovery.study.covariate_leaks import doubt_covariates
from discovery.study.covariates import check_names, read_covariates, read_etiology, read_site
from discovery.study.feature_labels import Names, read_labels
from discovery.study.feature_table import FeatureTable, check_cells, check_features_alone, read_feature_table
from discovery.study.features import Exclusions
from discovery.study.findings import Findings
from discovery.study.identifiers import read_ids
from discovery.study.measured_when import leave_out_late
from discovery.study.outcome import Outcome
from discovery.study.outcomes import outcome_columns, read_outcome
from discovery.study.paths import settings_file
from discovery.study.patient_rows import eligible_rows, join, typed_columns
from discovery.study.phenotype_columns import check_freeze, check_search
from discovery.study.places import with_lines
from discovery.study.recording_index import check_recordings
from discovery.study.settings import StudyFile
from discovery.study.shelf import Shelf, event_tables, features_source, labels_table
from discovery.study.source import Source
from discovery.study.study import Study
from discovery.study.study_file import decode, read_study_file


def read_study(path: Path | str) -> Study:
    """Read and check a study file (or the folder that holds `study.toml`) with all its tables.

    Raises
    ------
    InputError
        With every fault found in the file and the tables; nothing is changed or written. Doubts
        that do not stand in the way are in `Study.warnings`.
    """
    study, problems, warnings = read_study_so_far(path)
    if problems:
        raise InputError(problems, warnings)
    if study is None:
        raise AssertionError("a study that cannot be built has a fault")
    return study


def read_study_so_far(path: Path | str) -> tuple[Study | None, list[Problem], list[Problem]]:
    """The study as far as its faults allow, these, and the warnings: for what else can be held against it in
    the same go.

    What has a fault is missing from the study, or in it without the faulty cells; None without patients.
    """
    path = Path(path)
    with suppress(OSError, ValueError):  # reading it says what is wrong
        path = settings_file(path)
    try:
        settings, problems, content = read_study_file(path)
    except InputError as fault:
        return None, fault.problems, fault.warnings
    findings = Findings()
    findings.extend(problems)
    if settings is None:
        return None, findings.errors(), findings.warnings()
    shelf = Shelf(path.parent, findings)
    study = build_study(settings, shelf)
    text = decode(content, path.name)
    errors, doubts = (
        with_lines(found, text, path.name) for found in (findings.errors(), findings.warnings())
    )
    if study is None:
        return None, errors, doubts
    hashes = {path.name: hashlib.sha256(content).hexdigest(), **shelf.hashes}
    study = replace(study.in_id_order(), warnings=tuple(doubts), input_hashes=hashes)
    return study, errors, doubts


def build_study(settings: StudyFile, shelf: Shelf) -> Study | None:
    """The study as far as the input allows; None when the patient table cannot be used."""
    patients = shelf.source(settings.patients.file, "patients", settings.patients.missing)
    measured = features_source(settings, shelf)
    events = event_tables(settings, shelf)
    labels = labels_table(settings, shelf)
    if patients is None:
        check_features_alone(settings, measured)
        check_recordings_of(settings, shelf, None)
        return None
    if not (with_ids := patients.require(settings.patients.id, "id under [patients]")):
        check_features_alone(settings, measured)
        measured, events = None, {}
    ids = read_ids(patients, settings.patients.id) if with_ids else [str(row) for row in patients.table.rows]
    if len(set(ids) - {""}) < 2:
        wanted = "two patients or more are wanted"
        patients.findings.error("few patients", patients.file, wanted, found=f"{len(set(ids))}")
    attrition = [(f"rows in {patients.file}", len(ids), 0, "")]
    kept, place, id_column = join(settings, patients, measured, ids, attrition)
    if measured is not None and id_column is not None and not (place >= 0).any():
        check_cells(settings, measured, id_column)  # that every feature is empty then would go without saying
        measured = None
    chosen_rows = eligible_rows(settings, patients, kept, attrition)
    kept, place = kept[chosen_rows], place[chosen_rows]
    index = pd.Index([ids[position] for position in kept], dtype=object, name="patient_id")

    named = {
        column: outcome.name for outcome in reversed(settings.outcomes) for column in outcome_columns(outcome)
    }
    covariates = read_covariates(patients, settings.patients, named, kept, index)
    site = read_site(patients, settings.patients, kept, index)
    etiology = read_etiology(patients, settings.patients, kept, index)
    outcomes = read_outcomes(settings, patients, kept, ids, events)
    for column, key in settings.left_columns:
        patients.require(column, key)
    check_names(settings.patients, patients)
    more = [name for name in settings.patients.adjust_more if name in patients.table.columns]
    for key, table in (
        ("adjust_for", covariates),
        ("adjust_more", typed_columns(patients, settings, kept, index, more)),
    ):
        doubt_covariates(table, key, outcomes, patients, settings.study.seed)

    excluded, names = Exclusions(), Names()
    of_table = FeatureTable(features=pd.DataFrame(index=index, dtype=np.float64), outcomes=outcomes)
    if measured is not None and id_column is not None:
        own_table = measured.table is not patients.table
        of_table = read_feature_table(
            settings, measured, id_column, place, index, outcomes, covariates, excluded, own_table=own_table
        )
        if labels is not None:
            names = read_labels(labels, {*measured.table.columns, *patients.table.columns}, measured)
    check_recordings_of(settings, shelf, set(index) if with_ids else None)
    if settings.recordings is None and measured is not None:
        check_phenotype_features(settings, of_table.features, excluded, measured, id_column)
    if not with_ids:
        return None
    return Study(
        settings=settings,
        folder=shelf.folder,
        patients=typed_columns(patients, settings, kept, index),
        covariates=covariates,
        site=site,
        etiology=etiology,
        features=of_table.features,
        labels={**settings.patients.labels, **names.labels},
        units=names.units,
        families=names.families,
        outcomes=tuple(of_table.outcomes),
        excluded_features=excluded.table(),
        attrition=pd.DataFrame(attrition, columns=["step", "n", "n_left_out", "reason"]),
        warnings=(),
        input_hashes={},
        limits=of_table.limits,
        flat_features=pd.DataFrame(excluded.flat, index=index),
        lines=pd.Series([patients.row(position) for position in kept], index=index),
    )


def read_outcomes(
    settings: StudyFile, patients: Source, kept: np.ndarray, ids: list[str], events: dict[str, Source]
) -> list[Outcome]:
    """The outcomes that can be analysed, without patients whose features were measured after them."""
    read = [
        read_outcome(section, patients, kept, ids, events.get(section.name)) for section in settings.outcomes
    ]
    return leave_out_late([outcome for outcome in read if outcome is not None], settings, patients, kept)


def check_phenotype_features(
    settings: StudyFile, features: pd.DataFrame, excluded: Exclusions, measured: Source, id_column: str | None
) -> None:
    """Note features that `[phenotypes]` and `freeze` name and that are none; faulty ones are told already."""
    unused = {str(name): str(reason) for name, reason, _ in excluded.rows}
    faulty = [problem.column for problem in measured.findings.errors() if problem.file == measured.file]
    told = measured.table.columns if id_column is None else faulty
    unused |= {name: "" for name in told if name is not None}
    check_search(
        settings, features, set(unused), measured.findings, all_there=not faulty and id_column is not None
    )
    check_freeze(settings, features, unused, measured.findings)


def check_recordings_of(settings: StudyFile, shelf: Shelf, patients: set[str] | None) -> None:
    if settings.recordings is not None:
        check_recordings(settings.recordings, shelf.folder, patients, shelf.findings)
