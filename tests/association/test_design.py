"""Design: who is in, who is left out and why, and columns that can be read back."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.association.analysed_patients import POOLED_SITES
from discovery.association.coding import keep_independent, learn_coding
from discovery.association.design import build_design
from discovery.association.scaling import learn_scaling
from discovery.problems import InputError
from discovery.study import Outcome


def outcome(kind="binary", n=40, **fields):
    rng = np.random.default_rng(1)
    given = {
        "name": "out",
        "label": "out",
        "kind": kind,
        "patient_id": np.array([f"p{i:03}" for i in range(n)]),
        "value": None,
        "categories": (),
        "time": None,
        "status": None,
        "entry": None,
    }
    if kind == "survival":
        given |= {"time": rng.exponential(10, n), "status": rng.integers(0, 2, n).astype(float)}
    elif kind == "binary":
        given["value"] = (np.arange(n) % 2).astype(float)
    else:
        given["value"] = rng.normal(size=n)
    return Outcome(**(given | fields))


def tables(out, seed=2):
    rng = np.random.default_rng(seed)
    n = len(out.patient_id)
    ids = pd.Index(out.patient_id, name="patient_id")
    covariates = pd.DataFrame(
        {
            "age": rng.normal(60, 10, n),
            "sex": pd.Categorical(np.where(np.arange(n) % 5 < 3, "female", "male")),
            "smoker": (np.arange(n) % 3 == 0).astype(float),
        },
        index=ids,
    )
    features = pd.DataFrame(rng.normal(5, 3, (n, 3)), columns=["a", "b", "c"], index=ids)
    return covariates, features


def test_base_model_columns_are_named_and_read_back():
    out = outcome()
    covariates, features = tables(out)
    design = build_design(out, covariates, features)
    assert [t.name for t in design.terms] == ["age", "sex=male", "smoker=1"]
    assert [t.contrast for t in design.terms] == ["per 1 SD", "male against female", "1 against 0"]
    age, male, smoker = design.base.T
    np.testing.assert_allclose(age * design.terms[0].sd + design.terms[0].mean, covariates["age"])
    assert age.std(ddof=1) == pytest.approx(1)
    np.testing.assert_array_equal(male, covariates["sex"] == "male")
    np.testing.assert_array_equal(smoker, covariates["smoker"])


def test_features_are_winsorised_at_cohort_quantiles_then_scaled():
    out = outcome(n=200)
    covariates, features = tables(out)
    features.loc["p000", "a"] = 1e6
    design = build_design(out, covariates, features, winsor=(0.01, 0.99))
    low, high = features["a"].quantile([0.01, 0.99])
    clipped = features["a"].clip(low, high)
    np.testing.assert_allclose(design.features[:, 0], (clipped - clipped.mean()) / clipped.std(ddof=1))
    limits = design.scaling.table.loc["a"]
    assert (limits["low"], limits["high"]) == pytest.approx((low, high))
    raw = build_design(out, covariates, features, winsor=False)
    assert raw.features[0, 0] > 10


def test_a_second_cohort_is_put_on_the_scale_of_the_first():
    out = outcome()
    covariates, features = tables(out)
    first = build_design(out, covariates, features)
    other_covariates, other_features = tables(out, seed=3)
    second = build_design(out, other_covariates, other_features, scaling=first.scaling, coding=first.coding)
    mean, sd = first.scaling.table.loc["b", ["mean", "sd"]]
    low, high = first.scaling.table.loc["b", ["low", "high"]]
    np.testing.assert_allclose(second.features[:, 1], (other_features["b"].clip(low, high) - mean) / sd)
    np.testing.assert_allclose(
        second.base[:, 0], (other_covariates["age"] - covariates["age"].mean()) / covariates["age"].std()
    )
    other_covariates["sex"] = other_covariates["sex"].astype(object)
    other_covariates.loc["p001", "sex"] = "unknown"
    with pytest.raises(InputError, match="'unknown'; one of female, male"):
        build_design(out, other_covariates, other_features, coding=first.coding)


def test_a_rare_finding_keeps_its_spread_and_says_that_it_was_not_winsorised():
    column = pd.DataFrame({"rare": np.r_[1.0, np.zeros(199)], "flat": 7.0})
    table = learn_scaling(column).table
    assert table.at["rare", "sd"] > 0
    assert "not winsorised" in table.at["rare", "note"]
    assert table.at["flat", "sd"] == 0
    np.testing.assert_array_equal(learn_scaling(column).apply(column)[:, 1], np.zeros(200))


def test_each_patient_left_out_is_counted_once_with_the_first_reason():
    out = outcome("survival", entry=np.zeros(40))
    out.time[0], out.status[1], out.entry[2] = np.nan, np.nan, 1e9
    covariates, features = tables(out)
    covariates.loc[["p000", "p003", "p004"], "age"] = np.nan
    covariates.loc[["p004", "p005"], "sex"] = np.nan
    site = pd.Series("north", index=covariates.index, dtype=object)
    site["p006"] = None
    design = build_design(out, covariates, features, site=site)
    assert list(design.left_out.itertuples(index=False, name=None)) == [
        ("outcome is missing", 2),
        ("follow-up ends at or before entry", 1),
        ("covariate age is missing", 2),
        ("covariate sex is missing", 1),
        ("site is missing", 1),
    ]
    assert design.n == 40 - 7 == len(design.base) == len(design.time)
    assert list(design.patient_id) == [f"p{i:03}" for i in range(7, 40)]


def test_a_missing_feature_value_costs_only_that_feature():
    out = outcome()
    covariates, features = tables(out)
    features.loc[["p001", "p002"], "b"] = np.nan
    covariates.loc["p003", "age"] = np.nan
    design = build_design(out, covariates, features)
    assert list(design.n_left_out) == [1, 3, 1]
    assert list(design.observed.sum(axis=0)) == [39, 37, 39]
    assert not design.features[~design.observed].any()


def test_sites_are_strata_for_survival_and_indicators_otherwise():
    site_names = np.array(["north", "south", "north", "west"] * 10)
    for kind in ("survival", "continuous"):
        out = outcome(kind)
        covariates, features = tables(out)
        site = pd.Series(site_names, index=covariates.index)
        design = build_design(out, covariates, features, site=site)
        if kind == "survival":
            assert list(np.bincount(design.stratum)) == [20, 10, 10]
            assert design.base.shape[1] == 3
        else:
            assert design.stratum is None
            assert [t.name for t in design.terms][:2] == ["site=south", "site=west"]
            assert design.terms[0].contrast == "south against north"
            np.testing.assert_array_equal(design.base[:, 0], site_names == "south")


def test_small_sites_are_pooled_and_said_so():
    out = outcome("survival")
    covariates, features = tables(out)
    site = pd.Series(["big"] * 33 + ["x"] * 4 + ["y"] * 2 + ["z"], index=covariates.index)
    design = build_design(out, covariates, features, site=site)
    assert list(np.unique(design.site)) == ["big", POOLED_SITES]
    assert (design.site == POOLED_SITES).sum() == 7
    assert any("3 sites with fewer than 5 patients are one level: x, y, z" in note for note in design.notes)


def test_a_site_where_the_binary_outcome_does_not_vary_is_left_out():
    out = outcome()
    covariates, features = tables(out)
    site = pd.Series(np.where(np.arange(40) < 30, "north", "south"), index=covariates.index)
    out.value[30:] = 1.0
    design = build_design(out, covariates, features, site=site)
    assert design.n == 30
    assert "site south: all patients have the same outcome" in design.left_out["reason"].iloc[0]
    assert [t.name for t in design.terms] == ["age", "sex=male", "smoker=1"]


def test_strata_without_an_event_are_remarked():
    out = outcome("survival")
    covariates, features = tables(out)
    out.status[:10] = 0
    site = pd.Series(np.where(np.arange(40) < 10, "quiet", "busy"), index=covariates.index)
    design = build_design(out, covariates, features, site=site)
    assert "sites without an event add nothing to the comparison: quiet" in design.notes
    assert design.n == 40


def test_redundant_covariates_leave_the_base_model_with_a_note():
    out = outcome("continuous")
    covariates, features = tables(out)
    covariates["age_months"] = covariates["age"] * 12
    covariates["country"] = "here"
    site = pd.Series(np.where(np.arange(40) < 20, "north", "south"), index=covariates.index)
    covariates["altitude"] = np.where(site == "north", 10.0, 400.0)
    for kind in ("continuous", "survival"):
        design = build_design(outcome(kind), covariates, features, site=site)
        names = [t.name for t in design.terms]
        assert "age_months" not in names
        assert "altitude=400" not in names
        assert any("age_months left out of the base model" in note for note in design.notes)
        assert any("altitude=400 left out of the base model" in note for note in design.notes)
        assert any("covariate country left out: only the value 'here'" in note for note in design.notes)


def test_features_that_define_the_outcome_are_not_tested():
    out = outcome()
    covariates, features = tables(out)
    for design in (
        build_design(out, covariates, features, defined_from=["b"]),
        build_design(outcome(excluded_features=("b",)), covariates, features),
    ):
        assert design.feature_names == ("a", "c")
        assert list(design.excluded["feature"]) == ["b"]


def test_competing_events_are_censored_and_can_be_asked_for():
    out = outcome("survival")
    out.status[:12] = [0, 1, 2, 3] * 3
    covariates, features = tables(out)
    design = build_design(out, covariates, features)
    assert design.causes == (1, 2, 3)
    np.testing.assert_array_equal(design.event, out.status == 1)
    np.testing.assert_array_equal(design.for_cause(3).event, out.status == 3)
    assert design.for_cause(3).effective_size == 3


def test_effective_size_is_what_limits_the_model():
    out = outcome()
    out.value[:] = np.r_[np.ones(7), np.zeros(33)]
    assert build_design(out, *tables(out)).effective_size == 7
    assert build_design(outcome("continuous"), *tables(out)).effective_size == 40


def test_the_callers_tables_are_not_changed():
    out = outcome()
    covariates, features = tables(out)
    before = covariates.copy(deep=True), features.copy(deep=True), out.value.copy()
    build_design(out, covariates, features)
    pd.testing.assert_frame_equal(covariates, before[0])
    pd.testing.assert_frame_equal(features, before[1])
    np.testing.assert_array_equal(out.value, before[2])


def test_faults_are_all_told():
    out = outcome()
    covariates, features = tables(out)
    with pytest.raises(InputError, match="no row for p000") as fault:
        build_design(out, covariates.iloc[1:], features.iloc[2:])
    assert len(fault.value.problems) == 2
    out.value[:] = np.nan
    with pytest.raises(InputError, match=r"no patient left to analyse.*outcome is missing: 40"):
        build_design(out, covariates, features)
    features.iloc[0, 0] = np.inf
    with pytest.raises(InputError, match="infinite"):
        learn_scaling(features)
    with pytest.raises(InputError, match="two rising quantiles"):
        learn_scaling(features, (0.9, 0.1))


def test_whole_numbers_and_their_float_form_are_one_category():
    coding = learn_coding(pd.DataFrame({"class": pd.Series([1, 2.0, "3", 1, 2], dtype=object)}))
    assert [t.name for t in coding.terms] == ["class=2", "class=3"]
    assert coding.terms[0].reference == "1"


def test_keep_independent_against_matrix_rank():
    rng = np.random.default_rng(8)
    for _ in range(20):
        columns = rng.normal(size=(30, 4)) @ rng.integers(-1, 2, (4, 8))
        kept = keep_independent(columns)
        assert kept.sum() == np.linalg.matrix_rank(columns) == np.linalg.matrix_rank(columns[:, kept])
