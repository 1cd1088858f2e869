"""Everything that a run computes: its stages in their order, each from the study and the tables before it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import pandas as pd

from discovery.pipeline.doubts import screened, untested_table, with_leaks
from discovery.pipeline.progress import Progress
from discovery.problems import InputError
from discovery.seeds import named_rng
from discovery.study import Study

if TYPE_CHECKING:
    from discovery.association.design import Design
    from discovery.association.screen import Screen
    from discovery.markers.frozen import FrozenFindings
    from discovery.pipeline.imputation import ImputedScreens
    from discovery.pipeline.known_reliability import KnownReliability
    from discovery.pipeline.phenotypes import Found
    from discovery.report.settings import RunSettings
    from discovery.summaries.shape import ShapeComponents

Tables = dict[str, pd.DataFrame]


class Analysed(NamedTuple):
    """What `analyse` gives: tables to be shared, what the report says, what is frozen for a second cohort,
    tables with a row a patient by file name, and what the user should know of it at once."""

    tables: Tables
    settings: RunSettings
    frozen: FrozenFindings
    private: Tables
    remarks: list[str]


@dataclass(frozen=True, kw_only=True)
class Tested:
    """The outcomes of `study`, one after another: `designs` of the patients with all covariates, in the units
    of `analysed`, those that estimates and ranks are of; `screens` pooled where values were `imputed`."""

    study: Study
    designs: list[Design]
    analysed: list[Design]
    screens: list[Screen]
    imputed: ImputedScreens

    @property
    def notes(self) -> list[str]:
        return [*(note for design in self.analysed for note in design.notes), *self.imputed.notes]


def analyse(
    study: Study,
    *,
    workers: int,
    progress: Progress,
    notes: Sequence[str] = (),
    reliability: pd.DataFrame | None = None,
    reliable: pd.Series | None = None,
    shape: ShapeComponents | None = None,
) -> Analysed:
    """Everything that a run computes; `notes` come first in the report. Writes nothing.

    reliability : of the measured features, as `reliability.csv` holds it; reliable : bool
    by patient id, whose recordings were nearly all usable; shape : the components of the measured beat
    """
    from discovery.association.design import design_of
    from discovery.pipeline.describe import describe_cohort, flow_of
    from discovery.pipeline.etiology_identification import identification_tables
    from discovery.pipeline.horizons import horizon_notes
    from discovery.pipeline.known_reliability import known_reliability
    from discovery.pipeline.phenotypes import find_phenotypes
    from discovery.pipeline.sensitivity import sensitivity_table
    from discovery.pipeline.signatures import signature_tables
    from discovery.pipeline.survival_wing import hazards_over_time, late_start_notes

    left_aside = untested_table(study)
    notes = [*notes, *left_aside["sentence"]]
    progress.stage("describing the cohort")
    designs = [design_of(study, outcome) for outcome in screened(study)]
    tables = describe_cohort(study, designs) | {"untested": left_aside}
    progress.stage("testing every feature")
    tested = tested_features(study, designs, workers=workers, progress=progress)
    designs = tested.designs
    notes += tested.notes
    tables["attrition"] = flow_of(study, tested.analysed)
    hazards = hazards_over_time(designs, tested.screens, study.settings.analysis.fdr)
    notes += late_start_notes(designs) + horizon_notes(study, designs)
    progress.stage("ranking: bootstrap draws")
    known = known_reliability(reliability)
    tables |= ranking_tables(tested, hazards, known, notes, workers=workers, progress=progress)
    tables |= tables_of_leaders(tested, tables["markers"], hazards, notes, progress)
    progress.stage("signatures: the search repeated in bootstrap draws")
    tables |= signature_tables(study, designs, tables["markers"], workers=workers, progress=progress)
    progress.stage("sensitivity analyses")
    tables["sensitivity"] = sensitivity_table(
        study, tables["markers"], tested.analysed, tested.imputed, reliable, workers=workers
    )
    if study.etiology is not None:
        progress.stage("telling the etiologies apart")
    tables |= identification_tables(study, workers=workers)
    progress.stage("who is alike")
    groups = find_phenotypes(study, designs, workers=workers, notes=notes, shape=shape)
    if groups is not None:
        tables |= groups.tables
    return with_frozen(tested, tables, notes, groups)


def tested_features(study: Study, designs: list[Design], *, workers: int, progress: Progress) -> Tested:
    """Every feature against every outcome, with missing values imputed and q-values over all."""
    from joblib import Parallel, delayed

    from discovery.association.screen import adjust_screens, screen
    from discovery.pipeline.imputation import impute_screens

    analysis, seed = study.settings.analysis, study.settings.study.seed
    pool = Parallel(n_jobs=workers, prefer="threads", return_as="generator")
    screens = {}
    for one in pool(
        delayed(screen)(
            design,
            fdr=analysis.fdr,
            multiplicity=analysis.multiplicity,
            shape=analysis.shape,
            permutations=analysis.permutations,
            rng=named_rng(seed, "association", design.outcome, "permutations"),
        )
        for design in designs
    ):
        screens[one.outcome] = one
        progress.update(len(screens), len(designs))
    imputed = impute_screens(study, designs, screens, workers=workers)
    screens = adjust_screens(imputed.screens, multiplicity=analysis.multiplicity, fdr=analysis.fdr)
    analysed = imputed.analysed(designs)
    return Tested(
        study=study,
        designs=[own.in_units_of(whole) for own, whole in zip(designs, analysed)],
        analysed=analysed,
        screens=[screens[design.outcome] for design in designs],
        imputed=imputed,
    )


def ranking_tables(
    tested: Tested,
    hazards: pd.DataFrame,
    reliability: KnownReliability,
    notes: list[str],
    *,
    workers: int,
    progress: Progress,
) -> Tables:
    """The ranked markers and what they rest on; `reliability` as `rank_markers` takes it."""
    from discovery.markers.families_overview import families_overview
    from discovery.markers.table import rank_markers
    from discovery.pipeline.imputation import tipping_table
    from discovery.pipeline.survival_wing import hazard_flags, named_causes

    study, designs, imputed = tested.study, tested.designs, tested.imputed
    analysis = study.settings.analysis
    markers = rank_markers(
        designs,
        tested.screens,
        seed=study.settings.study.seed,
        labels=study.labels,
        fdr=analysis.fdr,
        replicates=analysis.replicates,
        workers=workers,
        flags=with_leaks(hazard_flags(hazards), study),
        completed=imputed.completed,
        wider=imputed.wider,
        confirm=analysis.confirmed_order,
        progress=progress.update,
        **reliability,
    )
    notes += markers.notes
    associations = pd.concat([named_causes(study, one) for one in tested.screens], ignore_index=True)
    return {
        "markers": markers.table,
        "associations": associations.astype({"events": "Int64"}),
        "families": markers.families,
        "families_overview": families_overview(markers.families, markers.table),
        "leave_one_site_out": markers.sites,
        "correlations": markers.correlations,
        "excluded_features": study.excluded_features,
        "imputation": imputed.table,
        "tipping_points": tipping_table(study, designs, imputed, markers.table, workers=workers),
    }


def tables_of_leaders(
    tested: Tested, markers: pd.DataFrame, hazards: pd.DataFrame, notes: list[str], progress: Progress
) -> Tables:
    """Curves, survival and a closer look at the leading features of each outcome; the etiologies."""
    from discovery.pipeline.closer_look import closer_look, handled_hazards, more_survival
    from discovery.pipeline.groups_compared import with_groups_compared
    from discovery.pipeline.leading import leading_features, leading_tables
    from discovery.pipeline.survival_wing import follow_up_of, survival_tables

    study, designs = tested.study, tested.designs
    leading = {design.outcome: leading_features(markers, design.outcome) for design in designs}
    tables = leading_tables(leading, designs, study.labels, notes)
    tables |= etiology_table(study, notes)
    tables |= survival_tables(study, designs, leading, hazards)
    tables["follow_up"] = follow_up_of(study, tested.analysed)
    survival = more_survival(study, designs, leading, tables["survival"])
    tables["proportional_hazards"] = handled_hazards(hazards, survival)
    tables["survival"] = with_groups_compared(study, designs, survival)
    progress.stage("a closer look at the leading features")
    return tables | closer_look(study, designs, leading, notes)


def with_frozen(tested: Tested, tables: Tables, notes: list[str], groups: Found | None) -> Analysed:
    """The tables with what the report says of the run, and what is frozen of them for a second cohort."""
    from discovery.markers.freeze import withheld
    from discovery.pipeline.frozen_findings import definitions, frozen_findings
    from discovery.pipeline.second_phenotypes import phenotypes_to_freeze
    from discovery.pipeline.settings import run_settings

    study, designs = tested.study, tested.designs
    held_back = withheld(designs, tables["markers"], study.settings.analysis.freeze)
    notes += held_back
    settings = run_settings(study, tested.analysed, tested.screens, tables, notes, complete=designs)
    frozen = frozen_findings(study, designs, tested.screens, tables, settings.versions, tested.imputed)
    if groups is None:
        return Analysed(tables, settings, frozen, {}, held_back)
    kept = phenotypes_to_freeze(groups.model, study, definitions(study))
    frozen = frozen.model_copy(update={"phenotypes": kept})
    return Analysed(tables, settings, frozen, {"phenotypes.parquet": groups.patients}, held_back)


def etiology_table(study: Study, notes: list[str]) -> dict[str, pd.DataFrame]:
    """How the etiologies differ, adjusted; nothing where the study names none, or too few."""
    from discovery.association.etiology import etiology_profiles, without_rare
    from discovery.association.etiology_contrasts import etiology_contrasts

    if study.etiology is None:
        return {}
    limit = study.settings.analysis.suppress_below
    etiology = without_rare(study.etiology, limit)
    try:
        found = etiology_profiles(
            etiology,
            study.covariates,
            study.features,
            site=study.site,
            winsor=study.settings.analysis.winsor,
        )
    except InputError as fault:
        why = f"two etiologies with {limit} patients or more are wanted"
        notes.append(f"No etiology profiles: {why if limit else fault.problems[0].sentence()}.")
        return {}
    notes.extend(found.notes)
    if not etiology.equals(study.etiology):
        notes.append(f"etiologies of fewer than {limit} patients are not compared: counts are masked")
    return {
        "etiologies": found.table,
        "etiology_contrasts": etiology_contrasts(
            etiology,
            study.covariates,
            study.features,
            found.table.drop_duplicates("feature").set_index("feature")["p_omnibus"],
            site=study.site,
            winsor=study.settings.analysis.winsor,
        ),
    }
