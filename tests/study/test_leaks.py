"""Leaks: equal columns left out, suspected ones kept and named; the measures against reference libraries."""

# The words of a message stand on one line.
# ruff: noqa: E501

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from discovery.study.leaks import (
    areas,
    concordances,
    correlations,
    equal_features,
    exact_concordance,
    ordered_pairs,
    orderings,
    repeats,
    suspected_leaks,
)


def test_a_feature_that_equals_an_outcome_is_left_out(study):
    study.features["copy"] = study.patients["responder"]
    study.features["died"] = (study.patients["status"] == 1).astype(int)
    study.features["followed"] = study.patients["time_days"]
    got = study.read()
    assert list(got.features.columns) == ["rv_a", "rv_b", "pa_a", "pa_b"]
    assert got.excluded_features.set_index("feature")["reason"].to_dict() == {
        "copy": "leak: equals the outcome responder",
        "died": "leak: equals the outcome death",
        "followed": "leak: equals the outcome death",
    }
    assert (
        "features.csv, column 'copy'; leak: this equals the outcome 'responder'; it is left out of the features"
        in [problem.sentence() for problem in got.warnings]
    )


def test_a_feature_that_reproduces_an_outcome_is_kept_and_named(study):
    rng = np.random.default_rng(2)
    study.features["nearly"] = -3 * study.patients["responder"] + rng.normal(0, 0.1, 40)
    study.features["fate"] = 1 / study.patients["time_days"]
    got = study.read()
    assert {"nearly", "fate"} <= set(got.features.columns)
    said = [problem.sentence() for problem in got.warnings]
    assert len(said) == 2
    assert said[0].startswith(
        "features.csv, column 'fate': found 'C 1.000'; suspected leak: alone it reproduces the outcome 'death' "
        "(C above 0.98); was it known before the outcome?"
    )
    assert (
        "column 'nearly': found 'AUC 1.000'; suspected leak: alone it reproduces the outcome 'responder'"
        in said[1]
    )
    flags = suspected_leaks(got.features, got.outcomes, 1)
    assert flags == {
        ("death", "fate"): "suspected leak: alone it all but reproduces the outcome (C above 0.98)",
        ("responder", "nearly"): "suspected leak: alone it all but reproduces the outcome (AUC above 0.98)",
    }
    made = [replace(outcome, excluded_features=("fate", "nearly")) for outcome in got.outcomes]
    assert suspected_leaks(got.features, made, 1) == {}


def test_a_straight_or_bent_copy_of_a_number_is_suspected(study):
    study.patients["walk"] = np.random.default_rng(1).normal(400, 80, 40).round(1)
    study.features["feet"] = study.patients["walk"] * 3.28
    study.features["cube"] = study.patients["walk"] ** 9
    study.toml += '[[outcomes]]\nname = "w"\nkind = "continuous"\ncolumn = "walk"\n'
    said = study.doubts()
    assert (
        sum("suspected leak: alone it reproduces the outcome 'w' (|r| above 0.98)" in doubt for doubt in said)
        == 2
    )


@pytest.mark.parametrize("spread", [80.0, 0.5])
def test_a_noisy_copy_of_a_number_is_suspected_down_to_the_limit(study, spread):
    """The feature 2 w + 1 with noise of SD 0.1 has r = (1 + (0.1 / 2 / spread)^2)^-1/2 with w: above 0.98
    for every spread of w above 0.246."""
    rng = np.random.default_rng(7)
    study.patients["walk"] = rng.normal(400, spread, 40)
    study.features["f7"] = 2 * study.patients["walk"] + 1 + rng.normal(0, 0.1, 40)
    study.toml += '[[outcomes]]\nname = "w"\nkind = "continuous"\ncolumn = "walk"\n'
    said = study.doubts()
    assert len(said) == 1
    assert said[0].startswith("features.csv, column 'f7': found '|r| ")
    assert "suspected leak: alone it reproduces the outcome 'w' (|r| above 0.98)" in said[0]


