"""Planted cohorts as designs, and screens of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from discovery.association.design import build_design
from discovery.association.screen import screen
from discovery.study import Outcome


def planted_tables(seed, *, n=200, p=12, block=3, rho=0.8, sites=3, missing=0.0):
    """Features in blocks, two covariates, sites; and the linear predictor of three planted features."""
    rng = np.random.default_rng(seed)
    common = np.repeat(rng.normal(size=(n, p // block)), block, axis=1)
    x = np.sqrt(rho) * common + np.sqrt(1 - rho) * rng.normal(size=(n, p))
    z = rng.normal(size=(n, 2))
    eta = z @ [0.4, -0.3] + 0.6 * x[:, 0] - 0.5 * x[:, block] + 0.3 * x[:, 2 * block]
    if missing:
        x[rng.random((n, p)) < missing] = np.nan
    ids = pd.Index([f"P{k:04d}" for k in range(n)], name="patient_id")
    features = pd.DataFrame(x, index=ids, columns=[f"f{k:02d}" for k in range(p)])
    covariates = pd.DataFrame(z, index=ids, columns=["age", "size"])
    site = pd.Series(rng.integers(0, sites, n).astype(str), index=ids) if sites > 1 else None
    return rng, features, covariates, site, eta


def planted_outcome(kind, rng, ids, eta, *, name="outcome"):
    n = len(ids)
    common = {"name": name, "kind": kind, "label": name, "patient_id": np.asarray(ids)}
    if kind == "survival":
        event, censored = rng.exponential(np.exp(-eta)), rng.exponential(1.5, n)
        time = np.ceil(20 * np.minimum(event, censored))  # whole units, so that times tie
        return Outcome(**common, time=time, status=(event <= censored).astype(float))
    if kind == "binary":
        return Outcome(**common, value=(rng.random(n) < 1 / (1 + np.exp(-eta))).astype(float))
    return Outcome(**common, value=eta + rng.normal(size=n))


@pytest.fixture(scope="session")
def planted_design():
    def make(kind, seed=0, *, order=None, name="outcome", **options):
        rng, features, covariates, site, eta = planted_tables(seed, **options)
        outcome = planted_outcome(kind, rng, features.index, eta, name=name)
        if order is not None:
            rows = order(len(features))
            parts = {
                key: None if value is None else value[rows]
                for key in ("value", "time", "status")
                for value in [getattr(outcome, key)]
            }
            ids = np.asarray(outcome.patient_id)[rows]
            outcome = Outcome(name=name, kind=kind, label=name, patient_id=ids, **parts)
        return build_design(outcome, covariates, features, site=site)

    return make


@pytest.fixture(scope="session")
def screened():
    def make(design, **options):
        return screen(design, permutations=options.pop("permutations", 0), **options)

    return make


@pytest.fixture(scope="session")
def two_cohorts(root, tmp_path_factory):
    """Findings of one open breast cancer cohort, and the other cohort they are tested in."""
    import discovery

    folder = tmp_path_factory.mktemp("two_cohorts")
    text = (root / "cohorts" / "rotterdam" / "study.toml").read_text()
    for name in ("patients.csv", "features.csv", "labels.csv"):
        text = text.replace(f'"{name}"', f'"{root}/cohorts/rotterdam/{name}"')
    (folder / "study.toml").write_text(text + "\n[analysis]\nreplicates = 30\npermutations = 0\n")
    discovery.run(folder / "study.toml", out=folder / "first", workers=1)
    result = discovery.replicate(
        folder / "first" / "frozen.json", root / "cohorts" / "gbsg" / "study.toml", out=folder / "second"
    )
    return folder, result


@pytest.fixture(scope="session")
def of_patients():
    """`of_patients(design, rows)`: the design of some of its patients, by mask or places."""
    by_patient = (
        "patient_id", "base", "features", "observed", "y", "time", "event", "status", "stratum", "site",
    )  # fmt: skip

    def part(design, rows):
        values = {name: getattr(design, name) for name in by_patient}
        return replace(design, **{name: v[rows] for name, v in values.items() if v is not None})

    return part
