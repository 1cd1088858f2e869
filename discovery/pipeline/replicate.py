"""Frozen findings tested in a second cohort: tables, a figure, a page."""

from __future__ import annotations

import platform
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import pandas as pd

from discovery.pipeline.folder import ResultsFolder
from discovery.pipeline.frozen_findings import definitions
from discovery.pipeline.masking import said
from discovery.pipeline.measure import measure_study
from discovery.pipeline.measured_files import with_measured, write_tables
from discovery.pipeline.parallel import workers_at, workers_here
from discovery.pipeline.progress import Progress, Silent
from discovery.pipeline.second_inputs import read_both, with_flat
from discovery.pipeline.second_masking import masked_replication, remarks_of
from discovery.pipeline.second_phenotypes import SecondPhenotypes, replicate_phenotypes
from discovery.study import Study

if TYPE_CHECKING:
    from discovery.markers.frozen import FrozenFindings
    from discovery.phenotypes import Phenotypes
    from discovery.report.replication_page import ReplicationRun


@dataclass(frozen=True, kw_only=True)
class ReplicationResult:
    """`tables`: "replication" (a row a finding), "shift", "model_performance", "signature_performance",
    "phenotype_replication", "axis_replication"."""

    folder: Path
    report: Path
    headline: str
    tables: Mapping[str, pd.DataFrame]
    remarks: tuple[str, ...] = ()


def replicate(
    frozen: Path | str,
    study: Path | str | Study,
    *,
    out: Path | str | None = None,
    workers: int | None = None,
    cluster: str | None = None,
    progress: Progress | None = None,
) -> ReplicationResult:
    """Test the findings of a `frozen.json` in `study`, and nothing else.

    Parameters
    ----------
    frozen : the file that a run of the first cohort wrote
    study : path of the second cohort's study file, or a Study
    out : folder for the results; `reports/<name>_replication` below the current folder otherwise

    Raises
    ------
    InputError
        A file that is not ours, or any difference that would make it another test: everything at once,
        before any outcome is looked at and with nothing written.
    """
    from discovery.files import sha256
    from discovery.markers.second_differences import require_same
    from discovery.report.replication_page import replication_headline, write_replication_page

    began = time.monotonic()
    progress = progress or Silent()
    progress.stage("reading the frozen findings and the study")
    findings, phenotypes, study = read_both(frozen, study)
    name = f"{study.settings.study.name}_replication"
    folder = ResultsFolder(out, name, foreign="markers.csv")
    workers, fewer = workers_here(workers or study.settings.analysis.workers)
    remarks = [fewer] if fewer and cluster is None else []
    measured = None
    with workers_at(cluster):
        if study.settings.recordings is not None:
            measured = measure_study(study, workers=workers, progress=progress)
            study, notes = with_measured(study, measured)
            remarks += notes
    study = with_flat(study)
    known = definitions(study)
    require_same(findings, study, known)
    progress.stage("testing the frozen findings")
    tested = _tested(findings, phenotypes, study, known)
    remarks += [*tested.remarks, *folder.open()]
    if measured is not None:
        write_tables(folder, measured, sites="sampling_sites.csv")
    _write_tables(folder, tested)
    progress.stage("writing the report")
    run = _described(name, findings, study, tested, remarks, sha256(frozen))
    figures = _figures(tested.tables["replication"], run.labels, folder.path / "figures")
    write_replication_page(run, tested.tables, figures, folder.path)
    _write_manifest(folder, run, study, workers, began)
    progress.close()
    return ReplicationResult(
        folder=folder.path,
        report=folder.path / "index.html",
        headline=replication_headline(tested.findings, run.labels),
        tables=tested.tables,
        remarks=run.remarks,
    )


class _Tested(NamedTuple):
    """The `tables` to be shared, and the `findings` before anything in them is masked; `signatures` has a
    sentence for each that was frozen."""

    tables: dict[str, pd.DataFrame]
    findings: pd.DataFrame
    signatures: tuple[str, ...]
    groups: SecondPhenotypes
    remarks: list[str]


