"""Missing values, flow of patients, sites."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import scipy.stats

from discovery.cohort.attrition import attrition_table
from discovery.cohort.missing import missing_patterns, missing_table
from discovery.cohort.sites import site_feature_shift, site_table


def test_patterns_of_nhanes(check, dataset):
    # MD01, R mice 3.15.0 md.pattern(nhanes)
    patterns = missing_patterns(dataset("nhanes25.csv")[["age", "hyp", "bmi", "chl"]])
    keys = patterns[["age", "hyp", "bmi", "chl"]].astype(int).astype(str).agg("".join, axis=1)
    found = dict(zip(keys, patterns["n"]))
    assert [found[key] for key in ("1111", "1110", "1101", "1001", "1000")] == check("MD01")["expected"]
    assert patterns["n"].iloc[0] == 13
    assert (patterns["n"] * patterns["n_variables_missing"]).sum() == 27


def test_missing_cells_of_pima(check, dataset):
    # MD06, R MASS 7.3-58.2 Pima.tr2
    pima = dataset("pima_tr2.csv")
    table = missing_table(pima).set_index("variable")
    got = [missing_patterns(pima)["n"].iloc[0], *table.loc[["bp", "skin", "bmi"], "n_missing"]]
    assert got == check("MD06")["expected"]


def test_test_by_site_is_the_likelihood_ratio_of_the_contingency_table(dataset):
    pima = dataset("pima_tr2.csv")
    table = missing_table(pima[["skin"]], by={"type": pima["type"]})
    counts = pd.crosstab(pima["type"], pima["skin"].isna())
    want = scipy.stats.chi2_contingency(counts, lambda_="log-likelihood", correction=False)
    row = table[table.by == "type"].iloc[0]
    assert row["statistic"] == pytest.approx(want.statistic)
    assert row["p_value"] == pytest.approx(want.pvalue)
    assert table[table.by == "type"]["n_missing"].sum() == pima["skin"].isna().sum()


def test_test_along_a_number_is_a_logistic_likelihood_ratio(dataset):
    import statsmodels.api as sm

    pima = dataset("pima_tr2.csv")
    row = missing_table(pima[["skin"]], by={"age": pima["age"]}).query("by == 'age'").iloc[0]
    fit = sm.Logit(pima["skin"].isna().astype(float), sm.add_constant(pima["age"].astype(float))).fit(disp=0)
    assert row["statistic"] == pytest.approx(fit.llr, rel=1e-7)
    assert row["df"] == 1


def test_never_missing_is_not_tested():
    data = pd.DataFrame({"a": [1.0, 2.0, 3.0, 4.0]})
    table = missing_table(data, by={"site": pd.Series(["x", "x", "y", "y"])})
    assert table["p_value"].isna().all()
    assert table["n_missing"].sum() == 0


def test_separated_missingness_has_a_finite_statistic():
    y = pd.DataFrame({"a": [np.nan] * 12 + [1.0] * 12})
    row = missing_table(y, by={"x": pd.Series(np.arange(24.0))}).query("by == 'x'").iloc[0]
    assert row["statistic"] == pytest.approx(2 * 24 * np.log(2), rel=1e-6)


def test_separated_missingness_along_a_number_with_one_far_value_gives_no_warning():
    along = np.append(np.linspace(0, 1, 30), 1e4)
    y = pd.DataFrame({"a": np.where(along > 0.5, np.nan, 1.0)})
    row = missing_table(y, by={"x": pd.Series(along)}).query("by == 'x'").iloc[0]
    few = 15 / 31
    null = 31 * (few * np.log(few) + (1 - few) * np.log(1 - few))
    assert row["statistic"] == pytest.approx(-2 * null, rel=1e-6)


BEFORE = pd.DataFrame({"step": ["rows", "ids"], "n": [12, 10], "n_left_out": [0, 2], "reason": ["", "no id"]})


def test_flow_adds_up_for_each_outcome():
    death = pd.DataFrame({"reason": ["no follow-up", "site is missing", "never"], "n": [3, 2, 0]})
    nobody = pd.DataFrame({"reason": [], "n": []})
    table = attrition_table(BEFORE, {"death": death, "response": nobody})
    assert table["outcome"].tolist() == ["", "", "death", "death", "response"]
    assert table["n"].tolist() == [12, 10, 7, 5, 10]
    assert table["n_left_out"].tolist() == [0, 2, 3, 2, 0]
    assert table["reason"].tolist() == ["", "no id", "no follow-up", "site is missing", ""]
    assert table["step"].tolist() == ["rows", "ids", "usable for the model", "analysed", "analysed"]


def test_flow_without_an_outcome_is_what_reading_left():
    pd.testing.assert_frame_equal(
        attrition_table(BEFORE, {})[BEFORE.columns.tolist()], BEFORE.astype({"n": "int64"})
    )


def test_site_table_counts():
    site = pd.Series(["a", "a", "b", None])
    table = site_table(site, {"death": pd.Series([1.0, 0.0, np.nan, 1.0])}).set_index("site")
    assert table.loc["a", ["n", "events", "percent_events"]].tolist() == [2, 1, 50]
    assert table.loc["b", ["n", "n_with_outcome"]].tolist() == [1, 0]
    assert np.isnan(table.loc["b", "percent_events"])
    assert table.loc["unknown", "events"] == 1


def test_shift_against_analysis_of_variance():
    rng = np.random.default_rng(5)
    site = pd.Series(np.repeat(["a", "b", "c"], [40, 30, 50]))
    values = rng.normal(size=120) + site.map({"a": 0, "b": 0.4, "c": 1.0})
    values[3] = np.nan
    table = site_feature_shift(pd.DataFrame({"x": values}), site).set_index("site")
    groups = [values[site == label].dropna() for label in "abc"]
    assert table["p_value"].iloc[0] == pytest.approx(scipy.stats.f_oneway(*groups).pvalue)
    assert table.loc["a", "missing"] == 1
    assert table["largest_smd"].iloc[0] == pytest.approx(table["smd"].abs().max())
    assert table.loc["c", "smd"] > 0.5
    assert 0.05 < table["variance_share"].iloc[0] < 0.4


def test_one_site_has_no_shift():
    table = site_feature_shift(pd.DataFrame({"x": [1.0, 2.0]}), pd.Series(["a", "a"]))
    assert table[["smd", "p_value", "largest_smd"]].isna().all(axis=None)