def test_a_feature_that_repeats_a_covariate_is_left_out_and_named(study):
    rng = np.random.default_rng(8)
    age = study.patients["age_years"]
    study.features["born"] = 2026 - age
    study.features["age_again"] = age + rng.normal(0, 0.1, 40)
    study.features["like_age"] = age + rng.normal(0, 2, 40)
    study.features["male"] = (study.patients["sex"] == "m").astype(int)
    study.features.loc[3, "born"] = np.nan
    got = study.read()
    assert list(got.features.columns) == ["rv_a", "rv_b", "pa_a", "pa_b", "like_age"]
    assert got.excluded_features.set_index("feature")["reason"].to_dict() == {
        "born": "repeats covariate age_years",
        "age_again": "repeats covariate age_years",
        "male": "repeats covariate sex",
    }
    said = [problem.sentence() for problem in got.warnings]
    assert said[0] == (
        "features.csv, column 'born': found '|r| 1.0000'; this repeats the covariate 'age_years'; it is left "
        "out of the features"
    )
    assert len(said) == 3


def test_the_closeness_to_groups_is_the_multiple_correlation_with_their_indicators():
    """statsmodels' OLS of the feature on the groups gives R squared; for two groups it is Pearson's r."""
    import statsmodels.api as sm

    rng = np.random.default_rng(9)
    three = pd.Series(pd.Categorical(np.resize(["a", "b", "c"], 60)))
    values = rng.normal(size=(60, 3)) + three.cat.codes.to_numpy()[:, None] * [0.0, 3.0, 1e4]
    values[::7, 1] = np.nan
    expected = []
    for column in values.T:
        seen = np.isfinite(column)
        fit = sm.OLS(column[seen], pd.get_dummies(three[seen]).to_numpy(float)).fit()
        expected.append(np.sqrt(1 - fit.ssr / fit.centered_tss))
    np.testing.assert_allclose(repeats(values, three), expected, rtol=1e-9)
    two = pd.Series(pd.Categorical(np.resize(["a", "b"], 60)))
    number = pd.Series(np.resize([0.0, 1.0], 60))
    # near 0 the root of 1 minus a share keeps half of the digits
    np.testing.assert_allclose(repeats(values, two), repeats(values, number), atol=1e-9)
    assert np.isnan(repeats(values[:9], three[:9])).all()


@pytest.mark.parametrize(("cases", "named"), [(2, False), (4, False), (5, True)])
def test_a_class_of_few_stands_apart_by_chance_and_raises_no_suspicion(study, cases, named):
    outcome = next(o for o in study.read().outcomes if o.kind == "binary")
    value = np.r_[np.ones(cases), np.zeros(40 - cases)]
    outcome = replace(outcome, value=value, patient_id=np.array([f"p{i}" for i in range(40)]))
    apart = pd.DataFrame({"apart": np.arange(40.0)})
    assert bool(suspected_leaks(apart, [outcome], seed=1)) is named


def test_what_an_outcome_is_defined_from_is_not_tested_against_it(study):
    study.features["rv_c"] = -study.patients["responder"] + np.linspace(0, 0.1, 40)
    study.toml += 'defined_from = ["rv_c", "pa_*"]\n'
    got = study.read()
    assert got.warnings == ()
    assert got.outcomes[1].excluded_features == ("pa_a", "pa_b", "rv_c")
    assert list(got.features_for(got.outcomes[1]).columns) == ["rv_a", "rv_b"]
    assert got.outcomes[0].excluded_features == ()
    rows = got.excluded_features
    assert set(rows["reason"]) == {"part of the definition of responder"}
    assert set(rows["outcome"]) == {"responder"}
    study.replace('"pa_*"', '"pv_*"')
    assert (
        "column 'pv_*'; there is no such feature, which defined_from of 'responder' names"
        in study.sentences()[0]
    )


