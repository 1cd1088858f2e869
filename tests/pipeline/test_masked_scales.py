"""Scales of features in the frozen findings of a run fit to be shared: none tells how many have a value."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

import discovery
from discovery.markers.frozen import FrozenFeature
from discovery.pipeline.masking import masked_scale

LIMIT, N = 5, 84
STUDY = """[study]
name = "rare"
seed = 1
[patients]
file = "patients.csv"
id = "patient_id"
[features]
file = "features.csv"
[[outcomes]]
name = "death"
kind = "binary"
column = "died"
[analysis]
replicates = 0
permutations = 0
phenotypes = false
freeze = ["rare", "common", "length"]
suppress_below = """


def scale_of(values):
    """(mean, SD) as frozen in full, and fit to be shared."""
    series = pd.Series(values, dtype=float)
    full = FrozenFeature(
        name="f",
        low=None,
        high=None,
        mean=float(series.mean()),
        sd=float(series.std()),
        n=int(series.count()),
    )
    return full, masked_scale(full, series, LIMIT, N)


def two_values(count, missing=0):
    return np.repeat([1.0, 0.0, np.nan], [count, N - count - missing, missing])


def test_few_with_a_value_have_the_scale_of_as_many_as_the_limit():
    shown = [scale_of(two_values(count, missing))[1] for count in (1, 2, 3, 4, 5) for missing in (0, 3)]
    share = LIMIT / N
    assert {each["mean"] for each in shown} == {share}
    (few,) = {each["sd"] for each in shown[:8]}
    assert few == pytest.approx(np.sqrt(share * (1 - share)))
    without = scale_of(two_values(N - 2))[1]  # all but two have it
    assert without["mean"] == pytest.approx(1 - share)
    assert without["sd"] == pytest.approx(np.sqrt(share * (1 - share)))


@pytest.mark.parametrize(("count", "missing"), [(7, 0), (12, 2), (37, 3), (42, 0), (70, 1)])
def test_two_values_are_counted_in_multiples_of_the_limit(count, missing):
    full, shown = scale_of(10 + 2 * two_values(count, missing))
    counted = (shown["mean"] - 10) / 2 * N / LIMIT
    assert counted == pytest.approx(round(counted))
    assert abs(counted * LIMIT - count * N / (N - missing)) <= LIMIT / 2
    assert shown["sd"] == pytest.approx(full.sd, rel=0.05)
    explained = {
        (k, n)
        for n in range(N - 6, N + 1)
        for k in range(1, n)
        if scale_of(10 + 2 * two_values(k, N - n))[1] == shown
    }
    told = {N - n for _, n in explained}
    assert missing in told
    assert len(told & set(range(LIMIT))) >= 3, told  # in full, mean and SD have one such number alone


def test_a_mean_of_a_few_values_beside_one_of_all_others_has_one_digit_of_the_sd():
    full, shown = scale_of(np.repeat([0.0, 3.0, 4.0], [N - 3, 2, 1]))
    assert shown == {"mean": round(full.mean, 1), "sd": round(full.sd, 1)}
    sums = {k for k in range(1, 40) if round(k / N, 1) == shown["mean"]}
    assert len(sums) > LIMIT


def test_what_a_run_freezes_of_a_rare_finding(tmp_path):
    rng = np.random.default_rng(6)
    ids = [f"P{i:02d}" for i in range(N)]
    rare, common = rng.permutation(two_values(3)), rng.permutation(two_values(37, 3))
    pd.DataFrame({"patient_id": ids, "died": np.resize([0, 1, 0], N)}).to_csv(
        tmp_path / "patients.csv", index=False
    )
    pd.DataFrame({"patient_id": ids, "rare": rare, "common": common, "length": rng.normal(size=N)}).to_csv(
        tmp_path / "features.csv", index=False
    )
    scales = {}
    for limit in (0, LIMIT):
        (tmp_path / "study.toml").write_text(f"{STUDY}{limit}\n", encoding="utf-8")
        folder = discovery.run(tmp_path, out=tmp_path / str(limit), workers=1).folder
        frozen = json.loads((folder / "frozen.json").read_text(encoding="utf-8"))
        scales[limit] = {feature["name"]: feature for feature in frozen["features"]}
    assert scales[0]["rare"]["mean"] == pytest.approx(3 / N)
    assert scales[LIMIT]["rare"]["mean"] == pytest.approx(LIMIT / N)
    assert scales[0]["common"]["mean"] == pytest.approx(37 / 81)
    assert scales[LIMIT]["common"]["mean"] == pytest.approx(40 / N)
    assert all(feature["n"] <= N for feature in scales[LIMIT].values())
    assert scales[LIMIT]["length"]["sd"] == pytest.approx(scales[0]["length"]["sd"], abs=0.005)
