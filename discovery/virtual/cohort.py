"""Make a whole invented registry: recordings, tables, study file, and the truth behind them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Collection
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from discovery.problems import InputError, Problem
from discovery.seeds import named_rng
from discovery.virtual.hospitals import HOSPITALS
from discovery.virtual.measurement import MMHG_PER_CM
from discovery.virtual.outcomes import (
    DRIVERS,
    FALL_PERCENT,
    SCALES,
    WEIBULL,
    draw_outcomes,
    draw_saturation_trend,
)
from discovery.virtual.people import Person, make_person
from discovery.virtual.study_text import README, STUDY
from discovery.virtual.truth import CARRIERS, DECOYS
from discovery.virtual.visits import (
    COUPLING_CENTRE,
    COUPLING_SPREAD,
    DURATION_S,
    TAU_CENTRE,
    TAU_SPREAD,
    Latent,
    record_visit,
)

if TYPE_CHECKING:
    import pandas as pd

SEED = 20261125
PATIENTS = 240
SIZE_UNKNOWN = 0.03
STUDY_FILE, TRUTH = "study.toml", "truth.json"


def make_cohort(
    folder: Path | str,
    *,
    patients: int = PATIENTS,
    seed: int = SEED,
    workers: int = 2,
    duration_s: float = DURATION_S,
    keep: Collection[str] = (),
    progress: Callable[[int, int], None] | None = None,
) -> Path:
    """Write a virtual right-heart catheter registry into `folder` and return its study file.

    Parameters
    ----------
    folder : path
        Made if absent. Files of a cohort that stand in it are written over, but for those in `keep`.
    patients : int
        From 8. Patient k is the same in every cohort of a seed.
    seed : int
        The same seed gives the same bytes, whatever `workers` is.
    workers : int
        Threads.
    duration_s : float
        Length of each recording.
    keep : names of files
        Of the study file and the README, those that stay as they are where they exist.
    progress : function of (done, all), optional
        Called after each patient.

    Returns
    -------
    Path
        `study.toml`. Beside it: patients.csv, desaturations.csv, svo2_trends.parquet, latent.csv, truth.json,
        README.md and recordings/ with index.csv and a WFDB record for each visit.

    Raises
    ------
    InputError
        Fewer than 8 patients, a seed below 0, a recording under 20 s, or a folder that is a file.
    """
    folder = Path(folder)
    problems = []
    for name, value, good, wanted in (
        ("patients", patients, isinstance(patients, int) and 8 <= patients <= 9999, "from 8 to 9999"),
        ("seed", seed, isinstance(seed, int) and 0 <= seed < 2**63, "a whole number of 0 or more"),
        ("workers", workers, isinstance(workers, int) and workers >= 1, "a whole number of 1 or more"),
        ("duration_s", duration_s, 20.0 <= duration_s <= 3600.0, "from 20 to 3600 s"),
    ):
        if not good:
            problems.append(Problem(file="virtual cohort", column=name, found=str(value), wanted=wanted))
    if folder.exists() and not folder.is_dir():
        problems.append(Problem(file=folder.name, found="a file", wanted="a folder to write into is wanted"))
    if problems:
        raise InputError(problems)
    recordings = folder / "recordings"
    recordings.mkdir(parents=True, exist_ok=True)

    from joblib import Parallel, delayed

    tasks = (delayed(_one_patient)(number, seed, recordings, duration_s) for number in range(1, patients + 1))
    made: list[tuple[Person, list[dict[str, Any]], dict[str, Any], Any]] = []
    for result in Parallel(n_jobs=workers, prefer="threads", return_as="generator")(tasks):
        made.append(result)
        if progress is not None:
            progress(len(made), patients)
    _write_tables(folder, made, seed)
    for name, text in (
        (STUDY_FILE, STUDY.format(seed=seed)),
        ("README.md", README),
        (TRUTH, truth_text(patients, seed, duration_s)),
    ):
        if name not in keep or not (folder / name).exists():
            (folder / name).write_text(text, encoding="utf-8", newline="\n")
    return folder / STUDY_FILE


def is_made(
    folder: Path | str, *, patients: int = PATIENTS, seed: int = SEED, duration_s: float = DURATION_S
) -> bool:
    """Whether `folder` holds all of just this cohort, made by just this generator."""
    folder = Path(folder)
    index = folder / "recordings" / "index.csv"
    try:
        if (folder / TRUTH).read_text(encoding="utf-8") != truth_text(patients, seed, duration_s):
            return False
        names = [line.split(",")[0] for line in index.read_text(encoding="utf-8").splitlines()[1:]]
    except (OSError, UnicodeDecodeError):
        return False
    wanted = [folder / name for name in (STUDY_FILE, "patients.csv", "desaturations.csv")]
    for name in names:
        header = folder / "recordings" / name
        wanted += [header, header.with_suffix(".dat")]
    return len(names) >= patients and all(path.is_file() for path in wanted)


def _one_patient(number: int, seed: int, recordings: Path, duration_s: float):
    person = make_person(number, seed)
    visits, first = [], None
    notes: dict[str, Any] = {}
    for visit in range(1, len(person.physiologies) + 1):
        file, latent, found = record_visit(person, visit, seed, recordings, duration_s)
        visits.append({"file": file, "visit": visit, "latent": latent})
        if first is None:
            first, notes = latent, found
    assert isinstance(first, Latent)
    outcomes = draw_outcomes(person, first, seed)
    trend = draw_saturation_trend(person, first, seed)
    return person, visits, {**notes, **outcomes}, trend


def _patient_row(person: Person, values: dict[str, Any], hours: float, seed: int) -> dict[str, Any]:
    rng = named_rng(seed, "virtual", "notes", person.patient_id)
    unknown = rng.uniform() < SIZE_UNKNOWN
    area = np.nan if unknown else round(person.body_surface_area_m2, 3)
    drugs = asdict(person.drugs)
    return {
        "patient_id": person.patient_id,
        "site": person.hospital.key,
        "etiology": person.etiology.key,
        "age_years": round(person.age_years, 1),
        "sex": person.sex,
        "height_cm": np.nan if unknown else round(person.height_cm, 1),
        "weight_kg": np.nan if unknown else round(person.weight_kg, 1),
        "body_surface_area_m2": area,
        "heart_rate_bpm": round(values["heart_rate_bpm"], 1),
        "rhythm": person.rhythms[0].kind.split("_")[0],
        "ventilation": person.breathings[0].mode,
        **{name: "yes" if taken else "no" for name, taken in drugs.items()},
        "cardiac_output_l_min": round(values["cardiac_output_l_min"], 2),
        "wedge_pressure_mmhg": round(values["wedge_pressure_mmhg"], 1),
        "arterial_saturation_percent": round(values["arterial_saturation_percent"], 1),
        "rv_failure": int(values["rv_failure"]),
        "entry_days": int(values["entry_days"]),
        "time_days": int(values["time_days"]),
        "status": int(values["status"]),
        "walk_distance_m": values["walk_distance_m"] if np.isnan(values["walk_distance_m"])
        else round(values["walk_distance_m"]),
        "monitored_hours": hours,
        "site_bruise": int(values["site_bruise"]),
        "long_stay": int(values["long_stay"]),
    }  # fmt: skip


def _write_tables(folder: Path, made: list, seed: int) -> None:
    import pandas as pd

    patient_rows, index_rows, latent_rows, episodes, trends = [], [], [], [], []
    for person, visits, values, (time, saturation, starts, hours) in made:
        patient_rows.append(_patient_row(person, values, hours, seed))
        rng = named_rng(seed, "virtual", "calendar", person.patient_id)
        day = np.datetime64("2031-01-06T09:00:00") + np.timedelta64(
            int(rng.integers(0, 700 * 24 * 6)) * 10, "m"
        )
        for item in visits:
            when = day + np.timedelta64(int((item["visit"] - 1) * rng.integers(80, 300)), "D")
            index_rows.append(
                {
                    "file": item["file"],
                    "patient_id": person.patient_id,
                    "visit": item["visit"],
                    "start": str(when),
                }
            )
            latent_rows.append(
                {"patient_id": person.patient_id, "visit": item["visit"], **asdict(item["latent"])}
            )
        episodes += [{"patient_id": person.patient_id, "hours": round(float(start), 3)} for start in starts]
        trends.append(
            pd.DataFrame(
                {
                    "patient_id": person.patient_id,
                    "time_s": time.astype(np.int32),
                    "svo2": saturation.astype(np.float32),
                }
            )
        )
    _csv(folder / "patients.csv", pd.DataFrame(patient_rows))
    _csv(folder / "recordings" / "index.csv", pd.DataFrame(index_rows))
    _csv(folder / "latent.csv", pd.DataFrame(latent_rows))
    _csv(folder / "desaturations.csv", pd.DataFrame(episodes, columns=["patient_id", "hours"]))
    pd.concat(trends, ignore_index=True).to_parquet(folder / "svo2_trends.parquet", index=False)


def _csv(path: Path, table: pd.DataFrame) -> None:
    table.to_csv(path, index=False, lineterminator="\n")


def truth_text(patients: int, seed: int, duration_s: float) -> str:
    """truth.json: what is true by construction, and what made it."""
    made = {"seconds_of_recording": duration_s, "generator": generator_digest()}
    return json.dumps(truth_of(patients, seed) | made, indent=2, ensure_ascii=False) + "\n"


def generator_digest() -> str:
    """A digest of the modules of the generator: another one makes other patients."""
    digest = hashlib.sha256()
    for path in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def truth_of(patients: int, seed: int) -> dict[str, Any]:
    """What is true by construction: drivers of each outcome, carriers, decoys."""
    return {
        "about": "Invented. No patient, hospital or number in this cohort exists; all come from a model.",
        "patients": patients,
        "seed": seed,
        "latent_file": "latent.csv",
        "scores": {
            "coupling": f"(log(Ees/Ea) - log({COUPLING_CENTRE})) / {COUPLING_SPREAD}",
            "tau": f"(log(tau_s) - log({TAU_CENTRE})) / {TAU_SPREAD}",
            "age": "(age_years - 60) / 12",
        },
        "scales": SCALES,
        "outcomes": {
            "rv_failure": {"drivers": DRIVERS["rv_failure"]},
            "death": {
                "drivers": DRIVERS["death"],
                "competing": {"transplant": DRIVERS["transplant"]},
                "weibull_shape": WEIBULL,
                "entry": "days from diagnosis to the catheter; unrelated to what is latent",
            },
            "walk_distance": {
                "drivers": DRIVERS["walk_distance"],
                "also": {"sex": 22.0, "noise_sd": 55.0},
                "missing": "on a ventilator; more with age; by hospital",
            },
            "desaturation": {
                "drivers": DRIVERS["desaturation"],
                "episode": f"{FALL_PERCENT:g} % or more below the patient's own rest for a minute or more",
            },
            "site_bruise": {"drivers": {}, "null": True},
            "long_stay": {"drivers": {"site": "a probability for each hospital"}, "site_only": True},
        },
        "carriers": CARRIERS,
        "decoys": DECOYS,
        "confounder": {
            "hospitals": "differ in case mix, level of the transducer, line dynamics, noise and rate",
            "level_and_zero_mmhg": {
                hospital.key: round(hospital.zero + MMHG_PER_CM * hospital.level_cm, 2)
                for hospital in HOSPITALS
            },
            "long_stay_probability": {hospital.key: hospital.long_stay for hospital in HOSPITALS},
        },
        "missing": {
            "channels": "by hospital (hospitals.py); a hospital without ECG has none throughout",
            "handled_recordings": "more in those with poor coupling: values missing not at random",
            "walk_distance": "on a ventilator; more with age; by hospital",
            "body_size": f"{SIZE_UNKNOWN:.0%} at random",
        },
        "visits": "a second one in a quarter; contractility, relaxation and load drift by 7 to 8 %",
    }
