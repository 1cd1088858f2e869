"""Validate a study without computing anything from it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from discovery.cohort.masked_counts import small
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

    The warnings, here and in the study, tell also what a run would not test. Where the study masks counts
    (`suppress_below`) those in warnings and summary are masked, but not in the study, which a run works with;
    nor is what stands in the way of an analysis, which must be found to be mended.

    Raises
    ------
    InputError
        With every problem that stands in the way of an analysis.
    """
    checked = with_doubts(study if isinstance(study, Study) else read_study(study))
    limit = checked.settings.analysis.suppress_below
    known = (len(checked.patients), *(int(outcome.known.sum()) for outcome in checked.outcomes))
    warnings = checked.warnings
    if limit:
        from discovery.pipeline.masking import masked_problems

        warnings = masked_problems(warnings, limit, known)
    return Checked(study=checked, warnings=tuple(warnings), summary=tuple(summarise(checked)))


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
        counts = outcome_counts(outcome, settings.analysis.suppress_below)
        yield f"outcome {outcome.name} ({outcome.kind}): {counts}"
    whole = study.excluded_features[study.excluded_features["outcome"] == ""]
    if len(whole):
        are = "column is not used as a feature", "columns are not used as features"
        yield f"{plural(len(whole), *are)}: {listed([named(name) for name in whole['feature']])}"
    yield f"{plural(len(study.warnings), 'warning')}; no problem stands in the way"


def outcome_counts(outcome: Outcome, limit: int = 0) -> str:
    """Patients and events of an outcome in words, `limit` being the study's `suppress_below`."""
    everybody = len(outcome.patient_id)
    if outcome.status is not None and outcome.time is not None and outcome.kind == "survival":
        known = np.isfinite(outcome.status) & np.isfinite(outcome.time)
        events = int((outcome.status[known] == 1).sum())
        competing = int((outcome.status[known] > 1).sum())
        others = f", {fit_to_be_said(competing, limit)} competing" if competing else ""
        patients = many(int(known.sum()), "patient", limit, everybody)
        return f"{patients}, {many(events, 'event', limit)}{others}"
    value = np.asarray(outcome.value)
    known = outcome.known
    patients = many(int(known.sum()), "patient", limit, everybody)
    if outcome.kind == "binary":
        return f"{patients}, {fit_to_be_said(int((value[known] == 1).sum()), limit)} with the outcome"
    if outcome.kind in ("count", "recurrent"):
        return f"{patients}, {many(int(value[known].sum()), 'event', limit)}"
    if outcome.categories:
        counts = [
            f"{name} {fit_to_be_said(int((value == code).sum()), limit)}"
            for code, name in enumerate(outcome.categories)
        ]
        return f"{patients}: {', '.join(counts)}"
    return patients


def many(count: int, one: str, limit: int, everybody: int | None = None) -> str:
    """`plural`, fit to be said; `everybody`, who are known to be so many, may be said as they are."""
    if not count or count == everybody or not limit:
        return plural(count, one)
    return f"{fit_to_be_said(count, limit)} {one}s"


def fit_to_be_said(count: int, limit: int) -> str:
    """A count, rounded where counts below `limit` are masked: beside its total it would tell a small rest."""
    if not count or not limit:
        return str(count)
    return f"fewer than {limit}" if small(count, limit) else f"about {limit * round(count / limit)}"
