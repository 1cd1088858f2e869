"""Signatures of a yes-or-no and of a measured outcome, with sites and gaps, frozen and judged elsewhere."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import discovery
from discovery.markers.frozen_file import read_frozen

TEXT = """[study]
name = "{name}"
seed = 4
[patients]
file = "patients.csv"
id = "patient_id"
site = "site"
adjust_for = ["age", "ward"]
[features]
file = "features.csv"
[[outcomes]]
name = "failed"
kind = "binary"
column = "failed"
[[outcomes]]
name = "walk"
kind = "continuous"
column = "walk"
[analysis]
replicates = 20
permutations = 0
phenotypes = false
imputations = 0
workers = 1
"""


def write_cohort(folder, n, seed, sites, names=("a", "b", "c", "d")):
    rng = np.random.default_rng(seed)
    x = pd.DataFrame(rng.normal(size=(n, 4)), columns=list(names))
    age, ward = rng.normal(60, 9, n), rng.choice(["left", "right", "upper"], n, p=[0.5, 0.3, 0.2])
    site = rng.choice(sites, n)
    eta = 0.03 * (age - 60) + 0.9 * x["a"] + 0.6 * x["b"] + 0.8 * (site == sites[0])
    failed = (rng.random(n) < 1 / (1 + np.exp(-eta))).astype(int)
    walk = 400 - 40 * eta + rng.normal(0, 60, n)
    x = x.mask(rng.random(x.shape) < 0.08)  # gaps that the base model's prediction fills
    ids = [f"p{k:03d}" for k in range(n)]
    about = {"patient_id": ids, "site": site, "age": age, "ward": ward, "failed": failed, "walk": walk}
    folder.mkdir(parents=True)
    pd.DataFrame(about).to_csv(folder / "patients.csv", index=False)
    x.assign(patient_id=ids).to_csv(folder / "features.csv", index=False)
    (folder / "study.toml").write_text(TEXT.format(name=folder.name))
    return folder / "study.toml"


@pytest.fixture(scope="module")
def two(tmp_path_factory):
    folder = tmp_path_factory.mktemp("kinds")
    discovery.run(write_cohort(folder / "one", 260, 1, ["north", "south"]), out=folder / "first")
    second = write_cohort(folder / "two", 220, 2, ["east", "west", "mid"])
    result = discovery.replicate(folder / "first" / "frozen.json", second, out=folder / "second")
    return folder, result


def score_of(frozen, outcome, folder):
    """The frozen signature's linear predictor and the outcome's column, by hand from the files alone."""
    patients = pd.read_csv(folder / "two" / "patients.csv")
    features = pd.read_csv(folder / "two" / "features.csv")
    columns = [
        (patients[term.covariate] == term.level).astype(float)
        if term.level
        else (patients[term.covariate] - term.mean) / term.sd
        for term in outcome.terms
    ]
    base = np.column_stack(columns)
    plan = np.column_stack([np.ones(len(base)), base])
    for name, fill in zip(outcome.signature.markers, outcome.signature.fill):
        scale = frozen.feature(name)
        z = (features[name].clip(scale.low, scale.high) - scale.mean) / scale.sd
        columns.append(z.fillna(pd.Series(plan @ np.array(fill))))
    model = outcome.signature.model
    return np.column_stack(columns) @ np.array(model.coefficients) + model.intercept, patients[outcome.name]


def test_a_yes_or_no_outcome_is_judged_as_general_libraries_judge_it(two):
    import statsmodels.api as sm
    from sklearn.metrics import roc_auc_score

    folder, result = two
    frozen = read_frozen(folder / "first" / "frozen.json")
    outcome = next(o for o in frozen.outcomes if o.name == "failed")
    assert {"a", "b"} <= set(outcome.signature.markers)
    assert not any(term.covariate == "site" for term in outcome.terms)
    score, y = score_of(frozen, outcome, folder)
    table = result.tables["signature_performance"].set_index(["outcome", "step"])
    row = table.loc[("failed", "as frozen")]
    assert row["value"] == pytest.approx(roc_auc_score(y, score), abs=1e-9)
    assert row["level"] == pytest.approx(y.sum() / (1 / (1 + np.exp(-score))).sum(), rel=1e-9)
    alone = sm.Logit(y, sm.add_constant(score)).fit(disp=0).params.iloc[1]
    assert row["slope"] == pytest.approx(alone, abs=1e-5)
    again = table.loc[("failed", "baseline refitted")]
    assert again["value"] == pytest.approx(row["value"], abs=1e-12)
    assert np.isnan(again["level"])
    assert row["filled_share"] == pytest.approx(
        pd.read_csv(folder / "two" / "features.csv")[list(outcome.signature.markers)].isna().mean().mean()
    )


def test_a_measured_outcome_is_judged_in_the_first_cohort_s_sds(two):
    folder, result = two
    frozen = read_frozen(folder / "first" / "frozen.json")
    outcome = next(o for o in frozen.outcomes if o.name == "walk")
    score, walk = score_of(frozen, outcome, folder)
    y = (walk - outcome.mean) / outcome.sd
    row = result.tables["signature_performance"].set_index(["outcome", "step"]).loc[("walk", "as frozen")]
    assert row["level"] == pytest.approx((y - score).mean(), abs=1e-9)
    assert row["slope"] == pytest.approx(np.polyfit(score, y, 1)[0], abs=1e-9)
    assert row["value"] == pytest.approx(1 - ((y - score) ** 2).sum() / ((y - y.mean()) ** 2).sum(), abs=1e-9)
    assert row["verdict"] == "better than the base model"
    assert "SD" in row["level_is"]


def test_every_level_of_a_category_is_compared_once(two):
    folder, result = two
    shift = result.tables["shift"].set_index("name")
    for name in ("one", "two"):
        share = (pd.read_csv(folder / name / "patients.csv")["ward"] == "right").mean()
        column = "mean_first" if name == "one" else "mean_second"
        assert shift.loc["ward=right", column] == pytest.approx(share)
    assert sorted(shift.index[shift["role"] == "level"]) == ["ward=right", "ward=upper"]
    assert (shift.loc[shift["role"] == "level", "outside_share"]).isna().all()


def test_the_signature_is_calibrated_where_it_was_made_but_for_its_penalty(two):
    folder, _ = two
    itself = discovery.replicate(
        folder / "first" / "frozen.json", folder / "one" / "study.toml", out=folder / "self"
    )
    table = itself.tables["signature_performance"].set_index(["outcome", "step"])
    assert table.loc[("failed", "as frozen"), "level"] == pytest.approx(1, abs=1e-6)
    assert table.loc[("walk", "as frozen"), "level"] == pytest.approx(0, abs=1e-9)
    assert table.loc[("failed", "as frozen"), "slope"] > 0.9
    assert not shift_is_seen(itself.tables["shift"])


def shift_is_seen(shift: pd.DataFrame) -> bool:
    return bool((shift["smd"].abs() > 1e-9).any())
