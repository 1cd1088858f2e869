"""The built-in demo: a virtual cohort with known truth, measured and analysed like any other."""

from __future__ import annotations

from pathlib import Path

from discovery.pipeline.parallel import workers_here
from discovery.pipeline.progress import Progress, Silent
from discovery.pipeline.run import Result, run
from discovery.problems import InputError, Problem

PATIENTS = 240
TRUTH = "truth.json"


def demo(
    *,
    out: Path | str | None = None,
    cohort: Path | str | None = None,
    patients: int = PATIENTS,
    workers: int | None = None,
    cluster: str | None = None,
    progress: Progress | None = None,
) -> Result:
    """Make the virtual registry, then `run` it: raw waveforms in, report out.

    Parameters
    ----------
    out : folder for the results; `reports/demo` below the current folder otherwise
    cohort : folder for the cohort; beside the results, with "-cohort" behind their name, otherwise.
        What it holds is invented: patients, hospitals and numbers. `truth.json` says what drives what.
    patients : how many, from 8
    workers, cluster, progress : as for `run`

    Raises
    ------
    InputError
        The cohort's folder holds files that no earlier demo left there; too few patients; as for `run`.
    """
    from discovery.study.settings import available_cores
    from discovery.virtual.cohort import make_cohort

    progress = progress or Silent()
    results = Path(out) if out is not None else Path("reports") / "demo"
    folder = Path(cohort) if cohort is not None else results.parent / f"{results.name}-cohort"
    if folder.is_dir() and any(folder.iterdir()) and not (folder / TRUTH).exists():
        wanted = "an empty folder, a new one, or one of an earlier demo is wanted; nothing was overwritten"
        raise InputError([Problem(file=str(folder), found="other files", wanted=wanted)])
    progress.stage("making the virtual cohort")
    study = make_cohort(
        folder,
        patients=patients,
        workers=workers_here(workers or available_cores())[0],
        progress=progress.update,
    )
    return run(study, out=results, workers=workers, cluster=cluster, progress=progress)
