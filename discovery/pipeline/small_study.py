"""A made-up study with an outcome of each kind asked for: enough to take a run through its numeric loops."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pandas as pd

from discovery.seeds import named_rng

PATIENTS, FEATURES = 160, 8
HEAD = """
[study]
name = "small"
title = "Made up"
seed = 1

[patients]
file = "patients.csv"
id = "patient_id"
site = "site"
{etiology}adjust_for = ["age_years", "sex"]

[features]
file = "features.csv"
id = "patient_id"

[analysis]
replicates = 2
permutations = 20
imputations = 2
phenotypes = {phenotypes}
"""
OUTCOMES = {
    "survival": 'time = "time_days"\nstatus = "status"\nevent = 1\ncompeting = [2]\nentry = "entry_days"',
    "binary": 'column = "binary"',
    "continuous": 'column = "continuous"',
    "ordinal": 'column = "ordinal"',
    "multiclass": 'column = "multiclass"',
    "count": 'column = "count"\nexposure = "followup"',
    "recurrent": 'file = "episodes.csv"\ntime = "day"\nfollowup = "followup"',
}


def write_small_study(folder: Path, kinds: Iterable[str], *, phenotypes: bool) -> Path:
    """Write the tables and the study file into `folder`; the study file. Features 0 and 1 act on all.

    phenotypes : groups of patients are looked for, and etiologies told apart
    """
    rng = named_rng(1, "small study")
    n = PATIENTS
    x = rng.normal(size=(n, FEATURES))
    x[:, 2] = x[:, 0] + 0.5 * rng.normal(size=n)
    strength = x[:, 0] - 0.8 * x[:, 1]
    age, female = np.round(rng.normal(60, 10, n)), rng.random(n) < 0.5
    x[:, 3] = age + 10.0 * female + 0.2 * x[:, 3]  # hardly anything beside the covariates: fitted row by row
    time = np.round(rng.exponential(900 * np.exp(-0.7 * strength))) + 2
    entry = np.floor(time * rng.uniform(0, 0.3, n))
    followup = np.round(rng.uniform(100, 400, n))
    number = rng.poisson(np.minimum(followup / 200 * np.exp(0.5 * strength), 20))
    ids = np.array([f"P{k:03d}" for k in range(n)])
    noisy = strength + rng.normal(size=n)
    patients = {
        "patient_id": ids, "site": np.array(["A", "B", "C"])[np.arange(n) % 3],
        "age_years": age, "sex": np.where(female, "female", "male"),
        "time_days": time, "status": rng.choice([0, 1, 1, 2], n), "entry_days": entry,
        "binary": (noisy > 0.3).astype(int), "continuous": np.round(noisy, 3),
        "ordinal": np.digitize(noisy, [-0.8, 0.8]),
        "multiclass": np.array(list("abc"))[np.digitize(-noisy, [-0.8, 0.8])],
        "count": number, "followup": followup,
        "etiology": np.array(list("def"))[np.digitize(noisy, [-0.6, 0.6])],
    }  # fmt: skip
    x[rng.random(x.shape) < 0.06] = np.nan
    features = pd.DataFrame(x, columns=[f"x{k}" for k in range(FEATURES)])
    who = np.repeat(np.arange(n), number)
    day = np.round(rng.uniform(1, followup[who]), 1)
    folder.mkdir(parents=True, exist_ok=True)
    pd.DataFrame(patients).to_csv(folder / "patients.csv", index=False)
    features.assign(patient_id=ids).to_csv(folder / "features.csv", index=False)
    pd.DataFrame({"patient_id": ids[who], "day": day}).to_csv(folder / "episodes.csv", index=False)
    etiology = 'etiology = "etiology"\n' if phenotypes else ""
    text = HEAD.format(phenotypes=str(phenotypes).lower(), etiology=etiology)
    for kind in kinds:
        text += f'\n[[outcomes]]\nname = "{kind}_outcome"\nkind = "{kind}"\n{OUTCOMES[kind]}\n'
    (folder / "study.toml").write_text(text, encoding="utf-8")
    return folder / "study.toml"
