"""Which rows of the patient table are in the study: joined with the features, fulfilling the rules."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pandas as pd

from discovery.problems import InputError
from discovery.study.covariates import as_category
from discovery.study.eligibility import Rule, eligible
from discovery.study.identifiers import lacking, match_ids, no_common_id, read_ids, report_unmatched
from discovery.study.settings import StudyFile
from discovery.study.source import Source


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
    alone, strangers = lacking(ids, feature_ids), lacking(feature_ids, ids)
    filled = [label for label in ids if label], [label for label in feature_ids if label]
    if all(filled) and not (place >= 0).any():
        no_common_id(*filled, patients.file, measured.file, patients.findings)
        return everyone, nowhere, id_column
    keep_all = settings.recordings is not None
    so = "the patient has no features but what the recordings give" if keep_all else "the patient is left out"
    report_unmatched(ids, alone, patients, settings.patients.id, measured.file, so)
    report_unmatched(feature_ids, strangers, measured, id_column, patients.file, "the row is left out")
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
    if not any(named) or by_id:
        return everyone
    rules = [rule for rule, there in zip(rules, named) if there]
    columns = list(dict.fromkeys(rule.column for rule in rules))
    table = typed_columns(patients, settings, kept, pd.RangeIndex(len(kept)), columns)
    try:
        keep, flow = eligible(table, rules)
    except InputError as error:
        patients.findings.extend(replace(problem, file=patients.file) for problem in error.problems)
        return everyone
    if not all(named):
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
