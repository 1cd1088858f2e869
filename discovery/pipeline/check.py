"""Validate a study without computing anything from it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from discovery.pipeline.doubts import with_doubts
from discovery.problems import Problem, named
from discovery.report.format import listed, plural
from discovery.study import Outcome, Study, read_study


@dataclass(frozen=True, kw_only=True)
class Checked:
    study: Study
    warnings: tuple[Problem, ...]
    summary: tuple[str, ...]


def check(study: Path | str | Study) -> Checked:
    """Read and validate `study`; the summary says in words what an analysis would use.

    The warnings, here and in the study, tell also what a run would not test.

    Raises
    ------
    InputError
        With every problem that stands in the way of an analysis.
    """
    checked = with_doubts(study if isinstance(study, Study) else read_study(study))
    return Checked(study=checked, warnings=tuple(checked.warnings), summary=tuple(summarise(checked)))


def summarise(study: Study) -> Iterator[str]:
    settings = study.settings
    features = plural(study.features.shape[1], "feature")
    if settings.recordings is not None:
        features = f"{features} beside those that the recordings give"
    yield f"{settings.study.name}: {plural(len(study.patients), 'patient')}, {features}"
    if len(study.covariates.columns):
        yield f"adjusted for {', '.join(map(named, study.covariates.columns))}"
    if study.site is not None:
        yield plural(study.site.nunique(), "site")
    if study.etiology is not None:
        labels = {label.strip() for text in study.etiology.dropna() for label in str(text).split(";")}
        yield plural(len(labels - {""}), "etiology", "etiologies")
    for outcome in study.outcomes:
        yield f"outcome {outcome.name} ({outcome.kind}): {outcome_counts(outcome)}"
    whole = study.excluded_features[study.excluded_features["outcome"] == ""]
    if len(whole):
        are = "column is not used as a feature", "columns are not used as features"
        yield f"{plural(len(whole), *are)}: {listed([named(name) for name in whole['feature']])}"
    yield f"{plural(len(study.warnings), 'warning')}; no problem stands in the way"


def outcome_counts(outcome: Outcome) -> str:
    if outcome.status is not None and outcome.time is not None and outcome.kind == "survival":
        known = np.isfinite(outcome.status) & np.isfinite(outcome.time)
        events = int((outcome.status[known] == 1).sum())
        competing = int((outcome.status[known] > 1).sum())
        others = f", {competing} competing" if competing else ""
        return f"{plural(int(known.sum()), 'patient')}, {plural(events, 'event')}{others}"
    value = np.asarray(outcome.value)
    known = outcome.known
    patients = plural(int(known.sum()), "patient")
    if outcome.kind == "binary":
        return f"{patients}, {int((value[known] == 1).sum())} with the outcome"
    if outcome.kind in ("count", "recurrent"):
        return f"{patients}, {plural(int(value[known].sum()), 'event')}"
    if outcome.categories:
        counts = [f"{name} {int((value == code).sum())}" for code, name in enumerate(outcome.categories)]
        return f"{patients}: {', '.join(counts)}"
    return patients
