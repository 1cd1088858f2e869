"""What a run of a sound study would not do: outcomes that it cannot test, and why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.pipeline.landmarks import from_landmarks
from discovery.problems import InputError, Problem, counted, shown
from discovery.study import Outcome, Study
from discovery.study.leaks import suspected_leaks

if TYPE_CHECKING:
    from discovery.association.design import Design
    from discovery.cohort.incomplete_covariates import WideDesign

PLACE = "study.toml"


def with_doubts(study: Study) -> Study:
    """`study` with a warning for each outcome that a run would not test, and one if it would refuse.

    Raises
    ------
    InputError
        For every outcome that no patient is left for, or no event after time 0.
    """
    study = from_landmarks(study)
    known = set(study.warnings)
    found = [*untested(study), *refused(study), *too_few(study)]
    errors = [problem for problem in found if problem.severity == "error"]
    doubts = (doubt for doubt in found if doubt.severity != "error" and doubt not in known)
    warnings = (*study.warnings, *doubts)
    if errors:
        raise InputError(errors, warnings)
    return replace(study, warnings=warnings)


def screened(study: Study) -> list[Outcome]:
    """The outcomes of a kind that there is a model for."""
    from discovery.association.kinds import SCREENED_KINDS

    return [outcome for outcome in study.outcomes if outcome.kind in SCREENED_KINDS]


def untested(study: Study) -> Iterator[Problem]:
    can_be = screened(study)
    for outcome in study.outcomes:
        if outcome not in can_be:
            wanted = f"the outcome {outcome.name!r} is described, not tested: no model for this kind yet"
            yield Problem(file=PLACE, found=outcome.kind, wanted=wanted, severity="warning")


def untested_table(study: Study) -> pd.DataFrame:
    """The same for the report: outcome, kind, sentence."""
    can_be = screened(study)
    rows = [
        (
            outcome.name,
            outcome.kind,
            f"{outcome.label} ({outcome.kind}) is described, not tested: there is no model for this kind of "
            "outcome yet.",
        )
        for outcome in study.outcomes
        if outcome not in can_be
    ]
    return pd.DataFrame(rows, columns=["outcome", "kind", "sentence"])


def refusal(study: Study) -> Problem | None:
    """Why a run is refused, if it is: without an outcome to test there is nothing to rank by."""
    from discovery.association.kinds import SCREENED_KINDS

    if screened(study):
        return None
    found = ", ".join(f"{outcome.name} ({outcome.kind})" for outcome in study.outcomes) or "no outcome"
    wanted = f"a run needs an outcome of one of the kinds {', '.join(SCREENED_KINDS)}"
    return Problem(file=PLACE, column="outcomes", found=found, wanted=wanted)


def refused(study: Study) -> Iterator[Problem]:
    problem = refusal(study)
    if problem is not None:
        instead = "; `discovery measure` needs none" if study.settings.recordings is not None else ""
        wanted = f"`discovery run` would refuse this study, {problem.wanted}{instead}"
        yield replace(problem, wanted=wanted, severity="warning")


def too_few(study: Study) -> Iterator[Problem]:
    """Outcomes that have enough events, but not among the patients with site and complete covariates, or not
    enough for their base model.

    Where missing covariates are imputed they count as complete, but for one that is missing in too many.
    Too few from the start is noted when the outcome is read.
    """
    from discovery.association.design import build_design
    from discovery.association.kinds import kind_of
    from discovery.cohort.incomplete_covariates import wide_design, without_unimputable

    nothing = study.features.iloc[:, :0]
    for outcome in screened(study):
        wide = None
        try:
            design = build_design(outcome, study.covariates, nothing, site=study.site)
        except InputError as error:
            advice = what_leaves_patients(study, outcome)
            if advice and study.settings.analysis.imputations:
                advice = f"; covariates are imputed only beside patients who have them all{advice}"
            yield from (replace(problem, wanted=problem.wanted + advice) for problem in error.problems)
            continue
        if study.settings.analysis.imputations:
            everyone = wide_design(outcome, study.covariates, nothing, design, site=study.site)
            yield from lost_patients(outcome, everyone)
            wide = without_unimputable(everyone)
            yield from lost_terms(study, outcome, design, wide)
            design = design if wide is None else wide.design
        if design.n < 2:
            wanted = (
                f"two patients or more with all covariates are wanted for {outcome.name!r}"
                + what_leaves_patients(study, outcome)
            )
            yield Problem(file=PLACE, column="outcomes", found=counted(design.n), wanted=wanted)
            continue
        if early := events_at_0_alone(design):
            wanted = (
                f"an event after time 0 is wanted for {outcome.name!r} among those with all covariates; "
                "all of theirs have the time 0"
            )
            yield Problem(file=PLACE, column="outcomes", found=f"{early} at 0", wanted=wanted)
            continue
        size, kind = design.effective_size, kind_of(outcome.kind)
        if size < kind.least and (not kind.limited or effective_size(outcome) >= kind.least):
            left_out = "; ".join(f"{reason}: {n}" for reason, n in design.left_out.to_numpy())
            why = f" (left out: {left_out})" if left_out else ""
            wanted = (
                f"the outcome {outcome.name!r} has too few {kind.counted} to fit any regression: "
                f"no feature will be tested{why}"
            )
            yield Problem(file=PLACE, found=str(size), wanted=wanted, severity="warning")
        elif wide is None and size >= kind.least and (fault := kind.base_fault(design)):
            wanted = f"the outcome {outcome.name!r}: {fault}: no feature will be tested"
            yield Problem(file=PLACE, wanted=wanted, severity="warning")


def lost_patients(outcome: Outcome, everyone: WideDesign | None) -> Iterator[Problem]:
    """Covariates that so many lack that these are left out, though gaps are imputed."""
    from discovery.association.screen_words import RANKED_MISSING
    from discovery.cohort.incomplete_covariates import unimputable

    if everyone is None:
        return
    for name in unimputable(everyone):
        lacking, most = int(everyone.gaps[name].sum()), f"{100 * RANKED_MISSING:.0f} %"
        wanted = (
            f"{shown(name)} is missing in {lacking} of {counted(len(everyone.gaps))} with the outcome "
            f"{outcome.name!r}: in more than {most} it is not imputed, and those without it are left out of "
            "all adjusted models; leave it out of adjust_for to keep them"
        )
        yield Problem(file=PLACE, column="adjust_for", wanted=wanted, severity="warning")


def lost_terms(study: Study, outcome: Outcome, narrow: Design, wide: WideDesign | None) -> Iterator[Problem]:
    """What few patients with all covariates cannot say of the base model, though the others are imputed."""
    whole = () if wide is None else wide.design.terms
    kept = {term.name for term in narrow.terms}
    lost = [shown(term.name) for term in whole if term.covariate != "site" and term.name not in kept]
    if wide is not None and lost:
        wanted = (
            f"only {narrow.n} of {counted(wide.design.n)} with the outcome {outcome.name!r} have all "
            "covariates: curves, shapes, prediction, signatures and the model frozen for a second cohort do "
            f"without {', '.join(lost)}{what_leaves_patients(study, outcome)}"
        )
        yield Problem(file=PLACE, column="adjust_for", wanted=wanted, severity="warning")


def what_leaves_patients(study: Study, outcome: Outcome) -> str:
    """What to leave out of a base model that too few patients have all of, to end a sentence."""

    def left(names: Sequence[str], site: pd.Series | None) -> int:
        from discovery.association.design import build_design

        kept = study.covariates.drop(columns=list(names))
        try:
            return build_design(outcome, kept, study.features.iloc[:, :0], site=site).n
        except InputError:
            return 0

    gaps = study.covariates.loc[outcome.known].isna().sum()
    able = list(gaps[gaps > 0].sort_values(ascending=False, kind="stable").index)
    out: list[str] = []
    while able:
        n, best = max(((left([*out, name], study.site), name) for name in able), key=lambda found: found[0])
        out.append(best)
        able.remove(best)
        if n:
            names = " and ".join(shown(name) for name in out)
            return f": without {names} in adjust_for {counted(n)} would be left"
    if study.site is not None and (n := left([], None)):
        return f": without site {counted(n)} would be left, and sites would not be adjusted for"
    return ""


def events_at_0_alone(design: Design) -> int:
    """The events of a survival outcome where all of them are at time 0; 0 otherwise."""
    if design.time is None or design.event is None or (design.event * design.time).any():
        return 0
    return int(design.event.sum())


def effective_size(outcome: Outcome) -> int:
    """Events, or patients in the rarer class, among all with a known outcome."""
    from discovery.association.response import Response

    known = outcome.known
    everyone = np.ones((int(known.sum()), 1), dtype=bool)
    event = None if outcome.status is None else (outcome.status[known] == 1).astype(float)
    y = None if outcome.value is None else np.asarray(outcome.value, dtype=float)[known]
    return int(Response(kind=outcome.kind, y=y, event=event).effective_sizes(everyone)[0])


def with_leaks(
    flags: Mapping[tuple[str, str], Sequence[str]], study: Study
) -> dict[tuple[str, str], list[str]]:
    """`flags` of (outcome, feature), the suspected leaks first."""
    leaks = suspected_leaks(study.features, study.outcomes, study.settings.study.seed)
    found = {key: [flag] for key, flag in leaks.items()}
    for key, own in flags.items():
        found[key] = [*found.get(key, []), *own]
    return found
