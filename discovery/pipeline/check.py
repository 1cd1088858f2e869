"""Validate a study without computing anything from it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from discovery.cohort.masked_counts import small
from discovery.pipeline.doubts import with_doubts
from discovery.problems import InputError, Problem, named
from discovery.report.format import listed, plural
from discovery.study import Outcome, Study, read_study_so_far
from discovery.study.paths import settings_file
from discovery.study.study_file import read_study_file


@dataclass(frozen=True, kw_only=True)
class Checked:
    study: Study
    warnings: tuple[Problem, ...]
    summary: tuple[str, ...]


def check(study: Path | str | Study) -> Checked:
    """Read and validate `study`; the summary says in words what an analysis would use.

    The warnings, here and in the study, tell also what a run would not test. Where the study masks counts
    (`suppress_below`) those in the summary and in warnings, beside errors too, are masked. Not masked are
    those in the study, which a run works with, nor what stands in the way of an analysis: it must be found to
    be mended.

    Raises
    ------
    InputError
        With every problem that stands in the way of an analysis.
    """
    so_far, faults, doubts = (study, [], []) if isinstance(study, Study) else read_study_so_far(study)
    try:
        if faults or so_far is None:
            raise InputError(faults, doubts)
        checked = with_doubts(so_far)
    except InputError as fault:
        raise InputError(fault.problems, fit_to_be_read(fault.warnings, so_far, study)) from None
    warnings = fit_to_be_read(checked.warnings, checked, study)
    return Checked(study=checked, warnings=warnings, summary=tuple(summarise(checked)))


def fit_to_be_read(
    warnings: Iterable[Problem], study: Study | None, given: Path | str | Study
) -> tuple[Problem, ...]:
    """`warnings` masked as the `study` that was `given` asks, as far as it could be read."""
    limit = limit_in_file(given) if study is None else study.settings.analysis.suppress_below
    if not limit:
        return tuple(warnings)
    from discovery.pipeline.masking import masked_problems

    known: tuple[int, ...] = ()
    if study is not None:
        known = (len(study.patients), *(int(outcome.known.sum()) for outcome in study.outcomes))
    return masked_problems(warnings, limit, known)


def limit_in_file(path: Path | str | Study) -> int:
    """The `suppress_below` of a study whose tables cannot be read; 0 where its file cannot be either."""
    if isinstance(path, Study):
        return path.settings.analysis.suppress_below
    try:
        settings, *_ = read_study_file(settings_file(Path(path)))
    except (InputError, OSError, ValueError):
        return 0
    return settings.analysis.suppress_below if settings is not None else 0


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
    return f"{fit_to_be_said(count, limit, everybody)} {one}s"


def fit_to_be_said(count: int, limit: int, everybody: int | None = None) -> str:
    """A count, rounded where counts below `limit` are masked: beside its total it would tell a small rest."""
    from discovery.pipeline.masking import rounded_count

    if not count or not limit:
        return str(count)
    return f"fewer than {limit}" if small(count, limit) else str(rounded_count(count, limit, everybody))
