"""The main job: a study in, ranked markers, figures and a report out."""

from __future__ import annotations

import platform
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import pandas as pd

from discovery.pipeline.compile_ahead import compiling_ahead
from discovery.pipeline.compile_parts import RECORDINGS
from discovery.pipeline.doubts import refusal, screened, untested_table, with_doubts, with_leaks
from discovery.pipeline.drawing_ahead import DrawingAhead
from discovery.pipeline.folder import ResultsFolder
from discovery.pipeline.measure import Measured, measure_study
from discovery.pipeline.measured_files import shape_table, with_measured, write_tables
from discovery.pipeline.parallel import workers_at, workers_here
from discovery.pipeline.phenotypes import TABLES as PHENOTYPES
from discovery.pipeline.progress import Progress, Silent
from discovery.pipeline.why_missing import why_missing
from discovery.problems import InputError, named
from discovery.seeds import named_rng
from discovery.study import Study, read_study

if TYPE_CHECKING:
    from discovery.markers.frozen import FrozenFindings
    from discovery.report.settings import RunSettings
    from discovery.summaries.shape import ShapeComponents


@dataclass(frozen=True, kw_only=True)
class Result:
    """What a run made: `tables` by the name of their file without its ending, and where they are.

    `headlines` holds a sentence for each outcome, `remarks` what else the user should know that
    `check` could not tell.
    """

    folder: Path
    report: Path
    headlines: tuple[str, ...]
    tables: Mapping[str, pd.DataFrame]
    remarks: tuple[str, ...] = ()


def run(
    study: Path | str | Study,
    *,
    out: Path | str | None = None,
    workers: int | None = None,
    cluster: str | None = None,
    progress: Progress | None = None,
) -> Result:
    """Analyse `study` and write the results.

    Parameters
    ----------
    study : path of a study file or of the folder that holds `study.toml`, or a Study
    out : folder for the results; `reports/<name>` below the current folder otherwise
    workers : cores to use, at most those there are; the study's own setting otherwise. The results do
        not depend on it.
    cluster : address of a Dask scheduler to work on several hosts
    progress : what to tell how far the work is

    Returns
    -------
    Result

    Raises
    ------
    InputError
        Every problem of the input at once, before any work and with nothing written.
    """
    from discovery.markers.frozen_file import write_frozen
    from discovery.pipeline.masking import masked, masked_frozen, said
    from discovery.pipeline.sensitivity import reliable_patients

    began = time.monotonic()
    progress = progress or Silent()
    progress.stage("reading the study")
    study = study if isinstance(study, Study) else read_study(study)
    require_outcome(study)
    study = with_doubts(study)
    known = set(study.warnings)
    folder = ResultsFolder(out, study.settings.study.name, foreign="replication.csv")
    workers, fewer = workers_here(workers or study.settings.analysis.workers)
    remarks = [fewer] if fewer and cluster is None else []
    measured: Measured | None = None
    notes: list[str] = []
    here = workers if cluster is None else 1
    with DrawingAhead(workers) as drawing:
        with workers_at(cluster), compiling_ahead(study, workers=here) as compiling:
            if study.settings.recordings is not None:
                compiling.wait(progress, RECORDINGS)
                measured = measure_study(
                    study,
                    workers=workers,
                    pictures=True,
                    progress=progress,
                    when_read=drawing.begin if cluster is None else None,
                )
                study, notes = with_measured(study, measured)
                remarks += [problem.sentence() for problem in study.warnings if problem not in known]
            compiling.wait(progress)
            tables, settings, frozen, private, more = analyse(
                study, workers=workers, progress=progress, notes=notes,
                reliability=None if measured is None else measured.reliability,
                reliable=None if measured is None else reliable_patients(measured.quality, measured.windows),
                shape=None if measured is None else measured.shape,
            )  # fmt: skip
            if measured is not None:
                tables |= shape_table(measured)
                tables["why_missing"] = why_missing(measured, study.patients.index)
        tables, settings = masked(tables, settings, study)
        remarks += [*more, *folder.open()]
        if measured is not None:
            write_tables(folder, measured, sites="sampling_sites.csv")
            progress.stage("drawing recordings")
            drawing.into(folder, measured)
    started = {
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
        "host": platform.node(),
        "workers": workers,
    }
    limit = study.settings.analysis.suppress_below
    frozen = masked_frozen(frozen, limit)
    write_frozen(frozen, folder.path / "frozen.json")
    for name, frame in private.items():
        folder.private(name, frame)
    headlines = write_results(folder, study, tables, settings, progress, started, began)
    progress.close()
    return Result(
        folder=folder.path,
        report=folder.path / "index.html",
        headlines=headlines,
        tables=tables,
        remarks=tuple(said(remark, limit, (len(study.patients),)) for remark in remarks),
    )


