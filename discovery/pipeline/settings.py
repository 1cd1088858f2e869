"""What the report says of a run, taken from the study and from what was fitted."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version

import numpy as np

from discovery import __version__
from discovery.association.design import Design
from discovery.association.screen import Screen
from discovery.pipeline.survival_wing import cause_names
from discovery.report.settings import OutcomeRun, RunSettings
from discovery.study import Outcome, Study
from discovery.survival.curves import median, reverse_kaplan_meier

LIBRARIES = (
    "numpy",
    "scipy",
    "pandas",
    "numba",
    "scikit-learn",
    "statsmodels",
    "lifelines",
    "matplotlib",
    "pyarrow",
)


def run_settings(
    study: Study, designs: Sequence[Design], screens: Sequence[Screen], notes: Sequence[str], top: int
) -> RunSettings:
    settings = study.settings
    analysis = settings.analysis
    outcomes = {outcome.name: outcome for outcome in study.outcomes}
    return RunSettings(
        name=settings.study.name,
        title=settings.study.title or settings.study.name,
        seed=settings.study.seed,
        n_patients=len(study.patients),
        n_features=study.features.shape[1],
        outcomes=tuple(outcome_run(study, outcomes[d.outcome], d, s) for d, s in zip(designs, screens)),
        covariates=tuple(study.covariates.columns),
        site=settings.patients.site,
        sites=0 if study.site is None else int(study.site.nunique()),
        etiology=settings.patients.etiology,
        fdr=analysis.fdr,
        multiplicity=analysis.multiplicity,
        winsor=analysis.winsor or None,
        shape=analysis.shape,
        replicates=analysis.replicates,
        permutations=analysis.permutations,
        imputations=0,  # complete cases feature by feature: nothing is imputed
        top=top,
        files=tuple(study.input_hashes),
        input_hashes=study.input_hashes,
        versions=versions(),
        problems=study.warnings,
        notes=tuple(dict.fromkeys(notes)),
    )


def outcome_run(study: Study, outcome: Outcome, design: Design, screen: Screen) -> OutcomeRun:
    events, competing, follow_up = None, {}, None
    if design.kind == "survival":
        status = np.asarray(design.status)
        events = int((status == 1).sum())
        names = cause_names(study, outcome.name)
        competing = {names[k]: int((status == k).sum()) for k in design.causes if k != design.cause}
        follow_up = float(median(reverse_kaplan_meier(design.time, status > 0, entry=design.entry)).estimate)
    elif design.kind == "binary":
        events = int(np.asarray(design.y).sum())
    return OutcomeRun(
        name=outcome.name,
        label=outcome.label,
        kind=outcome.kind,
        n=design.n,
        events=events,
        competing=competing,
        unit="" if design.kind == "survival" else outcome.unit,
        time_unit=outcome.unit if design.kind == "survival" else "",
        delayed_entry=design.entry is not None,
        firth=bool(screen.firth.all()),
        base_terms=design.base.shape[1],
        median_follow_up=follow_up if follow_up is not None and np.isfinite(follow_up) else None,
    )


def versions() -> dict[str, str]:
    found = {"discovery": __version__, "python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found