def test_an_outcome_that_is_defined_from_every_feature_has_none_to_test(study):
    study.toml += 'defined_from = ["*"]\n'
    assert study.sentences() == [
        "study.toml, column 'defined_from of responder': found '*'; a feature that the outcome is not defined "
        "from is wanted; these are all 4"
    ]


def test_areas_are_those_of_scikit_learn():
    from sklearn.metrics import roc_auc_score

    rng = np.random.default_rng(3)
    positive = rng.random(200) < 0.3
    columns = rng.integers(0, 9, (200, 5)) + positive[:, None] * np.arange(5)
    values = columns.astype(float)
    values[rng.random(values.shape) < 0.2] = np.nan
    expected = []
    for column in values.T:
        seen = np.isfinite(column)
        area = roc_auc_score(positive[seen], column[seen])
        expected.append(max(area, 1 - area))
    np.testing.assert_allclose(areas(values, positive), expected, rtol=1e-12)


def test_correlations_are_those_of_scipy():
    from scipy.stats import pearsonr, spearmanr

    rng = np.random.default_rng(4)
    target = rng.normal(size=100)
    values = np.column_stack([target + rng.normal(size=100), np.exp(3 * target), rng.normal(size=100)])
    values[rng.random(values.shape) < 0.1] = np.nan
    expected = []
    for column in values.T:
        seen = np.isfinite(column)
        pair = (target[seen], column[seen])
        expected.append(max(abs(pearsonr(*pair).statistic), abs(spearmanr(*pair).statistic)))
    np.testing.assert_allclose(correlations(values, target), expected, rtol=1e-10)


def test_the_exact_c_is_that_of_lifelines(dataset):
    """Rossi: times in weeks with many ties, as lifelines' concordance_index counts them."""
    from lifelines.utils import concordance_index

    table = dataset("rossi.csv").sort_values("week", kind="stable")
    time, event = table["week"].to_numpy(float), table["arrest"].to_numpy() == 1
    later = np.searchsorted(time, time, side="right")
    # lifelines also counts a pair with equal times where one is censored; shifting the censored a little
    # later makes the two rules the same.
    shifted = np.where(event, time, time + 0.5)
    order = np.argsort(shifted, kind="stable")
    later = np.searchsorted(shifted[order], shifted[order], side="right")
    for column in ("age", "prio"):
        scores = table[column].to_numpy(float)
        c = concordance_index(shifted, scores, event)
        got = exact_concordance(scores[order], later, event[order])
        assert got == pytest.approx(max(c, 1 - c), abs=1e-12)


def test_the_sampled_c_is_near_the_exact_one(dataset):
    table = dataset("rotterdam.csv")
    time, event = table["dtime"].to_numpy(float), table["death"].to_numpy() == 1
    order = np.argsort(time, kind="stable")
    later = np.searchsorted(time[order], time[order], side="right")
    columns = table[["nodes", "age", "pgr"]].to_numpy(float)
    sampled = concordances(columns, time, event, np.random.default_rng(5))
    exact = [exact_concordance(column[order], later, event[order]) for column in columns.T]
    np.testing.assert_allclose(
        sampled, exact, atol=5 * 0.5 / np.sqrt(20_000)
    )  # five standard errors of a share


@given(st.integers(0, 2**32 - 1), st.integers(12, 60))
@settings(max_examples=25, deadline=None)
def test_perfect_order_is_always_seen(seed, n):
    rng = np.random.default_rng(seed)
    time = rng.permutation(n) + 1.0
    event = rng.random(n) < 0.7
    event[np.argmin(time)] = True
    got = concordances(np.column_stack([time, -time, rng.normal(size=n)]), time, event, rng)
    assert got[0] == got[1] == 1.0
    assert 0.5 <= got[2] <= 1.0


