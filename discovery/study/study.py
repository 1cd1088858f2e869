"""A study: the study file and its tables, checked together and joined by patient."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from discovery.problems import InputError, Problem
from discovery.study.covariates import as_category, check_names, read_covariates, read_etiology, read_site
from discovery.study.eligibility import Rule, eligible
from discovery.study.features import (
    Exclusions,
    Names,
    choose_features,
    defined_from,
    keep_varying,
    leave_out_leaks,
    leave_out_repeats,
    matches,
    read_labels,
)
from discovery.study.findings import LISTED_PER_KIND, Findings
from discovery.study.identifiers import match_ids, no_common_id, read_ids, report_unmatched
from discovery.study.limits import LimitedColumn, Limits, limits_of, read_limited
from discovery.study.measured_when import leave_out_late
from discovery.study.outcome import Outcome
from discovery.study.outcomes import outcome_columns, read_outcome
from discovery.study.paths import one_line, resolve
from discovery.study.phenotype_columns import check_freeze, check_search
from discovery.study.recording_index import check_recordings
from discovery.study.settings import Codes, RecurrentOutcome, StudyFile
from discovery.study.source import Source, missing_codes
from discovery.study.study_file import read_study_file
from discovery.study.table_files import read_table
from discovery.study.tables import Table


@dataclass(frozen=True, eq=False)
class Study:
    """Everything an analysis starts from; all tables share one index of patient ids, in the order of these.

    `patients` has every column of the patient table, typed; `covariates` the base model (float or
    categorical); `features` float64 with NaN missing, as measured; `limits` holds what is known of values
    beyond a limit of the device (NaN in `features`), if there are any. `excluded_features` lists
    feature, reason, outcome (empty: for all); `flat_features` has those in which every patient has the same
    value, which can be applied, though not tested. `attrition` lists step, n, n_left_out, reason. `lines`
    has each patient's line in the file of the patient table.
    """

    settings: StudyFile
    folder: Path
    patients: pd.DataFrame
    covariates: pd.DataFrame
    site: pd.Series | None
    etiology: pd.Series | None
    features: pd.DataFrame
    labels: dict[str, str]
    units: dict[str, str]
    families: dict[str, str]
    outcomes: tuple[Outcome, ...]
    excluded_features: pd.DataFrame
    attrition: pd.DataFrame
    warnings: tuple[Problem, ...]
    input_hashes: dict[str, str]
    limits: Limits | None = None
    flat_features: pd.DataFrame | None = None
    lines: pd.Series | None = None

    def features_and_flat(self) -> pd.DataFrame:
        """The features, and those in which every patient has the same value: for a model made elsewhere."""
        return self.features if self.flat_features is None else self.features.join(self.flat_features)

    def features_for(self, outcome: Outcome) -> pd.DataFrame:
        """The features that may be tested against an outcome: without those it is defined from."""
        return self.features.drop(columns=list(outcome.excluded_features), errors="ignore")

    def in_id_order(self) -> Study:
        """The same study with the patients in the order of their ids: the rows of a file may come in any."""
        order = np.argsort(self.patients.index.to_numpy().astype(str), kind="stable")
        names = ("patients", "covariates", "site", "etiology", "features", "flat_features", "lines")
        known = {name: getattr(self, name) for name in names if getattr(self, name) is not None}
        tables = {name: table.iloc[order] for name, table in known.items()}
        limits = self.limits
        if limits is not None:
            limits = Limits(below=limits.below.iloc[order], above=limits.above.iloc[order])
        outcomes = tuple(outcome.in_order(order) for outcome in self.outcomes)
        return replace(self, **tables, limits=limits, outcomes=outcomes)


@dataclass
class Shelf:
    """The tables of one study, each read once."""

    folder: Path
    findings: Findings
    tables: dict[str, Table | None] = field(default_factory=dict)
    hashes: dict[str, str] = field(default_factory=dict)

    def source(self, name: str, section: str, codes: Codes) -> Source | None:
        """The table called `name`, or None with its faults noted (once)."""
        if name not in self.tables:
            try:
                path = resolve(self.folder, name)
                self.tables[name] = read_table(path, one_line(name), self.findings)
            except InputError as error:
                self.findings.extend(error.problems)
                self.tables[name] = None
        table = self.tables[name]
        if table is None:
            return None
        self.hashes[name] = table.sha256
        return Source(table, section, missing_codes(codes), self.findings)


def read_study(path: Path | str) -> Study:
    """Read and check a study file (or the folder that holds `study.toml`) with all its tables.

    Raises
    ------
    InputError
        With every fault found in the file and the tables; nothing is changed or written. Doubts
        that do not stand in the way are in `Study.warnings`.
    """
    study, problems = read_study_so_far(path)
    if problems:
        raise InputError(problems)
    if study is None:
        raise AssertionError("a study that cannot be built has a fault")
    return study


def read_study_so_far(path: Path | str) -> tuple[Study | None, list[Problem]]:
    """The study as far as its faults allow, and these: for what else can be held against it in the same go.

    What has a fault is missing from the study, or in it without the faulty cells; None without patients.
    """
    path = Path(path)
    with suppress(OSError, ValueError):  # reading it says what is wrong
        path = path / "study.toml" if path.is_dir() else path
    try:
        settings, problems, content = read_study_file(path)
    except InputError as fault:
        return None, fault.problems
    findings = Findings()
    findings.extend(problems)
    if settings is None:
        return None, findings.errors()
    shelf = Shelf(path.parent, findings)
    study = build_study(settings, shelf)
    if study is None:
        return None, findings.errors()
    hashes = {path.name: hashlib.sha256(content).hexdigest(), **shelf.hashes}
    study = replace(study.in_id_order(), warnings=tuple(findings.warnings()), input_hashes=hashes)
    return study, findings.errors()


def build_study(settings: StudyFile, shelf: Shelf) -> Study | None:
    """The study as far as the input allows; None when the patient table cannot be used."""
    findings = shelf.findings
    patients = shelf.source(settings.patients.file, "patients", settings.patients.missing)
    measured = None
    if settings.features is not None:
        measured = shelf.source(settings.features.file, "features", settings.features.missing)
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
        findings.error(
            "few patients", patients.file, "two patients or more are wanted", found=f"{len(set(ids))}"
        )
    attrition = [(f"rows in {patients.file}", len(ids), 0, "")]
    kept, place, id_column = join(settings, patients, measured, ids, attrition)
    chosen_rows = eligible_rows(settings, patients, kept, attrition)
    kept, place = kept[chosen_rows], place[chosen_rows] if len(place) == len(chosen_rows) else place
    index = pd.Index([ids[position] for position in kept], dtype=object, name="patient_id")

    named = {
        column: outcome.name for outcome in reversed(settings.outcomes) for column in outcome_columns(outcome)
    }
    covariates = read_covariates(patients, settings.patients, named, kept, index)
    site = read_site(patients, settings.patients, kept, index)
    etiology = read_etiology(patients, settings.patients, kept, index)
    outcomes = []
    for section in settings.outcomes:
        outcome = read_outcome(section, patients, kept, ids, events.get(section.name))
        if outcome is not None:
            outcomes.append(outcome)
    outcomes = leave_out_late(outcomes, settings, patients, kept)

    excluded = Exclusions()
    features = pd.DataFrame(index=index, dtype=np.float64)
    names = Names()
    limits = None
    check_names(settings.patients, patients)
    if measured is not None and settings.features is not None and id_column is not None:
        own_table = measured.table is not patients.table
        chosen = choose_features(measured, settings, id_column, excluded, own_table=own_table)
        limited = {name: read_limited(measured, name) for name in limited_names(settings, measured, chosen)}
        columns = (rows_at(numbers_of(measured, name, limited), place) for name in chosen)
        features, outcomes = sift(
            chosen,
            columns,
            index,
            settings,
            outcomes,
            measured.file,
            findings,
            excluded,
            known=measured.table.columns,
            covariates=covariates,
        )
        limits = limits_of(limited, place, index, features.columns)
        if not len(features.columns) and settings.recordings is None and not findings.failed:
            found = f"{len(excluded.rows)} column{'s' if len(excluded.rows) != 1 else ''}, none usable"
            wanted = "at least one feature is wanted: a column of numbers that vary and have no other role"
            findings.error("no feature", measured.file, wanted, found=found)
        if labels is not None:
            names = read_labels(labels, {*measured.table.columns, *patients.table.columns}, measured)
    check_recordings_of(settings, shelf, set(index) if with_ids else None)
    if settings.recordings is None and measured is not None:
        unused = {str(name): str(reason) for name, reason, _ in excluded.rows}
        faulty = [problem.column for problem in findings.errors() if problem.file == measured.file]
        told = measured.table.columns if id_column is None else faulty
        unused |= {name: "" for name in told if name is not None}
        check_search(settings, features, set(unused), findings)
        check_freeze(settings, features, unused, findings)
    if not with_ids:
        return None
    return Study(
        settings=settings,
        folder=shelf.folder,
        patients=typed_columns(patients, settings, kept, index),
        covariates=covariates,
        site=site,
        etiology=etiology,
        features=features,
        labels={**settings.patients.labels, **names.labels},
        units=names.units,
        families=names.families,
        outcomes=tuple(outcomes),
        excluded_features=excluded.table(),
        attrition=pd.DataFrame(attrition, columns=["step", "n", "n_left_out", "reason"]),
        warnings=(),
        input_hashes={},
        limits=limits,
        flat_features=pd.DataFrame(excluded.flat, index=index),
        lines=pd.Series([patients.row(position) for position in kept], index=index),
    )


def check_features_alone(settings: StudyFile, measured: Source | None) -> None:
    """Note the faults of the table of features that it has whoever the patients are."""
    if measured is None or settings.features is None:
        return
    id_column = settings.features.id or settings.patients.id
    if not measured.require(id_column, "id under [features]"):
        return
    read_ids(measured, id_column)
    chosen = choose_features(measured, settings, id_column, Exclusions(), own_table=True)
    limited = {name: read_limited(measured, name) for name in limited_names(settings, measured, chosen)}
    for name in chosen:
        numbers_of(measured, name, limited)


def check_recordings_of(settings: StudyFile, shelf: Shelf, patients: set[str] | None) -> None:
    if settings.recordings is not None:
        check_recordings(settings.recordings, shelf.folder, patients, shelf.findings)


def limited_names(settings: StudyFile, measured: Source, chosen: list[str]) -> list[str]:
    """The chosen features whose cells may say that the value lies beyond a limit."""
    patterns = () if settings.features is None else settings.features.beyond_limit
    return [name for name in matches(patterns, measured.table.columns) if name in chosen]


def numbers_of(measured: Source, name: str, limited: dict[str, LimitedColumn]) -> np.ndarray:
    return limited[name].values if name in limited else measured.require_numbers(name)


def rows_at(values: np.ndarray, place: np.ndarray) -> np.ndarray:
    """The values at `place` (n,), NaN where it is -1."""
    return np.where(place >= 0, values[place], np.nan)


def sift(
    names: list[str],
    columns: Iterable[np.ndarray],
    index: pd.Index,
    settings: StudyFile,
    outcomes: list[Outcome],
    file: str,
    findings: Findings,
    excluded: Exclusions,
    *,
    known: tuple[str, ...],
    covariates: pd.DataFrame,
) -> tuple[pd.DataFrame, list[Outcome]]:
    """The features fit to be tested, and the outcomes with the features that each is defined from.

    `known` are the names that `defined_from` may use.
    """
    kept, values = keep_varying(names, columns, file, findings, excluded)
    new = leave_out_repeats(kept, values, covariates, file, findings, excluded)
    if len(new) < len(kept):
        kept, values = [kept[at] for at in new], values[:, new]
    parts = defined_from(settings, known, kept, file, findings, excluded)
    outcomes = [
        replace(outcome, excluded_features=(*outcome.excluded_features, *parts[outcome.name]))
        for outcome in outcomes
    ]
    clean = leave_out_leaks(kept, values, outcomes, file, findings, excluded, settings.study.seed)
    table = values[:, clean] if clean else np.empty((len(index), 0))
    return pd.DataFrame(
        table, index=index, columns=pd.Index([kept[at] for at in clean], dtype=object)
    ), outcomes


def with_features(
    study: Study,
    measured: pd.DataFrame,
    *,
    labels: dict[str, str] | None = None,
    units: dict[str, str] | None = None,
    families: dict[str, str] | None = None,
    source: str = "recordings",
) -> Study:
    """`study` with measured features added, held to the same checks as those of a table.

    `measured` has one row a patient (index: the ids as text), one column of numbers a feature; a
    study patient without a row gets missing values, other rows are left out with a warning.
    `source` is what messages call it.

    Raises
    ------
    InputError
        An id stands twice, or a feature has the name of one that the study has.
    """
    findings = Findings()
    ids = [str(label) for label in measured.index]
    if len(set(ids)) < len(ids):
        findings.error(
            "repeated id",
            source,
            "one row a patient is wanted",
            found=pd.Index(ids)[pd.Index(ids).duplicated()][0],
        )
    for name in measured.columns.intersection(study.features.columns):
        wanted = "another name is wanted, the table of features has this one"
        findings.error("repeated column", source, wanted, column=str(name))
    findings.raise_errors()
    index = study.patients.index
    strangers = sorted(set(ids) - set(index))
    for label in strangers[:LISTED_PER_KIND]:
        findings.warn(
            "id not in the study", source, "the study has no such patient; it is left out", found=label
        )
    place = match_ids(list(index), ids)
    names = [str(name) for name in measured.columns]
    columns = (rows_at(measured.iloc[:, at].to_numpy(dtype=np.float64), place) for at in range(len(names)))
    flat = study.flat_features if study.flat_features is not None else pd.DataFrame(index=index)
    excluded = Exclusions(
        [tuple(row) for row in study.excluded_features.to_numpy()],
        {str(name): column.to_numpy() for name, column in flat.items()},
    )
    settings = study.settings
    added, outcomes = sift(
        names,
        columns,
        index,
        settings,
        list(study.outcomes),
        source,
        findings,
        excluded,
        known=tuple(names),
        covariates=study.covariates,
    )
    features = pd.concat([study.features, added], axis=1)
    check_search(settings, features, {str(row[0]) for row in excluded.rows}, findings)
    findings.raise_errors()
    return replace(
        study,
        features=features,
        outcomes=tuple(outcomes),
        excluded_features=excluded.table(),
        flat_features=pd.DataFrame(excluded.flat, index=index),
        labels={**study.labels, **(labels or {})},
        units={**study.units, **(units or {})},
        families={**study.families, **(families or {})},
        warnings=(*study.warnings, *findings.warnings()),
    )


def event_tables(settings: StudyFile, shelf: Shelf) -> dict[str, Source]:
    """The table of each recurrent outcome, by the outcome's name."""
    tables = {}
    for section in settings.outcomes:
        if isinstance(section, RecurrentOutcome):
            source = shelf.source(section.file, "patients", settings.patients.missing)
            if source is not None:
                tables[section.name] = source
    return tables