class Analysed(NamedTuple):
    """What `analyse` gives: tables to be shared, what the report says, what is frozen for a second cohort,
    tables with a row a patient by file name, and what the user should know of it at once."""

    tables: dict[str, pd.DataFrame]
    settings: RunSettings
    frozen: FrozenFindings
    private: dict[str, pd.DataFrame]
    remarks: list[str]


def require_outcome(study: Study) -> None:
    problem = refusal(study)
    if problem is not None:
        raise InputError([problem])


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
    from joblib import Parallel, delayed

    from discovery.association.design import design_of
    from discovery.association.screen import adjust_screens, screen
    from discovery.markers.families_overview import families_overview
    from discovery.markers.freeze import withheld
    from discovery.markers.table import rank_markers
    from discovery.pipeline.closer_look import closer_look, handled_hazards, more_survival
    from discovery.pipeline.describe import describe_cohort, flow_of
    from discovery.pipeline.etiology_identification import identification_tables
    from discovery.pipeline.frozen_findings import definitions, frozen_findings
    from discovery.pipeline.groups_compared import with_groups_compared
    from discovery.pipeline.horizons import horizon_notes
    from discovery.pipeline.imputation import impute_screens, tipping_table
    from discovery.pipeline.known_reliability import known_reliability
    from discovery.pipeline.leading import leading_features, leading_tables
    from discovery.pipeline.phenotypes import find_phenotypes
    from discovery.pipeline.second_phenotypes import phenotypes_to_freeze
    from discovery.pipeline.sensitivity import sensitivity_table
    from discovery.pipeline.settings import run_settings
    from discovery.pipeline.signatures import signature_tables
    from discovery.pipeline.survival_wing import (
        follow_up_of,
        hazard_flags,
        hazards_over_time,
        late_start_notes,
        named_causes,
        survival_tables,
    )

    analysis, seed = study.settings.analysis, study.settings.study.seed
    left_aside = untested_table(study)
    notes = [*notes, *left_aside["sentence"]]
    progress.stage("describing the cohort")
    designs = [design_of(study, outcome) for outcome in screened(study)]
    tables = describe_cohort(study, designs) | {"untested": left_aside}

    progress.stage("testing every feature")
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
    analysed = imputed.analysed(designs)
    notes += [note for design in analysed for note in design.notes]
    notes += imputed.notes
    tables["attrition"] = flow_of(study, analysed)
    screens = adjust_screens(imputed.screens, multiplicity=analysis.multiplicity, fdr=analysis.fdr)
    ordered = [screens[design.outcome] for design in designs]

    hazards = hazards_over_time(designs, ordered, analysis.fdr)
    notes += late_start_notes(designs) + horizon_notes(study, designs)

    progress.stage("ranking: bootstrap draws")
    markers = rank_markers(
        designs,
        ordered,
        seed=seed,
        labels=study.labels,
        fdr=analysis.fdr,
        replicates=analysis.replicates,
        workers=workers,
        flags=with_leaks(hazard_flags(hazards), study),
        completed=imputed.completed,
        wider=imputed.wider,
        confirm=analysis.confirmed_order,
        progress=progress.update,
        **known_reliability(reliability),
    )
    notes += markers.notes
    tables |= {
        "markers": markers.table,
        "associations": pd.concat([named_causes(study, s) for s in ordered], ignore_index=True).astype(
            {"events": "Int64"}
        ),
        "families": markers.families,
        "families_overview": families_overview(markers.families, markers.table),
        "leave_one_site_out": markers.sites,
        "correlations": markers.correlations,
        "excluded_features": study.excluded_features,
        "imputation": imputed.table,
        "tipping_points": tipping_table(study, designs, imputed, markers.table, workers=workers),
    }
    leading = {design.outcome: leading_features(markers.table, design.outcome) for design in designs}
    tables |= leading_tables(leading, designs, study.labels, notes)
    tables |= etiology_table(study, notes)
    tables |= survival_tables(study, designs, leading, hazards)
    tables["follow_up"] = follow_up_of(study, analysed)
    tables["survival"] = more_survival(study, designs, leading, tables["survival"])
    tables |= {"proportional_hazards": handled_hazards(hazards, tables["survival"])}
    tables["survival"] = with_groups_compared(study, designs, tables["survival"])
    progress.stage("a closer look at the leading features")
    tables |= closer_look(study, designs, leading, notes)
    progress.stage("signatures: the search repeated in bootstrap draws")
    tables |= signature_tables(study, designs, workers=workers, progress=progress)
    progress.stage("sensitivity analyses")
    tables["sensitivity"] = sensitivity_table(
        study, markers.table, analysed, imputed, reliable, workers=workers
    )
    if study.etiology is not None:
        progress.stage("telling the etiologies apart")
    tables |= identification_tables(study, workers=workers)
    progress.stage("who is alike")
    groups = find_phenotypes(study, designs, workers=workers, notes=notes, shape=shape)
    if groups is not None:
        tables |= groups.tables
    held_back = withheld(designs, markers.table, tables, analysis.freeze)
    notes += held_back
    settings = run_settings(study, analysed, ordered, tables, notes, complete=designs)
    frozen = frozen_findings(study, designs, ordered, tables, settings.versions, imputed)
    if groups is None:
        return Analysed(tables, settings, frozen, {}, held_back)
    kept = phenotypes_to_freeze(groups.model, study, definitions(study))
    frozen = frozen.model_copy(update={"phenotypes": kept})
    return Analysed(tables, settings, frozen, {"phenotypes.parquet": groups.patients}, held_back)


