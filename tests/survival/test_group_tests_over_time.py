"""Log-rank family, Gray's test and restricted means: laws, closed forms, lifelines."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from discovery.problems import InputError
from discovery.survival.cox import cox_model
from discovery.survival.logrank import grays_test, logrank_test
from discovery.survival.restricted_mean import restricted_mean, restricted_mean_difference

rows = st.lists(
    st.tuples(st.integers(0, 8), st.integers(0, 2), st.sampled_from("abc")), min_size=2, max_size=40
)
quick = settings(max_examples=60, deadline=None)


@pytest.mark.parametrize("test", ["logrank", "gehan", "tarone-ware", "peto", "fleming-harrington"])
def test_a_stratum_without_an_event_adds_nothing(test):
    time, event, group = np.array([1.0, 2, 2, 3, 5]), np.array([1.0, 0, 1, 1, 0]), np.array(list("abaab"))
    how = {"test": test, "rho": 0.5, "gamma": 1.0}
    alone = logrank_test(time, event, group, **how)
    more = np.append(time, [2.0, 4.0]), np.append(event, [0.0, 0.0]), np.append(group, ["a", "b"])
    both = logrank_test(*more, stratum=[0] * 5 + [1] * 2, **how)
    assert both.p_value == alone.p_value
    np.testing.assert_array_equal(both.covariance, alone.covariance)


@quick
@given(rows)
def test_observed_and_expected_add_up_and_lifelines_agrees(data):
    from lifelines.statistics import multivariate_logrank_test

    time, status, group = map(np.array, zip(*data))
    event = (status == 1).astype(float)
    test = logrank_test(time, event, group)
    assert test.observed.sum() == pytest.approx(test.expected.sum())
    assert test.observed.sum() == pytest.approx(event.sum())
    np.testing.assert_allclose(test.covariance.sum(axis=0), 0, atol=1e-9)
    if test.df != len(test.groups) - 1 or test.df == 0:
        return
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = multivariate_logrank_test(time, group, event)
    assert test.statistic == pytest.approx(other.test_statistic, rel=1e-6, abs=1e-9)


@quick
@given(rows, st.sampled_from(["logrank", "gehan", "tarone-ware", "peto"]))
def test_invariances(data, kind):
    time, status, group = map(np.array, zip(*data))
    event = (status == 1).astype(float)
    first = logrank_test(time, event, group, test=kind)
    order = np.random.default_rng(1).permutation(len(time))
    moved = logrank_test((time[order] + 1.0) ** 2, event[order], group[order], test=kind)
    assert moved.statistic == pytest.approx(first.statistic, nan_ok=True, rel=1e-9, abs=1e-12)
    renamed = logrank_test(
        time, event, np.array([{"a": "z", "b": "y", "c": "x"}[g] for g in group]), test=kind
    )
    assert renamed.statistic == pytest.approx(first.statistic, nan_ok=True, rel=1e-6, abs=1e-9)
    one_stratum = logrank_test(time, event, group, test=kind, stratum=np.zeros(len(time)))
    assert one_stratum.statistic == pytest.approx(first.statistic, nan_ok=True)


@quick
@given(rows)
def test_grays_test_ignores_order_and_names(data):
    time, status, group = map(np.array, zip(*data))
    first = grays_test(time, status, group)
    order = np.random.default_rng(1).permutation(len(time))
    moved = grays_test(np.sqrt(time[order]), status[order], group[order])
    assert moved.statistic == pytest.approx(first.statistic, nan_ok=True, rel=1e-6, abs=1e-9)


def test_grays_test_without_competing_events_is_near_the_logrank_test():
    rng = np.random.default_rng(0)
    n = 2000
    group = rng.integers(0, 2, n)
    time, limit = rng.exponential(1 / (1 + 0.15 * group)), rng.exponential(2, n)
    observed, event = np.minimum(time, limit), (time <= limit).astype(int)
    gray, logrank = grays_test(observed, event, group), logrank_test(observed, event, group)
    # With no other cause the numbers compared are the same; only the variance is another estimate.
    np.testing.assert_allclose(gray.observed - gray.expected, logrank.observed - logrank.expected, atol=1e-9)
    assert gray.statistic == pytest.approx(logrank.statistic, rel=0.02)


def test_logrank_is_the_score_test_of_cox_without_ties():
    rng = np.random.default_rng(3)
    time, event, group = rng.permutation(60) + 1.0, rng.integers(0, 2, 60), rng.integers(0, 2, 60)
    test = logrank_test(time, event, group)
    fit = cox_model(time, event, group.astype(float))
    assert test.statistic == pytest.approx(fit.score_chi2, rel=1e-9)


def test_delayed_entry_counts_only_who_was_there():
    rng = np.random.default_rng(8)
    time = rng.permutation(80) + 20.0
    entry = np.minimum(rng.integers(0, 60, 80), time - 1.0)
    event, group = rng.integers(0, 2, 80), rng.integers(0, 2, 80)
    test = logrank_test(time, event, group, entry=entry)
    fit = cox_model(time, event, group.astype(float), entry=entry)
    assert test.statistic == pytest.approx(fit.score_chi2, rel=1e-9)


def test_trend_over_ordered_groups_is_the_score_test_of_the_rank():
    rng = np.random.default_rng(6)
    time, event, rank = rng.permutation(90) + 1.0, rng.integers(0, 2, 90), rng.integers(0, 3, 90)
    group = pd.Categorical.from_codes(rank, ["low", "mid", "high"], ordered=True)
    test = logrank_test(time, event, group)
    assert test.groups == ("low", "mid", "high")
    assert test.trend_statistic == pytest.approx(cox_model(time, event, rank.astype(float)).score_chi2)


def test_a_group_that_was_never_at_risk_is_named():
    test = logrank_test([0.5, 1, 2, 3, 4], [0, 1, 1, 0, 1], ["gone", "a", "b", "a", "b"])
    assert test.df == 1
    assert "gone" in test.note
    alone = logrank_test([1, 2], [1, 0], ["a", "a"])
    assert np.isnan(alone.statistic)
    assert np.isnan(alone.p_value)
    assert logrank_test([1, 2], [0, 0], ["a", "b"]).df == 0


def test_a_missing_group_is_refused():
    with pytest.raises(InputError, match="a label in every row"):
        logrank_test([1, 2], [1, 0], ["a", None])
    with pytest.raises(InputError, match="did you mean 'gehan'"):
        logrank_test([1, 2], [1, 0], ["a", "b"], test="gehn")


def test_restricted_mean_without_censoring_is_the_mean_of_the_cut_times():
    # Closed form: the area is the mean of min(T, horizon), the variance that of a mean (divisor n).
    rng = np.random.default_rng(9)
    time = rng.exponential(10, 300).round(1)
    cut = np.minimum(time, 12.0)
    found = restricted_mean(time, np.ones(300), 12.0)
    assert found.estimate == pytest.approx(cut.mean())
    assert found.se == pytest.approx(np.sqrt(cut.var() / 300), rel=1e-9)


def test_restricted_means_of_lifelines(dataset):
    from lifelines import KaplanMeierFitter
    from lifelines.utils import restricted_mean_survival_time

    rossi = dataset("rossi.csv")
    ours = restricted_mean(rossi.week, rossi.arrest, 40)
    theirs = restricted_mean_survival_time(KaplanMeierFitter().fit(rossi.week, rossi.arrest), t=40)
    assert ours.estimate == pytest.approx(theirs, abs=1e-9)


def test_a_horizon_beyond_follow_up_is_refused():
    with pytest.raises(InputError, match="at most the last follow-up, 3"):
        restricted_mean([1, 2, 3], [1, 1, 0], 4)
    # The curve has come to 0, so nothing is unknown.
    assert restricted_mean([1, 2, 3], [1, 1, 1], 4).estimate == pytest.approx(2)
    a, b = restricted_mean([1, 2, 3], [1, 1, 1], 2), restricted_mean([1, 2, 3], [1, 1, 1], 3)
    with pytest.raises(InputError, match="one start, horizon and level"):
        restricted_mean_difference(a, b)
