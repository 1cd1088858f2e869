"""The features of a study from their table, fit to be tested."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from discovery.study.features import (
    Exclusions,
    choose_features,
    defined_from,
    keep_varying,
    leave_out_leaks,
    leave_out_repeats,
    matches,
)
from discovery.study.findings import Findings
from discovery.study.identifiers import read_ids
from discovery.study.limits import LimitedColumn, Limits, limits_of, read_limited
from discovery.study.outcome import Outcome
from discovery.study.settings import StudyFile
from discovery.study.source import Source


@dataclass(frozen=True, kw_only=True)
class FeatureTable:
    """What comes of the table of features.

    features : float64, patients of the study by features fit to be tested, NaN missing; outcomes : each with
    the features that it is defined from; limits : None where no value is known only to lie beyond one.
    """

    features: pd.DataFrame
    outcomes: list[Outcome]
    limits: Limits | None = None


def read_feature_table(
    settings: StudyFile,
    measured: Source,
    id_column: str,
    place: np.ndarray,
    index: pd.Index,
    outcomes: list[Outcome],
    covariates: pd.DataFrame,
    excluded: Exclusions,
    *,
    own_table: bool,
) -> FeatureTable:
    """The features of the patients `index` (n,), each from the row `place` (n,) of the table (-1: none).

    `own_table` is whether they stand in another table than the patients; what is not tested goes to
    `excluded`.
    """
    chosen = choose_features(measured, settings, id_column, excluded, own_table=own_table)
    limited = limited_columns(settings, measured, chosen)
    columns = (rows_at(numbers_of(measured, name, limited), place) for name in chosen)
    features, outcomes = sift(
        chosen,
        columns,
        index,
        settings,
        outcomes,
        measured.file,
        measured.findings,
        excluded,
        known=measured.table.columns,
        covariates=covariates,
    )
    if not len(features.columns) and settings.recordings is None and not measured.findings.failed:
        found = f"{len(excluded.rows)} column{'s' if len(excluded.rows) != 1 else ''}, none usable"
        wanted = "at least one feature is wanted: a column of numbers that vary and have no other role"
        measured.findings.error("no feature", measured.file, wanted, found=found)
    limits = limits_of(limited, place, index, features.columns)
    return FeatureTable(features=features, outcomes=outcomes, limits=limits)


def check_features_alone(settings: StudyFile, measured: Source | None) -> None:
    """Note the faults of the table of features that it has whoever the patients are."""
    if measured is None or settings.features is None:
        return
    id_column = settings.features.id or settings.patients.id
    if not measured.require(id_column, "id under [features]"):
        return
    read_ids(measured, id_column)
    check_cells(settings, measured, id_column)


def check_cells(settings: StudyFile, measured: Source, id_column: str) -> None:
    """Note what of the chosen columns is no number."""
    chosen = choose_features(measured, settings, id_column, Exclusions(), own_table=True)
    limited = limited_columns(settings, measured, chosen)
    for name in chosen:
        numbers_of(measured, name, limited)


def limited_columns(settings: StudyFile, measured: Source, chosen: list[str]) -> dict[str, LimitedColumn]:
    """The chosen features whose cells may say that the value lies beyond a limit."""
    patterns = () if settings.features is None else settings.features.beyond_limit
    names = [name for name in matches(patterns, measured.table.columns) if name in chosen]
    return {name: read_limited(measured, name) for name in names}


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
