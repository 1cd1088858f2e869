"""What would make a second cohort another test than the frozen one: every difference, in words."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd

from discovery.association.coding import as_levels, of_numbers
from discovery.markers.frozen import FrozenFeature, FrozenFindings, FrozenTerm, coding_of
from discovery.problems import InputError, Problem, counted, nearest, shown

if TYPE_CHECKING:
    from discovery.study import Study

LANDMARKS_SINCE = 4  # schema version
FARTHEST = 1e6  # SDs from the first cohort's mean that a value may be


def require_same(findings: FrozenFindings, study: Study, definitions: Mapping[str, str]) -> None:
    """Refuse what would make it another test; every difference at once.

    A feature of the signature or of the phenotypes alone may be missing: those are not judged then.
    """
    problems = [*absent_features(findings, study), *differences(findings, study, definitions)]
    if problems:
        raise InputError(problems)


def differences(
    findings: FrozenFindings, study: Study, definitions: Mapping[str, str], *, unread: Container[str] = ()
) -> Iterator[Problem]:
    """What would make it another test, in the features that are there, the outcomes and the covariates.

    unread : names that may be missing from `study`, for a reason told elsewhere
    """
    yield from _other_measures(findings, study, definitions)
    yield from _other_scales(findings, study)
    yield from _outcome_problems(findings, study, unread)
    yield from _covariate_problems(findings, study, unread)


def absent_features(
    findings: FrozenFindings, study: Study, *, unread: Container[str] = ()
) -> Iterator[Problem]:
    """Features to be tested that the study does not have; `unread` as for `differences`."""
    gone = dict(zip(study.excluded_features["feature"], study.excluded_features["reason"]))
    tested = [candidate.feature for outcome in findings.outcomes for candidate in outcome.candidates]
    for name in dict.fromkeys(tested):
        if name not in study.features.columns and name not in unread:
            found = f"left out: {gone[name]}" if gone.get(name) else "no such feature"
            wanted = f"the frozen feature is wanted; {nearest(name, study.features.columns)}"
            yield Problem(file=_features_of(study), column=name, found=found, wanted=wanted)


def adjusted_for(study: Study) -> pd.DataFrame:
    """The covariates, with those that do not vary here: a frozen model has a coefficient for them."""
    flat = [
        name
        for name in study.settings.patients.adjust_for
        if name not in study.covariates.columns and name in study.patients.columns
    ]
    return study.covariates.join(study.patients[flat])


def _covariate_problems(findings: FrozenFindings, study: Study, unread: Container[str]) -> Iterator[Problem]:
    covariates, file = adjusted_for(study), study.settings.patients.file
    terms = {term.name: term for outcome in findings.outcomes for term in outcome.terms}
    for name in dict.fromkeys(term.covariate for term in terms.values()):
        if name not in covariates.columns and name not in unread:
            hint = nearest(name, covariates.columns)
            wanted = f"the covariate of the frozen base model is wanted in adjust_for; {hint}"
            yield Problem(file=file, column=name, wanted=wanted)
    here = [term for term in terms.values() if term.covariate in covariates.columns]
    if here:
        try:
            coding_of(here).apply(covariates)
        except InputError as fault:
            yield from (_coded_otherwise(problem, covariates, study) for problem in fault.problems)


def _coded_otherwise(problem: Problem, covariates: pd.DataFrame, study: Study) -> Problem:
    """`problem` of a covariate's coding, with the first row of the second cohort's file that has it."""
    of = as_levels(covariates[problem.column]) == problem.found
    row = None if study.lines is None or not of.any() else int(study.lines[of].min())
    others = f" ({counted(int(of.sum()))} have this value)" if of.sum() > 1 else ""
    return replace(
        problem,
        file=study.settings.patients.file,
        row=row,
        wanted=f"{problem.wanted} is wanted, as in the first cohort{others}",
    )


def _other_measures(findings, study, definitions) -> Iterable[Problem]:
    for name, (unit, definition) in findings.measures().items():
        if name not in study.features.columns:
            continue
        for what, first, mine in (
            ("unit", unit, study.units.get(name, "")),
            ("definition", definition, definitions.get(name, "")),
        ):
            if first and mine and mine != first:
                wanted = f"the {what} of the first cohort, {shown(first)}, is wanted"
                yield Problem(file=_features_of(study), column=name, found=mine, wanted=wanted)


def _other_scales(findings, study) -> Iterable[Problem]:
    """Numbers so far from the first cohort's that they cannot be of one quantity in one unit."""
    patients = study.settings.patients.file
    for feature in findings.features:
        if feature.name in study.features.columns:
            values = study.features[feature.name].clip(feature.low, feature.high)
            yield from _far_from(feature, values, _features_of(study), None)
    covariates = adjusted_for(study)
    terms = {term.name: term for outcome in findings.outcomes for term in outcome.terms if not term.level}
    for term in terms.values():
        if term.covariate in covariates.columns and of_numbers(covariates[term.covariate]):
            yield from _far_from(term, covariates[term.covariate], patients, study.lines)


def _far_from(scale: FrozenFeature | FrozenTerm, values: pd.Series, file: str, lines) -> Iterable[Problem]:
    """The value farthest from a frozen mean, where it is too far."""
    away = (values.astype(float) - scale.mean).abs().dropna()
    if len(away) and away.max() > FARTHEST * scale.sd:
        at = away.idxmax()
        first = f"mean {scale.mean:g}, SD {scale.sd:g}"
        yield Problem(
            file=file,
            row=None if lines is None else int(lines[at]),
            column=scale.name,
            found=f"{values[at]:g}",
            wanted=f"numbers on the scale of the first cohort ({first}) are wanted",
        )


def _features_of(study) -> str:
    return study.settings.features.file if study.settings.features else "recordings"


def _outcome_problems(findings: FrozenFindings, study: Study, unread: Container[str]) -> Iterator[Problem]:
    there = {outcome.name: outcome for outcome in study.outcomes}
    for outcome in findings.outcomes:
        mine = there.get(outcome.name)
        if not outcome.candidates and (outcome.signature is None or mine is None):
            continue
        if mine is None and outcome.name in unread:
            continue
        if mine is None:
            wanted = f"the frozen outcome is wanted; {nearest(outcome.name, there)}"
            yield Problem(file="study.toml", column=outcome.name, found="no such outcome", wanted=wanted)
            continue
        here = _landmark(study, outcome.name)
        known = findings.schema_version >= LANDMARKS_SINCE and not (here is None and outcome.name in unread)
        if known and outcome.landmark != here:
            first, second = (f"landmark {at:g}" if at else "no landmark" for at in (outcome.landmark, here))
            wanted = f"the clock of the first cohort, {first}, is wanted"
            yield Problem(file="study.toml", column=outcome.name, found=second, wanted=wanted)
        for what, first, second in (
            ("kind", outcome.kind, mine.kind),
            ("unit", outcome.unit, mine.unit),
            ("classes", ", ".join(outcome.categories), ", ".join(mine.categories)),
        ):
            if first and second and first != second:
                wanted = f"the {what} of the first cohort, {shown(first)}, is wanted"
                yield Problem(file="study.toml", column=outcome.name, found=second, wanted=wanted)


def _landmark(study: Study, outcome: str) -> float | None:
    sections = (section for section in study.settings.outcomes if section.name == outcome)
    return next((getattr(section, "landmark", None) for section in sections), None)
