"""Gray's test with delayed entry: weighted risk sets from their definition, limits, breaks of observation."""

from __future__ import annotations

import numpy as np
import pytest

from discovery.survival.groups_over_time import GRAY, groups_over_time
from discovery.survival.logrank import grays_test, logrank_test


def sample(seed, n=90, *, rounded=0.0):
    """Time, status, entry and group: hazards and entry differ by group, a third is there from the start."""
    rng = np.random.default_rng(seed)
    group = rng.integers(0, 3, 8 * n)
    time = rng.exponential(1 / (1 + 0.3 * group))
    cause, limit = 1 + (rng.random(8 * n) < 0.4), rng.exponential(1.5, 8 * n)
    entry = np.maximum(rng.uniform(-0.5, 1, 8 * n) * (1 - 0.2 * group), 0)
    status = np.where(limit < time, 0, cause)
    time = np.minimum(time, limit)
    if rounded:
        time, entry = np.ceil(time * rounded), np.floor(entry * rounded)
    seen = np.flatnonzero(entry < time)[:n]
    return time[seen], status[seen], entry[seen], np.array(list("abc"))[group[seen]]


def weighted_at_risk(time, status, entry, at):
    """Risk sets at times `at` with the weights of Geskus 2011, equations 5 and 6, in sums and products.

    Events are followed by censorings and these by entries. Gray's test ends with the follow-up of the group.
    """

    def uncensored(t):  # G(t-)
        left = 1.0
        for u in np.unique(time[(status == 0) & (time < t)]):
            watched = (entry < u) & ((time > u) | ((time == u) & (status == 0)))
            left *= 1 - ((time == u) & (status == 0)).sum() / watched.sum()
        return left

    def entered(t):  # H(t-)
        value = 1.0
        for s in np.unique(entry[entry >= t]):
            value *= 1 - (entry == s).sum() / ((entry <= s) & (time > s)).sum()
        return value

    total = []
    for t in at:
        watched, gone = ((entry < t) & (time >= t)).sum(), time[(status > 1) & (time < t)]
        kept = sum(uncensored(t) * entered(t) / (uncensored(u) * entered(u)) for u in gone)
        total.append(watched + kept if watched else 0.0)
    return np.array(total)


@pytest.mark.parametrize("rounded", [0.0, 8.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_numbers_compared_are_risk_sets_weighted_in_each_group(seed, rounded):
    time, status, entry, group = sample(seed, rounded=rounded)
    test = grays_test(time, status, group, entry=entry)
    assert not test.note
    at, events = np.unique(time[status == 1], return_counts=True)
    risk = np.array([weighted_at_risk(*(v[group == g] for v in (time, status, entry)), at) for g in "abc"])
    np.testing.assert_allclose(test.expected, (risk / risk.sum(axis=0)) @ events, rtol=1e-9)
    assert test.observed.sum() == pytest.approx(events.sum())


def test_entry_at_the_start_changes_nothing():
    time, status, _, group = sample(4, rounded=8.0)
    plain, late = grays_test(time, status, group), grays_test(time, status, group, entry=np.zeros(len(time)))
    np.testing.assert_array_equal(late.covariance, plain.covariance)
    assert (late.statistic, late.note) == (plain.statistic, "")


def test_without_competing_events_it_compares_as_the_logrank_test():
    time, status, entry, group = sample(5)
    event = (status == 1).astype(int)
    gray = grays_test(time, event, group, entry=entry)
    logrank = logrank_test(time, event, group, entry=entry)
    np.testing.assert_allclose(gray.observed - gray.expected, logrank.observed - logrank.expected, atol=1e-9)
    assert gray.statistic == pytest.approx(logrank.statistic, rel=0.1)


def test_strata_add_up_and_groups_may_be_renamed():
    one, two = sample(6), sample(7)
    time, status, entry, group = (np.concatenate(parts) for parts in zip(one, two))
    both = grays_test(time, status, group, entry=entry, stratum=np.repeat([0, 1], 90))
    alone = [grays_test(part[0], part[1], part[3], entry=part[2]) for part in (one, two)]
    np.testing.assert_allclose(both.expected, alone[0].expected + alone[1].expected)
    np.testing.assert_allclose(both.covariance, alone[0].covariance + alone[1].covariance)
    named = np.array([{"a": "z", "b": "y", "c": "x"}[g] for g in group])
    moved = grays_test(time, status, named, entry=entry, stratum=np.repeat([0, 1], 90))
    assert moved.statistic == pytest.approx(both.statistic, rel=1e-6)


def test_what_lies_before_the_last_group_came_or_after_a_break_is_left_out():
    time, status, entry, group = sample(8)
    whole = grays_test(time, status, group, entry=entry)
    first = np.array([1.0, 2.0]), np.array([1, 2]), np.array([0.0, 0.5]), np.array(["a", "b"])
    last = np.array([90.0, 91.0]), np.array([1, 1]), np.array([80.0, 80.0]), np.array(["a", "b"])
    shifted = [(first[k], (time + 5, status, entry + 5, group)[k], last[k]) for k in range(4)]
    more = [np.concatenate(parts) for parts in shifted]
    test = grays_test(more[0], more[1], more[3], entry=more[2])
    assert "other events are left out" in test.note
    assert test.statistic == pytest.approx(whole.statistic, rel=1e-9)
    np.testing.assert_allclose(test.observed, whole.observed)


def test_no_event_and_nobody_in_time_have_no_test():
    time, status, entry, group = sample(9)
    none = grays_test(time, np.zeros(len(time)), group, entry=entry)
    assert np.isnan(none.p_value)
    late = np.where(group == "c", time.max() + 1, entry)
    out = grays_test(np.maximum(time, late + 0.5), status * (group != "c"), group, entry=late)
    assert "nobody at risk beside others at an event: c" in out.note
    assert out.df == 1


def test_groups_of_a_run_are_compared_with_delayed_entry():
    import pandas as pd

    time, status, entry, group = sample(10)
    table = groups_over_time(time, status, {"letter": pd.Series(group)}, entry=entry)
    row = table[table["quantity"] == GRAY].iloc[0]
    assert row["p_value"] == grays_test(time, status, group, entry=entry).p_value