def etiology_table(study: Study, notes: list[str]) -> dict[str, pd.DataFrame]:
    """How the etiologies differ, adjusted; nothing where the study names none, or too few."""
    from discovery.association.etiology import etiology_profiles
    from discovery.association.etiology_contrasts import etiology_contrasts

    if study.etiology is None:
        return {}
    try:
        found = etiology_profiles(
            study.etiology,
            study.covariates,
            study.features,
            site=study.site,
            winsor=study.settings.analysis.winsor,
        )
    except InputError as fault:
        notes.append(f"No etiology profiles: {fault.problems[0].sentence()}.")
        return {}
    notes.extend(found.notes)
    return {
        "etiologies": found.table,
        "etiology_contrasts": etiology_contrasts(
            study.etiology,
            study.covariates,
            study.features,
            found.table.drop_duplicates("feature").set_index("feature")["p_omnibus"],
            site=study.site,
            winsor=study.settings.analysis.winsor,
        ),
    }


RESULT_FILES = (
    "markers", "associations", "families", "families_overview", "etiologies", "etiology_contrasts",
    "etiology_model", "etiology_classes", "etiology_confusion", "baseline", "missing", "missing_patterns",
    "why_missing", "imputation", "tipping_points", "attrition", "sites",
    "site_shift", "leave_one_site_out", "excluded_features", "survival", "follow_up", "proportional_hazards",
    *PHENOTYPES, "sensitivity", "signature", "signature_performance", "decision_curves",
    "prediction", "shapes", "effect_modification", "site_meta_analysis",
)  # fmt: skip


def write_results(
    folder: ResultsFolder, study: Study, tables, settings, progress, started, began
) -> tuple[str, ...]:
    """Every file of the results folder, the manifest last; returns a sentence for each outcome."""
    from discovery.figures.standard import draw_study_figures
    from discovery.report.baseline_files import write_baseline_files
    from discovery.report.class_effects import with_shown_effects
    from discovery.report.headline import headline
    from discovery.report.html import write_report
    from discovery.report.manifest import write_manifest
    from discovery.report.shown_names import with_names

    for name in RESULT_FILES:
        if len(tables.get(name, ())):
            folder.table(f"{name}.csv", tables[name])
    tables, shown = with_names({**tables, "markers": with_shown_effects(tables["markers"])}, settings)
    write_baseline_files(tables["baseline"], shown, folder.path)
    progress.stage("drawing figures")
    figures = draw_study_figures(tables, shown, folder.path / "figures", workers=started["workers"])
    progress.stage("writing the report")
    write_report(tables, shown, figures, folder.path)
    asked = study.settings.model_dump(mode="json")
    took = {"seconds": round(time.monotonic() - began, 1)}
    write_manifest(settings, asked, folder.path, run=started | took)
    heads = [headline(tables["markers"], outcome, settings) for outcome in settings.outcomes]
    return tuple(
        " ".join(filter(None, [f"{named(outcome.label)}: {head.found}", head.beware]))
        for outcome, head in zip(settings.outcomes, heads)
    )