def labels_table(settings: StudyFile, shelf: Shelf) -> Table | None:
    if settings.features is None or settings.features.labels is None:
        return None
    source = shelf.source(settings.features.labels, "features", ())
    return None if source is None else source.table


def join(
    settings: StudyFile,
    patients: Source,
    measured: Source | None,
    ids: list[str],
    attrition: list[tuple[str, int, int, str]],
) -> tuple[np.ndarray, np.ndarray, str | None]:
    """Positions of the patients that are kept, each one's row among the features, and the id column there.

    Patients without a row of features are left out (kept when recordings may still measure them),
    and rows of features without a patient too; both are listed.
    """
    everyone = np.arange(len(ids))
    nowhere = np.full(len(ids), -1)
    if measured is None or settings.features is None:
        return everyone, nowhere, None
    id_column = settings.features.id or settings.patients.id
    if not measured.require(id_column, "id under [features]"):
        return everyone, nowhere, None
    if measured.table is patients.table and id_column == settings.patients.id:
        return everyone, everyone, id_column
    feature_ids = read_ids(measured, id_column)
    place = match_ids(ids, feature_ids)
    alone = np.flatnonzero((place < 0) & np.array([bool(label) for label in ids]))
    filled = [label for label in ids if label], [label for label in feature_ids if label]
    if all(filled) and not (place >= 0).any():
        no_common_id(*filled, patients.file, measured.file, patients.findings)
        return everyone, nowhere, id_column
    keep_all = settings.recordings is not None
    so = "the patient has no features but what the recordings give" if keep_all else "the patient is left out"
    report_unmatched(
        [ids[position] for position in alone],
        patients,
        settings.patients.id,
        [patients.row(position) for position in alone],
        measured.file,
        so,
    )
    strangers = np.flatnonzero(
        (match_ids(feature_ids, ids) < 0) & np.array([bool(label) for label in feature_ids])
    )
    report_unmatched(
        [feature_ids[position] for position in strangers],
        measured,
        id_column,
        [measured.row(position) for position in strangers],
        patients.file,
        "the row is left out",
    )
    if strangers.size:
        step = f"rows of {measured.file} with a patient"
        attrition.append(
            (step, len(feature_ids) - strangers.size, strangers.size, f"no such id in {patients.file}")
        )
    kept = everyone if keep_all else np.flatnonzero(place >= 0)
    reason = f"no row in {measured.file}" if len(kept) < len(ids) else ""
    attrition.append((f"patients with a row in {measured.file}", len(kept), len(ids) - len(kept), reason))
    if kept.size < 2:
        wanted = f"two patients or more with a row in {measured.file} are wanted"
        patients.findings.error("few patients", patients.file, wanted, found=f"{kept.size}")
    return kept, place[kept], id_column