def test_how_a_feature_orders_counts_is_somers_d_of_scipy():
    """C = (D + 1) / 2 with D of the feature given the count: pairs of different counts, ties a half."""
    from scipy.stats import somersd

    rng = np.random.default_rng(6)
    count = rng.poisson(1.5, 150).astype(float)
    columns = np.column_stack(
        [count + rng.normal(0, noise, 150) for noise in (0.1, 0.3, 0.35)] + [-np.minimum(count, 4)]
    )
    columns[::11, 1] = np.nan
    expected = []
    for column in columns.T:
        seen = np.isfinite(column)
        c = (somersd(count[seen], column[seen]).statistic + 1) / 2
        expected.append(max(c, 1 - c))
    assert min(expected) > 0.96  # near the limit every pair is counted
    np.testing.assert_allclose(ordered_pairs(columns, count, rng), expected, rtol=1e-12)


def counted(outcome, value, **parts):
    n = len(value)
    ids = np.array([f"p{i}" for i in range(n)])
    return replace(
        outcome, value=np.asarray(value, float), patient_id=ids, time=None, status=None, entry=None, **parts
    )


@pytest.mark.parametrize(("kind", "exposed"), [("ordinal", False), ("count", False), ("count", True)])
def test_copies_of_counts_and_ordered_classes_are_suspected_though_they_tie(study, kind, exposed):
    rng = np.random.default_rng(12)
    n = 75
    count = rng.poisson(1.5, n)
    years = rng.uniform(0.5, 5, n) if exposed else None
    outcome = counted(study.read().outcomes[0], count, kind=kind, exposure=years)
    copies = {
        "log": np.log1p(count) + rng.normal(0, 0.001, n),
        "grown": np.exp(2.0 * count) + rng.normal(0, 0.001, n),
        "noise": rng.normal(size=n),
        "years": rng.uniform(0.5, 5, n) if years is None else years,
    }
    if years is not None:
        copies["rate"] = count / years + rng.normal(0, 1e-4, n)
    named = {feature for _, feature in suspected_leaks(pd.DataFrame(copies), [outcome], seed=3)}
    assert named == {"log", "grown"} | ({"rate"} if exposed else set())


def test_episodes_are_suspected_by_number_and_rate_and_not_by_their_follow_up(study):
    rng = np.random.default_rng(13)
    n = 80
    years, begin = rng.uniform(2, 8, n), rng.uniform(0, 1, n)
    count = rng.poisson(0.4 * (years - begin))
    outcome = replace(counted(study.read().outcomes[0], count, kind="recurrent"), time=years, entry=begin)
    columns = np.column_stack([np.log1p(count), -count / (years - begin) + rng.normal(0, 1e-4, n), years])
    of_number, of_rate = (values for _, values in orderings(columns, outcome, 1))
    assert (of_number > 0.98).tolist() == [True, False, False]
    assert (of_rate > 0.98).tolist() == [False, True, False]
    assert not equal_features(columns, outcome)[2]


def test_a_rate_that_only_the_time_makes_is_no_ground_for_suspicion(study):
    """All but one patient have one episode: the rates are the times, turned round."""
    years = np.random.default_rng(14).uniform(1, 5, 60)
    outcome = counted(study.read().outcomes[0], np.r_[2, np.ones(59)], kind="count", exposure=years)
    assert suspected_leaks(pd.DataFrame({"years": years, "inverse": 1 / years}), [outcome], seed=1) == {}


@pytest.mark.parametrize("positive", [3, 4, 5, 8])
def test_few_patients_beside_the_commonest_count_raise_suspicion_no_oftener_than_chance(study, positive):
    """Of 40 patients k with an event stand apart by chance in 2 of (40 over k) features: 1 in 329,004 with 5."""
    outcome = counted(
        study.read().outcomes[0], np.r_[np.arange(positive) + 1, np.zeros(40 - positive)], kind="count"
    )
    noise = np.random.default_rng(positive).normal(size=(40, 3000))
    noise[:, 0] = np.r_[np.arange(positive) + 40, np.arange(40 - positive)]  # stands apart
    flags = suspected_leaks(pd.DataFrame(noise).rename(columns=str), [outcome], seed=1)
    assert [feature for _, feature in flags] == (["0"] if positive >= 5 else [])