def _tested(
    findings: FrozenFindings, phenotypes: Phenotypes | None, study: Study, known: Mapping[str, str]
) -> _Tested:
    """The frozen findings, signatures and phenotypes in the second cohort; `known`: definitions of its
    features."""
    from discovery.markers.second_cohort import replicate_findings
    from discovery.markers.second_signature import judge_signatures

    found = replicate_findings(findings, study, known)
    signatures = judge_signatures(findings, study)
    limit = study.settings.analysis.suppress_below
    groups = replicate_phenotypes(phenotypes, study, suppress_below=limit)
    tables = {
        "replication": found.findings,
        "shift": found.shift,
        "model_performance": found.models,
        "signature_performance": signatures.table,
        "phenotype_replication": groups.groups,
        "axis_replication": groups.axes,
    }
    tables = masked_replication(tables, study)
    remarks = remarks_of(found, tables["shift"], study)
    sentences = tuple(said(text, limit) for text in signatures.sentences)
    return _Tested(tables, found.findings, sentences, groups, remarks)


def _write_tables(folder: ResultsFolder, tested: _Tested) -> None:
    for key, table in tested.tables.items():
        if len(table):
            folder.table(f"{key}.csv", table)
    if len(tested.groups.patients):
        folder.private("phenotypes.parquet", tested.groups.patients)


def _described(
    name: str, findings: FrozenFindings, study: Study, tested: _Tested, remarks: list[str], frozen_hash: str
) -> ReplicationRun:
    """What the page says of the two cohorts."""
    from discovery.pipeline.settings import versions
    from discovery.report.doubts_view import doubts_in_lines
    from discovery.report.replication_page import ReplicationRun

    about, limit = study.settings.study, study.settings.analysis.suppress_below
    return ReplicationRun(
        name=name,
        title=about.title or about.name,
        first=findings.title or findings.study,
        n_first=findings.n_patients,
        n_second=len(study.patients),
        alpha=findings.rules.alpha,
        labels={outcome.name: outcome.label for outcome in findings.outcomes},
        remarks=tuple(dict.fromkeys(remarks)),
        problems=tuple(said(line, limit) for line in doubts_in_lines(study.warnings)),
        input_hashes=study.input_hashes,
        frozen_hash=frozen_hash,
        signatures=tested.signatures,
        phenotypes=tested.groups.sentences,
        completed=all(outcome.completion or not outcome.terms for outcome in findings.outcomes),
        versions=versions(),
    )


def _write_manifest(
    folder: ResultsFolder, run: ReplicationRun, study: Study, workers: int, began: float
) -> None:
    from discovery.report.manifest import write_replication_manifest

    write_replication_manifest(
        folder.path,
        name=run.name,
        seed=study.settings.study.seed,
        inputs={"frozen.json": run.frozen_hash, **study.input_hashes},
        study=study.settings.model_dump(mode="json"),
        versions=run.versions,
        run={
            "finished": datetime.now(UTC).isoformat(timespec="seconds"),
            "host": platform.node(),
            "workers": workers,
            "seconds": round(time.monotonic() - began, 1),
        },
    )


def _figures(findings: pd.DataFrame, labels: Mapping[str, str], folder: Path):
    """One figure an outcome, since each has its own effect measure."""
    from discovery.figures.replication import COLUMNS, draw_replication
    from discovery.figures.save import save_figure
    from discovery.report.replication_page import figure_caption

    out = []
    for outcome, rows in findings.groupby("outcome", sort=False) if len(findings) else ():
        title = f"Replication: {labels.get(str(outcome), outcome)}"
        draw = partial(draw_replication, title=title)
        table = rows[list(COLUMNS)].reset_index(drop=True)
        out.append(save_figure(f"{outcome}_replication", draw, table, folder, title=title,
                               caption=figure_caption(rows), outcome=str(outcome)))  # fmt: skip
    return out
