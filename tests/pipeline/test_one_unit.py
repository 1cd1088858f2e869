"""Covariates imputed: every slope of a run is in the outcome's SD of the patients that the ranking is of."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

import discovery
from discovery.association.design import design_of
from discovery.association.spline_curve import shape_of_effects
from discovery.study import read_study

TOML = """
[study]
name = "one_unit"

[patients]
file = "patients.csv"
id = "patient_id"
site = "site"
adjust_for = ["age"]

[features]
file = "features.csv"

[[outcomes]]
name = "walk"
kind = "continuous"
column = "walk_m"
unit = "m"

[analysis]
replicates = 20
permutations = 0
imputations = 5
phenotypes = false
winsor = false
"""
N = 240


@pytest.fixture(scope="module")
def patients():
    """Age is missing in the patients who walk furthest and least: the others' SD is far from that of all."""
    rng = np.random.default_rng(11)
    x, age, site = rng.normal(size=N), rng.normal(60, 10, N), np.resize(["East", "North", "South"], N)
    walk = 400 + 60 * x - 2 * (age - 60) + 20 * (site == "South") + rng.normal(0, 60, N)
    table = pd.DataFrame(
        {"patient_id": [f"P{i:03d}" for i in range(N)], "site": site, "walk_m": walk.round(1)}
    )
    extreme = np.abs(walk - walk.mean()) > 130
    table["age"] = np.where(extreme & (rng.random(N) < 0.7), np.nan, age.round(1))
    return table.assign(marker=x.round(3), other=(0.5 * x + rng.normal(size=N)).round(3))


@pytest.fixture(scope="module")
def result(patients, tmp_path_factory):
    folder = tmp_path_factory.mktemp("unit")
    patients[["patient_id", "site", "walk_m", "age"]].to_csv(folder / "patients.csv", index=False)
    patients[["patient_id", "marker", "other"]].to_csv(folder / "features.csv", index=False)
    (folder / "study.toml").write_text(TOML, encoding="utf-8")
    return discovery.run(folder, out=folder / "out", workers=1)


@pytest.fixture(scope="module")
def slope(patients):
    """slope(rows, sites, of): least squares of statsmodels among some patients, in the SD of all."""
    sd, spread = patients["walk_m"].std(), patients["marker"].std()

    def fitted(data, sites=True, of=""):
        x = pd.DataFrame({"marker": data["marker"], "age": data["age"]})
        if sites:
            x = x.join(pd.get_dummies(data["site"], drop_first=True, dtype=float))
        if of:
            x["here"] = x["marker"] * (data["site"] == of)
            others = pd.get_dummies(data["site"], dtype=float).drop(columns=of)
            x = x.join(others.mul(data["marker"], axis=0), rsuffix="*")
            x = x.drop(columns="marker")
        fit = sm.OLS(data["walk_m"], sm.add_constant(x)).fit()
        return fit.params["here" if of else "marker"] * spread / sd

    return fitted


def cell(table, column="estimate", **where):
    rows = table
    for name, value in where.items():
        rows = rows[rows[name] == value]
    assert len(rows) == 1
    return rows[column].iloc[0]


def test_complete_cases_spread_less(patients):
    assert patients.dropna()["walk_m"].std() < 0.9 * patients["walk_m"].std()


def test_checks_of_sites_and_the_board_are_in_the_unit_of_the_ranking(patients, result, slope):
    complete = patients.dropna()
    board, sites = result.tables["sensitivity"], result.tables["leave_one_site_out"]
    kept = cell(board, feature="marker", alternative="complete cases, nothing imputed")
    assert kept == pytest.approx(slope(complete), rel=1e-9)
    free = cell(result.tables["markers"], "estimate_without_site", feature="marker")
    assert free == pytest.approx(slope(complete, sites=False), rel=1e-9)
    for site in ("East", "North", "South"):
        want = pytest.approx(slope(complete[complete["site"] != site]), rel=1e-9)
        assert cell(board, feature="marker", alternative=f"without site {site}") == want
        assert cell(sites, feature="marker", site_left_out=site) == want


def test_effects_by_group_and_curves_are_in_the_unit_of_the_ranking(patients, result, slope):
    complete = patients.dropna()
    groups, pooled = result.tables["effect_modification"], result.tables["site_meta_analysis"]
    for site in ("East", "North", "South"):
        want = pytest.approx(slope(complete, of=site), rel=1e-9)
        assert cell(groups, feature="marker", modifier="site", group=site) == want
        assert cell(pooled, feature="marker", part="site", site=site) == want
    study = read_study(result.folder.parent)
    _, alone = shape_of_effects(design_of(study, study.outcomes[0]), ["marker"])
    curve = result.tables["shape_curves"]
    curve = curve[curve["feature"] == "marker"]
    for column in ("estimate", "ci_low", "ci_high"):
        in_metres = alone[column].to_numpy(dtype=float) * complete["walk_m"].std()
        np.testing.assert_allclose(curve[column] * patients["walk_m"].std(), in_metres, rtol=1e-9)


def test_a_signature_is_frozen_as_it_is_shown(patients, result):
    shown = result.tables["signature"].set_index("term")["coefficient"]
    outcome = json.loads((result.folder / "frozen.json").read_text(encoding="utf-8"))["outcomes"][0]
    names = ["age", *outcome["signature"]["markers"]]
    np.testing.assert_allclose(outcome["signature"]["model"]["coefficients"], shown[names], rtol=1e-9)
    assert outcome["sd"] == pytest.approx(patients["walk_m"].std(), rel=1e-9)
