"""What the report says of a run, taken from the study and from what was fitted."""

from __future__ import annotations

import platform
from collections.abc import Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np
import pandas as pd

from discovery import __version__
from discovery.association.design import Design
from discovery.association.etiology import JOINT
from discovery.association.kinds import kind_of
from discovery.association.screen import Screen
from discovery.pipeline.closer_look import clock, closer_look_done, rules_in_words
from discovery.pipeline.imputation import covariates_imputed, imputations_made
from discovery.pipeline.leading import LEADING
from discovery.pipeline.phenotypes import search_run
from discovery.pipeline.survival_wing import cause_models, cause_names
from discovery.report.settings import ANALYSES, OutcomeRun, RunSettings
from discovery.study import Outcome, Study
from discovery.terms import PERMUTATION_FIRST

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
    study: Study,
    designs: Sequence[Design],
    screens: Sequence[Screen],
    tables: Mapping[str, pd.DataFrame],
    notes: Sequence[str],
    complete: Sequence[Design] = (),
) -> RunSettings:
    """What was asked for and, by the finished `tables`, what was done.

    designs : of the patients that estimates and ranks are of; complete : of those with all covariates
    """
    settings = study.settings
    narrow = {design.outcome: design for design in complete}
    analysis = settings.analysis
    outcomes = {outcome.name: outcome for outcome in study.outcomes}
    return RunSettings(
        name=settings.study.name,
        title=settings.study.title or settings.study.name,
        seed=settings.study.seed,
        n_patients=len(study.patients),
        n_features=study.features.shape[1],
        outcomes=tuple(
            outcome_run(study, outcomes[d.outcome], d, s, narrow.get(d.outcome, d), tables)
            for d, s in zip(designs, screens)
        ),
        covariates=tuple(study.covariates.columns),
        site=settings.patients.site,
        sites=0 if study.site is None else int(study.site.nunique()),
        adjust_more=settings.patients.adjust_more,
        etiology=settings.patients.etiology,
        fdr=analysis.fdr,
        multiplicity=analysis.multiplicity,
        winsor=analysis.winsor or None,
        shape=analysis.shape,
        replicates=analysis.replicates,
        permutations=analysis.permutations,
        imputations=imputations_made(tables),
        imputed_covariates=covariates_imputed(tables),
        column_names=settings.patients.labels,
        level_names=settings.patients.levels,
        feature_names=study.labels,
        top=largest(tables["markers"]["top_k"]),
        top_families=largest(tables["markers"]["family_top_k"]),
        leading=LEADING,
        eligibility=rules_in_words(settings),
        measured_at=settings.patients.measured_at or "",
        search=search_run(study),
        suppress_below=analysis.suppress_below,
        analyses=analyses_done(screens, tables, analysis.permutations),
        files=tuple(study.input_hashes),
        input_hashes=study.input_hashes,
        versions=versions(),
        problems=study.warnings,
        notes=tuple(dict.fromkeys(notes)),
    )


def largest(counts: pd.Series) -> int:
    """The largest of them, 0 where none is known."""
    return int(counts.max()) if counts.notna().any() else 0


def analyses_done(
    screens: Sequence[Screen], tables: Mapping[str, pd.DataFrame], permutations: int
) -> tuple[str, ...]:
    """Those of `ANALYSES` that left a result in the tables."""

    def known(table: str, column: str) -> bool:
        found = tables.get(table)
        return found is not None and column in found and bool(found[column].notna().any())

    survival, etiologies = tables.get("survival", pd.DataFrame()), tables.get("etiologies", pd.DataFrame())
    models = pd.Series(dtype=str)
    if "model" in survival:
        models = survival.loc[survival["estimate"].notna(), "model"]
    done = {
        "site checks": len(tables.get("leave_one_site_out", ())) > 0,
        "redundancy": known("markers", "p_given_lead"),
        "confirmed order": bool((tables["markers"]["confirmed_order"] != "").any()),
        "stability": known("markers", "distinct_share"),
        "shrinkage": known("markers", "lfsr"),
        "reliability": known("markers", "reliability"),
        "missing tests": known("missing", "p_value"),
        "proportional hazards": known("proportional_hazards", "p_value"),
        "by period": "part" in survival and bool((survival["part"] == "effect by period").any()),
        "subdistribution": bool(models.astype(str).str.startswith("subdistribution").any()),
        "phenotypes": len(tables.get("phenotype_words", ())) > 0,
        "signature": len(tables.get("signature_words", ())) > 0,
        "sensitivity": len(tables.get("sensitivity", ())) > 0,
        "etiologies": len(etiologies) > 0,
        "identification": len(tables.get("etiology_words", ())) > 0,
        "joint etiologies": len(etiologies) > 0 and etiologies["contrast"].str.startswith(JOINT).any(),
        "few events": permutations > 0 and any(fewest_events(s) < PERMUTATION_FIRST for s in screens),
    }
    done |= closer_look_done(tables)
    return tuple(name for name in ANALYSES if done[name])


def fewest_events(screen: Screen) -> float:
    """Events, or patients in the rarer class, of the model that has fewest; no limit when continuous."""
    if not kind_of(screen.kind).limited:
        return np.inf
    return float(min(screen.sizes[screen.assessed], default=np.inf))


def watched(tables: Mapping[str, pd.DataFrame], outcome: str) -> dict[str, Any]:
    """Median follow-up and its limits as `follow_up` has them, so that every text says the same numbers."""
    table = tables.get("follow_up", pd.DataFrame())
    found = table[table["outcome"] == outcome].dropna(subset="median_follow_up") if len(table) else table
    if not len(found):
        return {}
    row = found.iloc[0]
    limits = (float(row["follow_up_low"]), float(row["follow_up_high"]))
    return {"median_follow_up": float(row["median_follow_up"]), "follow_up_limits": limits}


def outcome_run(
    study: Study,
    outcome: Outcome,
    design: Design,
    screen: Screen,
    complete: Design,
    tables: Mapping[str, pd.DataFrame],
) -> OutcomeRun:
    events, competing = None, {}
    if design.kind == "survival":
        status = np.asarray(design.status)
        events = int((status == 1).sum())
        names = cause_names(study, outcome.name)
        competing = {names[k]: int((status == k).sum()) for k in design.causes if k != design.cause}
    elif design.kind in ("binary", "recurrent", "count"):
        events = int(np.asarray(design.y).sum())
    return OutcomeRun(
        name=outcome.name,
        label=outcome.label,
        kind=outcome.kind,
        n=design.n,
        events=events,
        competing=competing,
        cause_models=cause_models(study, outcome.name),
        unit="" if design.kind == "survival" else outcome.unit,
        time_unit=clock(outcome) if design.kind in ("survival", "recurrent") else "",
        landmark=outcome.landmark,
        delayed_entry=design.entry is not None,
        firth=bool(screen.firth.all()),
        base_terms=design.base.shape[1],
        **watched(tables, outcome.name),
        complete=(
            outcome_run(study, outcome, complete, screen, complete, {}) if complete.n < design.n else None
        ),
    )


def versions() -> dict[str, str]:
    found = {"discovery": __version__, "python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found