def eligible_rows(
    settings: StudyFile, patients: Source, kept: np.ndarray, attrition: list[tuple[str, int, int, str]]
) -> np.ndarray:
    """Which of the `kept` patients fulfil the rules of eligibility, (n,) bool; who does not is listed."""
    rules = [
        Rule(column=rule.column, comparison=rule.comparison, value=rule.value, reason=rule.reason)
        for rule in settings.eligibility
    ]
    everyone = np.ones(len(kept), dtype=bool)
    named = [patients.require(rule.column, "column of a rule of eligibility") for rule in rules]
    by_id = [rule.column for rule in rules if rule.column == settings.patients.id]
    if by_id:
        wanted = (
            "a rule of eligibility cannot name patients, for it stands in the report; mark those it is about "
            "in a column of its own"
        )
        patients.findings.error("rule about ids", patients.file, wanted, column=by_id[0])
    if not rules or not all(named) or by_id:
        return everyone
    columns = list(dict.fromkeys(rule.column for rule in rules))
    table = typed_columns(patients, settings, kept, pd.RangeIndex(len(kept)), columns)
    try:
        keep, flow = eligible(table, rules)
    except InputError as error:
        patients.findings.extend(replace(problem, file=patients.file) for problem in error.problems)
        return everyone
    attrition += [tuple(row) for row in flow.iloc[1:].to_numpy()]
    if keep.sum() < 2:
        wanted = "two patients or more who fulfil the rules of eligibility are wanted"
        most = flow.loc[flow["n_left_out"].idxmax()]
        if most["n_left_out"]:
            wanted += f"; {most['step']} leaves out {most['n_left_out']}"
        patients.findings.error("few patients", patients.file, wanted, found=f"{int(keep.sum())}")
        return everyone
    return keep.to_numpy()


def typed_columns(
    patients: Source,
    settings: StudyFile,
    kept: np.ndarray,
    index: pd.Index,
    columns_wanted: Iterable[str] | None = None,
) -> pd.DataFrame:
    """Columns of the patient table (every one but the id): float where all are numbers, else categories."""
    labels: Iterable[str | None] = (
        settings.patients.site,
        settings.patients.etiology,
        *settings.patients.categorical,
    )
    as_labels = set(labels)
    columns = {}
    for column in patients.table.columns if columns_wanted is None else columns_wanted:
        if column == settings.patients.id:
            continue
        numbers = patients.numbers(column)
        faults = numbers.not_numbers or numbers.infinite or numbers.codes
        if column not in as_labels and not faults:
            columns[column] = pd.Series(numbers.values[kept], index=index)
        else:
            cells = patients.labels(column)
            columns[column] = as_category([cells[position] for position in kept], index, column)
    return pd.DataFrame(columns, index=index)
