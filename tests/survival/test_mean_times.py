"""Mean times without and lost to events: by hand, lifelines, jackknife, closed form, coverage."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.problems import InputError
from discovery.survival.curve_tables import common_start, thirds
from discovery.survival.ends import ends_of
from discovery.survival.mean_times import for_sharing, mean_times_by_third
from discovery.survival.restricted_mean import (
    restricted_mean,
    restricted_mean_difference,
    restricted_mean_lost,
)


def two_causes(rng, n, *, rate=1.0, late=False):
    """Exponential times of two causes (rates `rate` and .5), uniform censoring, perhaps late entry."""
    own, other, limit = rng.exponential(1 / rate, n), rng.exponential(2, n), rng.uniform(0.5, 3, n)
    time = np.minimum(np.minimum(own, other), limit)
    status = np.where(limit == time, 0, np.where(own < other, 1, 2))
    came = rng.uniform(-0.5, 0.4, n) if late else np.full(n, -1.0)
    kept = came < time
    return time[kept], status[kept], came[kept] if late else None


def lost_truth(horizon, start=0.0, rate=1.0):
    """Mean time lost to the first cause from `start` on, of those free of both there."""
    both, span = rate + 0.5, horizon - start
    return rate / both * (span - (1 - np.exp(-both * span)) / both)


def test_time_lost_of_four_patients_by_hand():
    # Events of cause 1 at 1 and 3, of cause 2 at 2, the last one followed to 4: F1 is 1/4 from 1, 1/2 from 3.
    found = [restricted_mean_lost([1, 2, 3, 4], [1, 2, 1, 0], 4, cause=cause) for cause in (1, 2)]
    assert found[0].estimate == pytest.approx(2 * 0.25 + 1 * 0.5)
    assert found[1].estimate == pytest.approx(2 * 0.25)
    # without censoring the time lost is a mean of max(4 - T, 0) over cause 1: its error is the plain one
    lost = np.array([3.0, 0, 1, 0])
    assert found[0].se == pytest.approx(np.sqrt(((lost - lost.mean()) ** 2).sum()) / 4)


def test_late_entry_by_hand():
    # Under observation: at 1 two (one event), at 2 three (one event): 1/2, then 1/2 * 2/3 = 1/3.
    found = restricted_mean([1, 2, 3, 3], [1, 1, 0, 0], 3, entry=[0, 0, 1, 1])
    assert found.estimate == pytest.approx(1 + 1 / 2 + 1 / 3)
    from_one = restricted_mean([1, 2, 3, 3], [1, 1, 0, 0], 3, entry=[0, 0, 1, 1], start=1)
    assert from_one.estimate == pytest.approx(1 + 2 / 3)


def test_area_under_kaplan_meier_with_entry_is_that_of_lifelines():
    from lifelines import KaplanMeierFitter
    from lifelines.utils import restricted_mean_survival_time

    time, status, came = two_causes(np.random.default_rng(2), 150, late=True)
    came, time = came + 1, time + 1  # lifelines takes entries from 0 up, and areas from the first of them
    ours = restricted_mean(time, status > 0, 2.5, entry=came, start=came.min())
    fit = KaplanMeierFitter().fit(time, status > 0, entry=came)
    assert ours.estimate == pytest.approx(restricted_mean_survival_time(fit, t=2.5), abs=1e-9)


@pytest.mark.parametrize("late", [False, True])
def test_times_add_up_and_errors_are_those_of_the_jackknife(late):
    time, status, came = two_causes(np.random.default_rng(3), 90, late=late)
    time = np.round(time, 1) + 0.05  # ties
    start = 0.1 if late else None

    def lost(rows, cause):
        entry = None if came is None else came[rows]
        return restricted_mean_lost(time[rows], status[rows], 1.2, cause=cause, entry=entry, start=start)

    n = len(time)
    everybody = np.arange(n)
    free = restricted_mean(time, status > 0, 1.2, entry=came, start=start)
    whole = [lost(everybody, cause) for cause in (1, 2)]
    assert sum(one.estimate for one in whole) + free.estimate == pytest.approx(1.2 - (start or 0))
    for cause, one in zip((1, 2), whole):
        without = np.array([lost(np.delete(everybody, i), cause).estimate for i in everybody])
        jackknife = np.sqrt((n - 1) / n * ((without - without.mean()) ** 2).sum())
        assert one.se == pytest.approx(jackknife, rel=0.02)
    with pytest.raises(InputError, match="survival is unknown later"):
        restricted_mean_lost([1, 2], [1, 0], 3)


def test_the_error_of_the_time_lost_to_any_event_is_that_of_the_time_without():
    time, status, _ = two_causes(np.random.default_rng(4), 80)
    lost, free = restricted_mean_lost(time, status > 0, 1.0), restricted_mean(time, status > 0, 1.0)
    assert lost.se == pytest.approx(free.se, rel=1e-9)  # Greenwood's sum, without ties


def test_thirds_with_late_entry_begin_where_their_curves_do():
    rng = np.random.default_rng(5)
    time, status, came = two_causes(rng, 240, late=True)
    x = rng.normal(size=len(time))
    table = mean_times_by_third(
        time, status, x, entry=came, horizon=1.0, cause_names={1: "relapse", 2: "death"}
    )
    start = common_start(time, came, thirds(x).codes)
    assert set(table["period"]) == {f"from {start:.4g} to 1"}
    assert table["note"].str.contains(f"free of any event at {start:.4g}").all()
    quantities = ["without any event", "lost to relapse", "lost to death"]
    assert table["quantity"].unique().tolist() == [f"restricted mean time {text}" for text in quantities]
    sums = table.groupby("group")["estimate"].sum()
    np.testing.assert_allclose(sums[["lowest third", "highest third"]], 1 - start, rtol=1e-9)
    assert sums["highest less lowest third"] == pytest.approx(0, abs=1e-9)
    low = (thirds(x).codes == 0) & (time > start)
    want = restricted_mean_lost(time[low], status[low], 1.0, entry=came[low], start=start)
    assert table["estimate"][3] == want.estimate


def test_what_cannot_be_given_says_why():
    time, event = np.linspace(0.1, 3, 30), np.ones(30)
    flat = mean_times_by_third(time, event, np.ones(30))
    assert flat["note"].tolist() == ["not given: the feature has too few different values for two groups"]
    assert flat["estimate"].isna().all()
    # the lowest third has left before the others come
    x = np.repeat([0.0, 1.0, 2.0], 10)
    entry = np.repeat([0.0, 5.0, 5.0], 10)
    apart = mean_times_by_third(entry + 1 + np.arange(30) / 30, event, x, entry=entry)
    nobody = "not given: at {} nobody of a third is under observation, which leaves its curve unknown"
    assert apart["note"].tolist() == [nobody.format(0)]
    # all of the lowest third have had the event by 2, when more of it come
    x, entry = np.repeat([0.0, 1.0, 2.0], 20), np.tile(np.repeat([0.0, 3.0], 10), 3)
    end = np.where(x == 0, entry + 1 + np.tile(np.arange(10) / 10, 6), 9.0)
    gap = mean_times_by_third(end, (x == 0).astype(int), x, entry=entry)
    assert gap["note"].tolist() == [nobody.format(3)]


def test_a_feature_of_two_values_has_no_thirds_but_groups_with_names():
    """Reference: the area under Kaplan-Meier of the patients with each value."""
    rng = np.random.default_rng(8)
    time, event = rng.exponential(1, 120), rng.integers(0, 2, 120)
    x = np.where(np.arange(120) % 5 < 3, 0.0, 1.5)
    table = mean_times_by_third(time, event, x, horizon=0.8).set_index("group")
    names = ["lower value (0)", "higher value (1.5)"]
    assert list(table.index) == [*names, "higher value (1.5) less lower value (0)"]
    for name, value in zip(names, (0, 1.5)):
        assert table.loc[name, "n"] == (x == value).sum()
        assert (
            table.loc[name, "estimate"] == restricted_mean(time[x == value], event[x == value], 0.8).estimate
        )
    gap = table["estimate"].iloc[1] - table["estimate"].iloc[0]
    assert table["estimate"].iloc[2] == pytest.approx(gap, rel=1e-12)
    shared = for_sharing(table.reset_index(), 5)
    assert shared["group"].tolist() == ["higher value (1.5) less lower value (0)"]
    few = for_sharing(table.reset_index(), 73)
    assert few["note"].tolist() == ["not given: a group has too few patients or events"]
    assert few["group"].tolist() == shared["group"].tolist()


def test_ends_with_heavy_ties_are_those_of_the_curves():
    x = np.repeat([0.0, 1.0, 2.0, np.nan], [50, 10, 10, 3])
    found = ends_of(x)
    assert (found.lower, found.higher) == ("lower group (≤ 0)", "higher group (> 0)")
    np.testing.assert_array_equal(found.low, x == 0)
    np.testing.assert_array_equal(found.high, x > 0)
    assert ends_of(np.ones(9)) is None
    assert ends_of(np.arange(9.0)).difference == "highest less lowest third"


def test_without_an_event_in_a_third_there_is_no_interval():
    rng = np.random.default_rng(6)
    x, time = np.arange(90.0), rng.uniform(0.5, 2, 90)
    table = mean_times_by_third(time, (x >= 30) * 1, x, horizon=1.0).set_index("group")
    assert table.loc["lowest third", "estimate"] == 1
    assert table.loc[["lowest third", "highest less lowest third"], "ci_low"].isna().all()
    assert table.loc["highest less lowest third", "note"].endswith(
        "no such event in the lowest third before 1"
    )
    assert np.isfinite(table.loc["highest third", "ci_low"])


def test_an_event_at_the_end_takes_no_time_and_is_not_counted():
    # All events at 100, the end of every follow-up: the mean time is 100, whoever has one.
    status, values = np.tile([1, 0, 2], 20), np.arange(60.0)
    table = mean_times_by_third(np.full(60, 100.0), status, values)
    assert (table["events"] == 0).all()
    groups = table[table["quantity"].str.endswith("any event") & ~table["group"].str.contains("minus")]
    assert groups["estimate"].iloc[:2].tolist() == [100.0, 100.0]
    assert table["note"].str.contains("no such event in the lowest third before 100").any()


def test_entries_of_0_are_no_late_entry():
    time, status, _ = two_causes(np.random.default_rng(3), 90)
    values = np.arange(len(time), dtype=float)
    plain = mean_times_by_third(time, status, values)
    at_0 = mean_times_by_third(time, status, values, entry=np.zeros(len(time)))
    pd.testing.assert_frame_equal(at_0, plain)
    assert not at_0["note"].str.contains("late").any()
    came = np.zeros(len(time))
    came[time.argmax()] = time.max() / 2
    late = mean_times_by_third(time, status, values, entry=came)
    assert late["note"].str.contains("patients come under observation late").all()


def test_a_horizon_beyond_the_follow_up_of_a_third_gives_way_to_its_end():
    """Reference: areas under Kaplan-Meier to the earlier end."""
    rng = np.random.default_rng(4)
    x = rng.normal(size=240)
    time, event = rng.uniform(0.1, 1.0, 240) * np.where(x > 0, 2.0, 1.0), rng.integers(0, 2, 240)
    third = thirds(x).codes
    last = min(time[third == 0].max(), time[third == 2].max())
    row = mean_times_by_third(time, event, x, horizon=1.9).iloc[-1]
    assert row["period"] == f"up to {last:g}"
    assert row["note"] == "unadjusted; follow-up of a third ends before 1.9"
    high, low = (restricted_mean(time[third == k], event[third == k], last).estimate for k in (2, 0))
    assert row["estimate"] == pytest.approx(high - low)
    assert set(mean_times_by_third(time, event, x, horizon=0.5)["note"]) == {"unadjusted"}


def test_of_few_events_nothing_is_shared():
    rng = np.random.default_rng(7)
    x, time = np.arange(90.0), rng.uniform(0.5, 2, 90)
    few = mean_times_by_third(time, np.where(x < 30, x < 3, x % 2), x, horizon=1.9)
    assert for_sharing(few, 5)["note"].tolist() == ["not given: a third has too few patients or events"]
    # by 0.8 the thirds have had 2 and 4 of their 15: these alone make the mean
    early = mean_times_by_third(time, x % 2, x, horizon=0.8)
    low, high = (int(((time <= 0.8) & (x % 2 == 1) & third).sum()) for third in (x < 30, x >= 60))
    assert early["events"].tolist() == [low, high, low + high]
    assert (low, high) == (2, 4)
    assert for_sharing(early, 5)["note"].tolist() == ["not given: a third has too few patients or events"]
    many = mean_times_by_third(time, x % 2, x, horizon=1.9)
    pd.testing.assert_frame_equal(for_sharing(many, 5), many.tail(1))


@pytest.mark.parametrize("late", [False, True])
def test_coverage_of_the_difference_in_time_lost(full_validity, late):
    # Truth: closed form of two exponential causes, the first with twice the rate in one group.
    runs, n, start, horizon = (2000 if full_validity else 300), 80, (0.1 if late else None), 0.8
    truth = lost_truth(horizon, start or 0, 2.0) - lost_truth(horizon, start or 0)
    rng = np.random.default_rng(20261126)
    covered = 0
    for _ in range(runs):
        means = []
        for rate in (2.0, 1.0):
            time, status, came = two_causes(rng, n, rate=rate, late=late)
            means.append(restricted_mean_lost(time, status, horizon, entry=came, start=start))
        gap = restricted_mean_difference(*means)
        covered += gap.ci_low <= truth <= gap.ci_high
    assert abs(covered / runs - 0.95) < 0.01 + 3.5 * np.sqrt(0.95 * 0.05 / runs), covered / runs


def test_the_interval_of_a_mean_time_keeps_to_the_span_of_time():
    """By the delta method: the logit of the share of the span has the error se * span / (m * (span - m))."""
    time, status = [1.0, 6, 9, 9, 9, 9, 9, 9, 9, 9], [1, 2, 0, 0, 0, 0, 0, 0, 0, 0]
    lost, free = restricted_mean_lost(time, status, 8), restricted_mean(time, np.array(status) > 0, 8)
    for found in (lost, free):
        m, z = found.estimate, 1.959964
        assert m - z * found.se < 0 or m + z * found.se > 8  # a plain interval does not
        assert 0 < found.ci_low < m < found.ci_high < 8
        half = z * found.se * 8 / (m * (8 - m))
        ends = np.array([found.ci_low, found.ci_high]) / 8
        np.testing.assert_allclose(
            np.log(ends / (1 - ends)), np.log(m / (8 - m)) + half * np.array([-1, 1]), rtol=1e-6
        )
    later = restricted_mean_lost([2, 3, 4, 9, 9, 9, 9, 9, 9, 9], [1, 1, 0, 0, 0, 0, 0, 0, 0, 0], 8, start=1.5)
    assert 0 < later.ci_low < later.estimate < later.ci_high < 6.5
    nobody = restricted_mean([9.0, 9], [0, 0], 8)
    assert (nobody.estimate, nobody.ci_low, nobody.ci_high) == (8, 8, 8)


@pytest.mark.parametrize("n", [20, 30])
def test_coverage_of_mean_times_in_small_groups(full_validity, n):
    # Truth: closed form of two exponential causes. The margin is that of the runs and of one point.
    runs, horizon = (3000 if full_validity else 400), 0.8
    truth = (lost_truth(horizon), (1 - np.exp(-1.5 * horizon)) / 1.5)
    rng, covered = np.random.default_rng(20261126 + n), np.zeros(2)
    for _ in range(runs):
        time, status, _ = two_causes(rng, n)
        found = (restricted_mean_lost(time, status, horizon), restricted_mean(time, status > 0, horizon))
        covered += [one.ci_low <= true <= one.ci_high for one, true in zip(found, truth)]
    assert (abs(covered / runs - 0.95) < 0.01 + 3.5 * np.sqrt(0.95 * 0.05 / runs)).all(), covered / runs
