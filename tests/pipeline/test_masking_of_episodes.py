"""Recurrent episodes in a run with small counts masked: no step of a mean curve is that of a few patients."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from discovery.survival.coarse_curves import coarse_curves

LIMIT = 5


@pytest.fixture(scope="module")
def runs(tmp_path_factory, both_runs):
    """150 patients, of whom one has 40 early episodes and three have had none but die; masked, and plain."""
    folder = tmp_path_factory.mktemp("spells")
    rng = np.random.default_rng(0)
    n = 150
    ids = np.array([f"P{i:03d}" for i in range(n)])
    x, watched = rng.normal(size=n), rng.uniform(20, 72, n).round(2)
    number = rng.poisson(np.exp(0.7 * x) * rng.gamma(1.25, 0.8, n))
    number[:3], x[3], watched[3] = 0, 2.0, 70.0
    rows = [(ids[i], t) for i in range(n) for t in rng.uniform(0, watched[i], number[i]).round(3)]
    rows += [(ids[3], t) for t in rng.uniform(0.5, 3, 40).round(4)]
    died = np.zeros(n)
    died[:3] = 1
    table = pd.DataFrame({"patient_id": ids, "age": rng.normal(60, 9, n), "watched": watched, "died": died})
    features = pd.DataFrame({"patient_id": ids, "rv_a": x, "rv_b": rng.normal(size=n)})
    spells = pd.DataFrame(rows, columns=["patient_id", "hours"])
    results = both_runs(folder, LIMIT, {"patients": table, "features": features, "spells": spells})
    return *results, table.set_index("patient_id"), spells, features.set_index("patient_id")


def members(feature, group, features):
    if not feature:
        return features.index
    x = features[feature]
    low, high = x.quantile([1 / 3, 2 / 3])
    thirds = {"lowest": x <= low, "middle": (x > low) & (x <= high), "highest": x > high}
    return x.index[next(mine for word, mine in thirds.items() if word in group)]


def test_between_two_steps_lie_episodes_of_as_many_patients_as_the_limit(runs):
    masked, plain, table, spells, features = runs
    shown = pd.read_csv(masked.folder / "survival.csv", keep_default_na=False, na_values=[""])
    whole = pd.read_csv(plain.folder / "survival.csv", keep_default_na=False, na_values=[""])
    curve = shown[shown["curve"] == "mean number of episodes"]
    assert set(curve["feature"].dropna()) >= {"rv_a"}
    judged = 0
    for (feature, group), block in curve.fillna({"feature": ""}).groupby(["feature", "group"]):
        ids = members(feature, group, features)
        mine = spells[spells["patient_id"].isin(ids)]
        times = block["time"].to_numpy()
        for low, high in pairwise(times):
            between = mine[(mine["hours"] > low) & (mine["hours"] <= high)]
            assert between["patient_id"].nunique() >= LIMIT, (feature, group, low, high)
            judged += 1
        assert (table.loc[ids, "watched"] > times[-1]).sum() >= LIMIT
        assert block[["n_at_risk", "n_event", "n_censored"]].isna().all().all()
        same = whole[(whole["curve"] == "mean number of episodes") & (whole["group"] == group)]
        same = same[same["feature"].fillna("") == feature]
        kept = same[same["time"].isin(times)].drop_duplicates("time", keep="last")
        np.testing.assert_allclose(
            block["estimate"], kept["estimate"].round(3), rtol=1e-9
        )  # coarser, not other
    assert judged > 20


def test_a_patient_with_many_episodes_makes_no_step(runs):
    """The plain curve climbs in the first three hours by the 40 episodes of one patient."""
    masked, plain, *_ = runs

    def early(result):
        table = pd.read_csv(result.folder / "survival.csv", keep_default_na=False, na_values=[""])
        curve = table[(table["curve"] == "mean number of episodes") & table["feature"].isna()]
        return curve[(curve["time"] > 0) & (curve["time"] <= 3)]

    assert len(early(plain)) > 40
    assert len(early(masked)) <= 4
    counted = pd.read_csv(plain.folder / "survival.csv")
    counted = counted[counted["curve"] == "mean number of episodes"].assign(feature="")
    as_if_patients = coarse_curves(counted, LIMIT)  # what counting episodes as patients would have shown
    assert len(as_if_patients[(as_if_patients["time"] > 0) & (as_if_patients["time"] <= 3)]) > 10


def test_no_small_count_is_left_in_any_table(runs):
    masked, plain, *_ = runs
    found = {True: 0, False: 0}
    for result, hidden in ((masked, True), (plain, False)):
        for path in sorted(result.folder.rglob("*.csv")):
            table = pd.read_csv(path)
            for column in {"n", "events", "n_event", "n_at_risk", "n_censored", "n_left_out"} & set(table):
                values = pd.to_numeric(table[column], errors="coerce").dropna()
                found[hidden] += int(values.between(1, LIMIT - 1).sum())
    assert found[True] == 0
    assert found[False] > 50
