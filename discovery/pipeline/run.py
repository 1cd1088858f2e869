"""The main job: a study in, ranked markers, figures and a report out."""

from __future__ import annotations

import platform
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from discovery.pipeline.analysis import analyse
from discovery.pipeline.compile_ahead import compiling_ahead
from discovery.pipeline.compile_parts import RECORDINGS
from discovery.pipeline.doubts import refusal, with_doubts
from discovery.pipeline.drawing_ahead import DrawingAhead
from discovery.pipeline.folder import ResultsFolder
from discovery.pipeline.measure import Measured, measure_study
from discovery.pipeline.measured_files import shape_table, with_measured, write_tables
from discovery.pipeline.parallel import workers_at, workers_here
from discovery.pipeline.phenotypes import TABLES as PHENOTYPES
from discovery.pipeline.progress import Progress, Silent
from discovery.pipeline.why_missing import why_missing
from discovery.problems import InputError, named
from discovery.study import Study, read_study


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
        tables, settings = masked(tables, settings, study, private.get("phenotypes.parquet"))
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
    frozen = masked_frozen(frozen, limit, study.features)
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


def require_outcome(study: Study) -> None:
    problem = refusal(study)
    if problem is not None:
        raise InputError([problem])


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
