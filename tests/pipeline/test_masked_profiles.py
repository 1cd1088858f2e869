"""Profiles of groups fit to be shared: no mean, and no effect, tells how few of a group have a value."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

import discovery
from discovery.figures.phenotypes import draw_profiles
from discovery.pipeline.phenotype_masking import masked_phenotypes

LIMIT = 5
SIZES = {"P1": 70, "P2": 45, "P3": 6}
SHOWN = ["mean", "effect", "ci_low", "ci_high"]


@pytest.fixture
def search():
    """Features by patient, who is in which group, and the tables of a search that found these groups."""
    rng = np.random.default_rng(9)
    group = np.repeat(list(SIZES), list(SIZES.values()))
    ids = [f"P{i:03d}" for i in range(group.size)]
    flag = np.zeros(group.size)
    flag[[1, 5, 9]] = 1  # three of P1, nobody of P2, all of P3
    flag[group == "P3"] = 1
    often = (np.arange(group.size) % 2).astype(float)
    length = rng.normal(50, 9, group.size) + 7 * (group == "P2")
    features = pd.DataFrame({"flag": flag, "often": often, "length": length}, index=ids)
    members = pd.DataFrame({"patient_id": ids, "phenotype": group})
    rows = [
        {"phenotype": one, "feature": name, "n": n, "mean": features.loc[group == one, name].mean(),
         "effect": 0.123456, "ci_low": -0.234567, "ci_high": 0.345678}
        for one, n in SIZES.items()
        for name in features
    ]  # fmt: skip
    groups = pd.DataFrame({"phenotype": list(SIZES), "size": list(SIZES.values())})
    groups = groups.assign(**dict.fromkeys(features, 0.123456))
    return features, members, {"phenotypes": groups, "phenotype_profiles": pd.DataFrame(rows)}


def test_means_of_a_feature_that_few_of_a_group_have_are_not_shown(search):
    features, members, tables = search
    plain = tables["phenotype_profiles"].set_index(["phenotype", "feature"])
    assert plain.loc[("P1", "flag"), "mean"] * 70 == pytest.approx(3)
    out = masked_phenotypes(tables, LIMIT, features=features, members=members)
    shown = out["phenotype_profiles"].set_index(["feature", "phenotype"])
    assert shown.loc["flag", SHOWN].isna().all(axis=None)  # of all groups: with everybody's they tell P1's
    assert out["phenotypes"]["flag"].isna().all()
    assert shown.loc[["length"], SHOWN].notna().all(axis=None)


def test_means_of_groups_have_three_digits_of_the_sd_and_effects_two_decimals(search):
    features, members, tables = search
    out = masked_phenotypes(tables, LIMIT, features=features, members=members)
    shown, plain = out["phenotype_profiles"], tables["phenotype_profiles"]
    length = shown["feature"] == "length"
    assert 1 < features["length"].std() < 100
    np.testing.assert_array_equal(shown.loc[length, "mean"], shown.loc[length, "mean"].round(1))
    np.testing.assert_allclose(shown.loc[length, "mean"], plain.loc[length, "mean"], atol=0.05)
    assert shown.loc[length, "effect"].eq(0.12).all()
    assert out["phenotypes"]["length"].eq(0.12).all()


def test_without_the_values_no_mean_and_no_effect_is_shown(search):
    assert masked_phenotypes(search[2], LIMIT)["phenotype_profiles"][SHOWN].isna().all(axis=None)


def test_numbers_of_the_groups_stay_hidden_with_their_effects(search):
    features, members, tables = search
    out = masked_phenotypes(tables, 10, features=features, members=members)
    assert out["phenotypes"]["size"].isna().all()
    assert out["phenotypes"]["length"].eq(0.12).all()
    assert out["phenotype_profiles"].query("phenotype == 'P3'")["mean"].isna().all()


def test_a_run_knows_whose_values_the_profiles_are_of(tmp_path):
    """Two groups far apart; three of the first have a finding, as many as leave its mean a count."""
    rng = np.random.default_rng(3)
    ids = [f"P{i:03d}" for i in range(100)]
    apart = np.repeat([0.0, 6.0], 50)
    features = pd.DataFrame({f"f{k}": apart + rng.normal(size=100) for k in range(5)})
    features["flag"] = np.r_[np.resize([1.0, 0.0, 0.0], 9), np.zeros(41), np.resize([1.0, 0.0], 50)]
    features.insert(0, "patient_id", ids)
    features.to_csv(tmp_path / "features.csv", index=False)
    pd.DataFrame({"patient_id": ids, "died": rng.integers(0, 2, 100)}).to_csv(
        tmp_path / "patients.csv", index=False
    )
    (tmp_path / "study.toml").write_text(
        '[study]\nname = "groups"\nseed = 1\n[patients]\nfile = "patients.csv"\nid = "patient_id"\n'
        '[features]\nfile = "features.csv"\n[[outcomes]]\nname = "death"\nkind = "binary"\ncolumn = "died"\n'
        "[analysis]\nreplicates = 0\npermutations = 0\nsuppress_below = 5\n",
        encoding="utf-8",
    )
    folder = discovery.run(tmp_path, out=tmp_path / "out", workers=1).folder
    profiles = pd.read_csv(folder / "phenotype_profiles.csv").set_index("feature")
    assert profiles.loc[["flag"], SHOWN].isna().all(axis=None)
    others = profiles.drop(index="flag")
    assert others[SHOWN].notna().all(axis=None)
    for column in SHOWN:
        np.testing.assert_array_equal(others[column], others[column].round(2))
    assert pd.read_csv(folder / "phenotypes.csv")["flag"].isna().all()


def test_the_heat_map_leaves_out_what_is_masked(search):
    features, members, tables = search
    shown = masked_phenotypes(tables, LIMIT, features=features, members=members)["phenotype_profiles"]
    shown = shown.assign(label=shown["feature"])
    ax = draw_profiles(shown, FigureCanvasAgg(Figure()).figure.subplots())
    assert [tick.get_text() for tick in ax.get_yticklabels()] == ["length"]  # "often" is 3 and 3 of P3
    ax = draw_profiles(shown[shown["feature"] == "flag"], FigureCanvasAgg(Figure()).figure.subplots())
    assert [text.get_text() for text in ax.texts] == ["No difference to draw: all are masked."]
