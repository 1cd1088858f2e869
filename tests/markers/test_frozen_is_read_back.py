"""Whatever a run freezes is read back: of studies of every kind, with all that makes numbers extreme."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.association.design import design_of
from discovery.association.screen import adjust_screens, screen
from discovery.markers.frozen_file import read_frozen, write_frozen
from discovery.markers.table import rank_markers
from discovery.pipeline.frozen_findings import frozen_findings
from discovery.pipeline.imputation import impute_screens
from discovery.pipeline.landmarks import from_landmarks
from discovery.pipeline.masking import masked_frozen
from discovery.pipeline.progress import Silent
from discovery.pipeline.signatures import signature_tables
from discovery.study import read_study

SEEDS = (0, 3, 12)

KINDS = {
    "died": 'kind = "binary"\ncolumn = "died"',
    "walk": 'kind = "continuous"\ncolumn = "walk"',
    "class": 'kind = "ordinal"\ncolumn = "class"',
    "visits": 'kind = "count"\ncolumn = "visits"\nexposure = "years"',
    "relapse": 'kind = "survival"\ntime = "time"\nstatus = "status"\nevent = 1\ncompeting = [2]',
    "late": 'kind = "survival"\ntime = "time"\nstatus = "status"\nevent = [1, 2]\nlandmark = 2',
    "stays": 'kind = "recurrent"\nfile = "stays.csv"\ntime = "day"\nfollowup = "time"',
}


def random_study(study_text, folder, seed: int):
    """A small cohort with outliers, rare levels, many gaps, units of any size and features that repeat."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(36, 90))
    ids = [f"P{k:03d}" for k in range(n)]
    x = rng.normal(size=(n, 6))
    x[:, 1] = x[:, 0] * (1 + 1e-7 * rng.normal(size=n))  # nearly a copy
    x[:, 2] = (rng.random(n) < 3 / n).astype(float)  # rare finding
    x[rng.integers(n), 3] = 1e6  # one value in another unit
    x *= 10.0 ** rng.integers(-12, 13, size=6)
    risk = np.nan_to_num(x[:, 0] / x[:, 0].std()) * rng.choice([0.5, 8.0])
    time = np.ceil(100 * rng.exponential(np.exp(-np.clip(risk, -3, 3))))
    patients = pd.DataFrame(
        {
            "patient_id": ids,
            "site": np.resize(["A", "B", "C"], n),
            "age": np.where(rng.random(n) < 1 / n, 6e4, rng.normal(60, 10, n).round()),
            "sex": rng.choice(["f", "m"], n),
            "ward": np.where(rng.random(n) < 2.5 / n, "rare", rng.choice(["upper", "lower"], n)),
            "size": rng.normal(size=n) * 10.0 ** rng.integers(-20, 20),
            "died": (rng.random(n) < 1 / (1 + np.exp(-risk))).astype(int),
            "walk": np.round(risk + rng.normal(size=n), 2),
            "class": rng.integers(1, 4, n),
            "visits": rng.poisson(np.exp(np.clip(risk, -2, 2))),
            "years": rng.uniform(0.5, 3, n),
            "time": time,
            "status": rng.choice([0, 1, 1, 2], n),
        }
    )
    for name, share in (("age", 0.2), ("ward", 0.2), ("size", 0.1), ("walk", 0.6), ("died", 0.1)):
        patients[name] = patients[name].astype(object).mask(rng.random(n) < share * rng.random())
    x[rng.random(x.shape) < 0.15] = np.nan
    stays = pd.DataFrame({"patient_id": np.repeat(ids, 2), "day": np.repeat(time, 2) * rng.random(2 * n)})
    patients.to_csv(folder / "patients.csv", index=False)
    stays.round(3).query("day > 0").to_csv(folder / "stays.csv", index=False)
    features = pd.DataFrame(x, columns=[f"f{k}" for k in range(6)])
    features.insert(0, "patient_id", ids)
    features.to_csv(folder / "features.csv", index=False)
    outcomes = "".join(f'\n[[outcomes]]\nname = "{name}"\n{lines}\n' for name, lines in KINDS.items())
    text = study_text(
        outcomes, adjust_for=["age", "sex", "ward", "size"], replicates=int(rng.choice([0, 12])), workers=1,
        permutations=0, imputations=int(rng.choice([0, 3])), phenotypes=False, winsor=bool(rng.random() < 0),
        freeze=[f"f{k}" for k in range(6)],
    )  # fmt: skip
    text = text.replace("[features]", 'site = "site"\n[features]') if rng.random() < 0.5 else text
    (folder / "study.toml").write_text(text)
    return read_study(folder / "study.toml")


def freeze_all(study):
    """What a run of the study freezes, without the stages that have no part in it."""
    study, rng = from_landmarks(study), np.random.default_rng(1)
    designs = [design_of(study, outcome) for outcome in study.outcomes]
    screens = {design.outcome: screen(design, permutations=0, rng=rng) for design in designs}
    imputed = impute_screens(study, designs, screens, workers=1)
    ordered = [*adjust_screens(imputed.screens, multiplicity="bh", fdr=0.05).values()]
    replicates = study.settings.analysis.replicates
    markers = rank_markers(
        designs, ordered, seed=1, labels={}, fdr=0.05, replicates=replicates, workers=1,
        completed=imputed.completed, wider=imputed.wider,
    )  # fmt: skip
    signatures = signature_tables(study, designs, markers.table, workers=1, progress=Silent())
    tables = signatures | {"markers": markers.table}
    return frozen_findings(study, designs, ordered, tables, {}, imputed)


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # of arithmetic with numbers this far apart
@pytest.mark.parametrize("seed", SEEDS)
def test_whatever_is_frozen_is_read_back(study_text, tmp_path, seed):
    study = random_study(study_text, tmp_path, seed)
    frozen = freeze_all(study)
    assert sum(len(outcome.candidates) for outcome in frozen.outcomes) > 10
    for limit in (0, 5, 12, 40, 1000):
        masked = masked_frozen(frozen, limit, study.features)
        assert read_frozen(write_frozen(masked, tmp_path / f"{limit}.json")) == masked


def test_a_signature_that_gains_more_than_all_is_read_back(study_text, tmp_path):
    """A feature that is the outcome itself, beside a base model that predicts worse than the mean does."""
    rng = np.random.default_rng(4)
    n = 40
    ids = [f"P{k:02d}" for k in range(n)]
    walk = rng.normal(size=n)
    patients = {"patient_id": ids, "age": rng.normal(60, 10, n), "size": rng.normal(size=n), "walk": walk}
    features = {"patient_id": ids, "copy": walk + 0.01 * rng.normal(size=n), "noise": rng.normal(size=n)}
    pd.DataFrame(patients).to_csv(tmp_path / "patients.csv", index=False)
    pd.DataFrame(features).to_csv(tmp_path / "features.csv", index=False)
    text = study_text(
        f'\n[[outcomes]]\nname = "walk"\n{KINDS["walk"]}\n', adjust_for=["age", "size"], replicates=20,
        workers=1, permutations=0, phenotypes=False, winsor=False,
    )  # fmt: skip
    (tmp_path / "study.toml").write_text(text)
    frozen = freeze_all(read_study(tmp_path / "study.toml"))
    assert frozen.outcomes[0].signature.gain > 1
    assert read_frozen(write_frozen(frozen, tmp_path / "frozen.json")) == frozen
