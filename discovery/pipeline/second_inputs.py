"""The two inputs of a replication: the faults of both, and what contradicts in them, told at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from discovery.pipeline.frozen_findings import definitions
from discovery.pipeline.landmarks import from_landmarks
from discovery.pipeline.second_phenotypes import read_phenotypes
from discovery.pipeline.second_shapes import other_shapes
from discovery.problems import InputError, Problem
from discovery.study import Study, read_study_so_far

if TYPE_CHECKING:
    from discovery.markers.frozen import FrozenFindings
    from discovery.phenotypes.model import Phenotypes


def read_both(
    frozen: Path | str, study: Path | str | Study
) -> tuple[FrozenFindings, Phenotypes | None, Study]:
    """The frozen findings, the phenotypes in them, and the study, its outcomes judged from their landmarks.

    Raises
    ------
    InputError
        Everything wrong with either, and all that would make it another test, as far as it can be known
        before anything is measured.
    """
    from discovery.markers.frozen_file import phenotypes_in, read_frozen

    problems: list[Problem] = []
    warnings: list[Problem] = []
    findings = phenotypes = None
    try:
        findings = read_frozen(frozen)
    except InputError as fault:
        problems += fault.problems
    try:
        phenotypes = read_phenotypes(phenotypes_in(frozen) if findings is None else findings.phenotypes)
    except InputError as fault:
        problems += fault.problems
        findings = findings and findings.model_copy(update={"phenotypes": None})
    so_far, faults, doubts = (study, [], []) if isinstance(study, Study) else read_study_so_far(study)
    problems += faults
    warnings += doubts
    if so_far is not None and not faults:
        so_far = from_landmarks(so_far)
    if findings is not None and so_far is not None and so_far.patients.index.is_unique:
        problems += _contradictions(findings, so_far, faults)
    if problems:
        raise InputError(problems, warnings)
    assert findings is not None
    assert so_far is not None
    return findings, phenotypes, so_far


def with_flat(study: Study) -> Study:
    """A feature that does not vary here is no fault of the input: models apply it, a test of it fails."""
    return replace(study, features=study.features_and_flat(), flat_features=None)


def _contradictions(findings: FrozenFindings, study: Study, faults: Sequence[Problem]) -> list[Problem]:
    """What would be another test in a study that was read as far as its `faults` allow, but for what follows
    from these. Which features recordings give is not known yet."""
    from discovery.markers.second_differences import absent_features, differences

    unread = _unread(findings, study, faults)
    found = [
        *other_shapes(findings, study),
        *differences(findings, with_flat(study), definitions(study), unread=unread),
    ]
    if study.settings.recordings is None:
        found += absent_features(findings, with_flat(study), unread=unread)
    told = {(fault.file, fault.column) for fault in faults}
    return [problem for problem in found if (problem.file, problem.column) not in told]


def _unread(findings: FrozenFindings, study: Study, faults: Sequence[Problem]) -> set[str]:
    """Outcomes, covariates and features that may be in the study, but could not be read for a fault."""
    if not faults:
        return set()
    settings, keys = study.settings, [fault.column or "" for fault in faults]
    names = {*settings.patients.adjust_for, *(outcome.name for outcome in settings.outcomes), *keys}
    if any(key.startswith("outcomes") for key in keys):
        names |= {outcome.name for outcome in findings.outcomes}
    if any(key.startswith("patients") for key in keys):
        names |= {term.covariate for outcome in findings.outcomes for term in outcome.terms}
    if study.features.empty or any(key.startswith("features") for key in keys):
        names |= {feature.name for feature in findings.features}
    return names
