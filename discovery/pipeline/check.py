"""Validate a study without computing anything from it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from discovery.problems import Problem
from discovery.study import Outcome, Study, read_study


@dataclass(frozen=True, kw_only=True)
class Checked:
    study: Study
    warnings: tuple[Problem, ...]
    summary: tuple[str, ...]


def check(study: Path | str | Study) -> Checked:
    """Read and validate `study`; the summary says in words what an analysis would use.

    Raises
    ------
    InputError
        With every problem that stands in the way of an analysis.
    """
    checked = study if isinstance(study, Study) else read_study(study)
    return Checked(study=checked, warnings=tuple(checked.warnings), summary=tuple(summarise(checked)))


def summarise(study: Study):
    settings = study.settings
    yield f"{settings.study.name}: {len(study.patients)} patients, {study.features.shape[1]} features"
    if len(study.covariates.columns):
        yield f"adjusted for {', '.join(study.covariates.columns)}"
    if study.site is not None:
        yield f"{study.site.nunique()} sites"
    if study.etiology is not None:
        labels = {label.strip() for text in study.etiology.dropna() for label in str(text).split(";")}
        yield f"{len(labels - {''})} etiologies"
    for outcome in study.outcomes:
        yield f"outcome {outcome.name} ({outcome.kind}): {outcome_counts(outcome)}"
    left_out = study.excluded_features
    if len(left_out):
        yield f"{len(left_out)} columns are not used as features: {', '.join(left_out['feature'].head(10))}"
    count = len(study.warnings)
    yield f"{count} warning{'s' if count != 1 else ''}; no problem stands in the way"


def outcome_counts(outcome: Outcome) -> str:
    if outcome.status is not None and outcome.time is not None:
        known = np.isfinite(outcome.status) & np.isfinite(outcome.time)
        events = int((outcome.status[known] == 1).sum())
        competing = int((outcome.status[known] > 1).sum())
        others = f", {competing} competing" if competing else ""
        return f"{int(known.sum())} patients, {events} events{others}"
    value = np.asarray(outcome.value)
    known = np.isfinite(value)
    if outcome.kind == "binary":
        return f"{int(known.sum())} patients, {int((value[known] == 1).sum())} with the outcome"
    return f"{int(known.sum())} patients"
