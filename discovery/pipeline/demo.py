"""The built-in demo: a virtual cohort with known truth, measured and analysed like any other."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from discovery.pipeline.parallel import workers_here
from discovery.pipeline.progress import Progress, Silent
from discovery.pipeline.run import Result, run
from discovery.problems import InputError, Problem

PATIENTS = 240
FEWEST, MOST = 24, 9999  # eight etiologies by three; with fewer no outcome could be tested
HOME = Path("cohorts") / "demo"


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
    cohort : folder for the cohort. Otherwise `cohorts/demo` below the current folder, or, where `out` is
        given, the folder beside it with "-cohort" behind its name. A cohort that an earlier demo of this
        version left there is used again, and so is a study file that stands there, as it stands. What it
        holds is invented: patients, hospitals and numbers. `truth.json` says what drives what.
    patients : how many, from 24 to 9999
    workers, cluster, progress : as for `run`

    Raises
    ------
    InputError
        Too few or too many patients; the cohort's folder holds files that are no demo's; as for `run`.
    """
    from discovery.study.settings import available_cores
    from discovery.virtual.cohort import STUDY_FILE, is_made, make_cohort

    progress = progress or Silent()
    results = Path(out) if out is not None else Path("reports") / "demo"
    beside = HOME if out is None else results.parent / f"{results.name}-cohort"
    folder = Path(cohort) if cohort is not None else beside
    problems = [*_number(patients), *_foreign(folder)]
    if problems:
        raise InputError(problems)
    if not is_made(folder, patients=patients):
        progress.stage("making the virtual cohort")
        make_cohort(
            folder,
            patients=patients,
            workers=workers_here(workers or available_cores())[0],
            keep=(STUDY_FILE, "README.md"),
            progress=progress.update,
        )
    remarks = [_edited(folder / STUDY_FILE)]
    result = run(folder / STUDY_FILE, out=results, workers=workers, cluster=cluster, progress=progress)
    return replace(result, remarks=(*(text for text in remarks if text), *result.remarks))


def _number(patients: int) -> list[Problem]:
    if FEWEST <= patients <= MOST:
        return []
    wanted = f"from {FEWEST} to {MOST} patients; with fewer than {FEWEST} no outcome could be tested"
    return [Problem(file="demo", column="patients", found=str(patients), wanted=wanted)]


def _foreign(folder: Path) -> list[Problem]:
    """A folder with files that no demo and no checkout of this project puts there."""
    from discovery.virtual.cohort import STUDY_FILE, TRUTH

    if folder.exists() and not folder.is_dir():
        return [Problem(file=str(folder), found="a file", wanted="a folder to write into is wanted")]
    if not folder.is_dir() or (folder / TRUTH).exists():
        return []
    others = sorted({path.name for path in folder.iterdir()} - {STUDY_FILE, "README.md"})
    mine = (folder / STUDY_FILE).exists() and 'name = "demo"' not in (folder / STUDY_FILE).read_text(
        encoding="utf-8", errors="replace"
    )
    if not others and not mine:
        return []
    wanted = "an empty folder, a new one, or one of an earlier demo is wanted; nothing was overwritten"
    return [Problem(file=str(folder), found="other files", wanted=wanted)]


def _edited(study: Path) -> str:
    from discovery.virtual.cohort import SEED
    from discovery.virtual.study_text import STUDY

    if study.read_text(encoding="utf-8", errors="replace") == STUDY.format(seed=SEED):
        return ""
    return f"{study} is not the demo's own study file; it was used as it stands."
