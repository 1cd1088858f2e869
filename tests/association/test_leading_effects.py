"""Curves, effects by group and by site of leading features: libraries, closed forms, planted truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from discovery.association.design import build_design
from discovery.association.meta_analysis import pool_random_effects
from discovery.association.modified_effects import COLUMNS, GROUP, TEST, modified_effects
from discovery.association.pooled_sites import NEXT, PLAIN, POOLED, SITE, pooled_sites
from discovery.association.spline import restricted_cubic_spline
from discovery.association.spline_curve import shape_of_effects
from discovery.study import read_study


@pytest.fixture(scope="module")
def rotterdam(root):
    study = read_study(root / "cohorts" / "rotterdam")
    return study, build_design(study.outcomes[0], study.covariates, study.features)


def test_curve_and_tests_on_the_open_cohort_against_statsmodels(rotterdam):
    import statsmodels.api as sm
    from scipy import stats

    _, design = rotterdam
    name = "nodes" if "nodes" in design.feature_names else design.feature_names[0]
    tests, curves = shape_of_effects(design, [name])
    row = tests.iloc[0]
    j = design.feature_names.index(name)
    x = design.features[design.observed[:, j], j]
    knots = curves.loc[curves["part"] == "knot", "x"].to_numpy()
    basis = restricted_cubic_spline(x, knots)
    base, time, event = (v[design.observed[:, j]] for v in (design.base, design.time, design.event))

    def cox(columns):
        return sm.PHReg(time, columns, status=event, ties="efron").fit()

    full, line, null = cox(np.column_stack([base, basis])), cox(np.column_stack([base, x])), cox(base)
    bends = 2 * (full.llf - line.llf)
    assert row["p_nonlinear"] == pytest.approx(stats.chi2.sf(bends, row["df"]), rel=1e-3)
    assert row["p_spline"] == pytest.approx(stats.chi2.sf(2 * (full.llf - null.llf), row["df"] + 1), rel=1e-2)
    curve = curves[curves["part"] == "curve"]
    k = basis.shape[1]
    middle = restricted_cubic_spline(np.array([np.median(x)]), knots)
    gap = restricted_cubic_spline(curve["x"].to_numpy(), knots) - middle
    np.testing.assert_allclose(curve["estimate"], gap @ full.params[-k:], atol=1e-4)
    se = np.sqrt(np.einsum("ij,jk,ik->i", gap, full.cov_params()[-k:, -k:], gap))
    np.testing.assert_allclose(curve["ci_high"] - curve["estimate"], 1.959964 * se, atol=1e-4)
    at_median = curve.loc[np.isclose(curve["x"], np.median(x)), "estimate"]
    np.testing.assert_allclose(at_median, 0, atol=1e-12)


def test_no_tick_of_the_rug_is_a_patient_and_units_are_the_users(rotterdam):
    study, design = rotterdam
    name = design.feature_names[0]
    _, curves = shape_of_effects(design, [name])
    rug = curves[curves["part"] == "rug"]
    assert (rug["n"] >= 5).all()
    assert rug["n"].sum() == design.observed[:, 0].sum()
    assert np.average(rug["value"], weights=rug["n"]) == pytest.approx(
        np.average(np.clip(study.features[name], *design.scaling.table.loc[name, ["low", "high"]])), rel=1e-6
    )


def test_a_planted_bend_is_found_and_a_line_is_not_bent(design_from_arrays):
    rng = np.random.default_rng(2)
    x = rng.normal(size=(600, 2))
    y = x[:, 0] ** 2 + 0.5 * x[:, 1] + rng.normal(size=600)
    design = design_from_arrays("continuous", np.empty((600, 0)), x, y=y)
    tests, curves = shape_of_effects(design, ["f0", "f1"])
    assert tests["q_nonlinear"].iloc[0] < 1e-10
    assert tests["p_nonlinear"].iloc[1] > 0.01
    bowl = curves[(curves["feature"] == "f0") & (curves["part"] == "curve")]
    assert bowl["estimate"].iloc[[0, -1]].gt(1).all()


def test_two_values_have_no_curve_and_say_why(design_from_arrays):
    rng = np.random.default_rng(2)
    x = rng.integers(0, 2, size=(100, 1)).astype(float)
    design = design_from_arrays("continuous", np.empty((100, 0)), x, y=rng.normal(size=100))
    tests, curves = shape_of_effects(design, ["f0"])
    assert "too few distinct values" in tests["note"].iloc[0]
    assert curves.empty


def with_sites(design, labels):
    return replace(design, site=np.asarray(labels))


def sites_design(design_from_arrays, slopes, n=900, seed=1):
    rng = np.random.default_rng(seed)
    k = len(slopes)
    site = np.arange(n) % k
    x = rng.normal(size=(n, 1))
    y = np.asarray(slopes)[site] * x[:, 0] + 0.5 * site + rng.normal(size=n)
    base = (site[:, None] == np.arange(1, k)).astype(float)
    design = design_from_arrays("continuous", base, x, y=y, sites=k - 1)
    return with_sites(design, [f"s{s}" for s in site])


def test_pooling_is_the_meta_analysis_of_the_site_rows(design_from_arrays):
    design = sites_design(design_from_arrays, (0.2, 0.6, 1.0))
    table = pooled_sites(design, ["f0"])
    sites = table[table["part"] == SITE]
    pooled = pool_random_effects(sites["estimate"], sites["se"] ** 2)
    row = table[table["part"] == POOLED].iloc[0]
    assert row["estimate"] == pytest.approx(pooled.estimate)
    assert row["ci_low"] == pytest.approx(pooled.modified_low)
    assert table[table["part"] == NEXT].iloc[0]["ci_low"] == pytest.approx(pooled.prediction_low)
    assert table[table["part"] == PLAIN].iloc[0]["ci_low"] == pytest.approx(pooled.hk_low)
    assert sites["weight_percent"].sum() == pytest.approx(100)
    assert "approximate" in row["note"]
    # the mean of the planted slopes lies in the interval, and a new site's reach is wider
    truth = 0.6 / design.y.std(ddof=1)
    assert row["ci_low"] < truth < row["ci_high"]
    assert table[table["part"] == NEXT].iloc[0]["ci_low"] < row["ci_low"]


def test_two_sites_are_shown_and_not_pooled(design_from_arrays):
    table = pooled_sites(sites_design(design_from_arrays, (0.2, 0.6)), ["f0"])
    assert list(table["part"]) == [SITE, SITE, POOLED]
    assert table["estimate"].isna().tolist() == [False, False, True]
    assert "3 sites with an estimate wanted, there are 2" in table["note"].iloc[2]


def test_interactions_share_one_correction_and_groups_carry_no_p(design_from_arrays):
    rng = np.random.default_rng(6)
    n = 800
    x = rng.normal(size=(n, 2))
    sex = pd.Series(np.where(rng.random(n) < 0.5, "f", "m"), index=np.arange(n).astype(str))
    kind = pd.Series(rng.choice(["a", "b", "c"], n), index=sex.index)
    y = np.where(sex == "f", 0.9, 0.1) * x[:, 0] + rng.normal(size=n)
    design = design_from_arrays("continuous", np.empty((n, 0)), x, y=y)
    tiny = pd.Series("all", index=sex.index)
    table = modified_effects(design, ["f0", "f1"], {"sex": sex, "etiology": kind, "ward": tiny})
    assert list(table.columns) == COLUMNS
    tests = table[table["part"] == TEST]
    assert len(tests) == 6
    from scipy.stats import false_discovery_control

    known = tests["p_value"].notna()
    np.testing.assert_allclose(
        tests.loc[known, "q_value"], false_discovery_control(tests.loc[known, "p_value"])
    )
    found = tests.set_index(["feature", "modifier"])
    assert found.loc[("f0", "sex"), "q_value"] < 1e-6
    assert found.loc[("f1", "etiology"), "q_value"] > 0.05
    assert "two groups" in found.loc[("f0", "ward"), "note"]
    groups = table[table["part"] == GROUP]
    assert groups["p_value"].isna().all()
    assert len(groups) == 2 * (2 + 3)
