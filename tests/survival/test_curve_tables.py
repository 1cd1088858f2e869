"""Tables behind the figures: curves by third and numbers at risk."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.problems import InputError
from discovery.survival.curve_tables import (
    NO_EVENT,
    NOBODY_LEFT,
    at_risk_table,
    common_start,
    cumulative_hazard_table,
    curve_table,
    thirds,
    time_marks,
)
from discovery.survival.curves import kaplan_meier, nelson_aalen


def test_survival_by_group_is_kaplan_meier_with_a_start_row(dataset):
    lung = dataset("lung.csv")
    table = curve_table(lung.time, (lung.status == 2).astype(int), group=lung.sex, outcome="death")
    assert table["curve"].unique().tolist() == ["survival"]
    assert table["group"].unique().tolist() == ["1", "2"]
    for sex, mine in lung.groupby("sex"):
        curve = kaplan_meier(mine.time, mine.status == 2)
        rows = table[table.group == str(sex)]
        assert rows.iloc[0][["time", "estimate", "ci_low", "ci_high"]].tolist() == [0, 1, 1, 1]
        assert rows.iloc[0]["n_at_risk"] == len(mine)
        np.testing.assert_allclose(rows["estimate"].iloc[1:], curve.estimate)
        assert rows["n_event"].sum() == (mine.status == 2).sum()
        assert rows["n_censored"].sum() == (mine.status == 1).sum()
    assert table["outcome"].eq("death").all()


def test_competing_events_make_all_curves_incidences(dataset):
    mgus2 = dataset("mgus2.csv")
    group = thirds(mgus2["hgb"])
    table = curve_table(mgus2.etime, mgus2.event, group=group, cause_names={1: "progression"})
    assert table["curve"].unique().tolist() == ["progression", "competing event"]
    assert table["n_left_out"].unique().tolist() == [13]
    last = table.groupby(["group", "curve"])["estimate"].last().groupby("group").sum()
    assert (last <= 1 + 1e-12).all()
    assert table[table.curve == "progression"]["n_event"].sum() == (mgus2.event[mgus2.hgb.notna()] == 1).sum()


def test_a_row_without_an_interval_says_why():
    apart = curve_table([1.0, 2, 3, 4], [1, 2, 1, 0], group=["a", "a", "b", "b"])
    for _, row in apart.iterrows():
        without = np.isnan(row["ci_low"])
        assert row["note"] == ((NO_EVENT if row["estimate"] == 0 else NOBODY_LEFT) if without else "")
    never = apart[(apart["group"] == "b") & (apart["curve"] == "competing event")].iloc[1:]
    assert never["estimate"].eq(0).all()
    assert never["note"].eq(NO_EVENT).all()
    alone = curve_table([1.0, 2, 3], [1, 1, 1])
    assert alone["estimate"].iloc[-1] == 0
    assert alone["note"].tolist() == ["", "", "", NOBODY_LEFT]


def test_cumulative_hazards_of_all_causes_are_lifelines(dataset):
    from lifelines import NelsonAalenFitter

    mgus2 = dataset("mgus2.csv")
    table = cumulative_hazard_table(mgus2.etime, mgus2.event, outcome="o", cause_names={1: "progression"})
    assert table["curve"].unique().tolist() == ["progression", "competing event"]
    for cause, (name, mine) in enumerate(table.groupby("curve", sort=False), start=1):
        oracle = NelsonAalenFitter(nelson_aalen_smoothing=False).fit(mgus2.etime, mgus2.event == cause)
        at = oracle.cumulative_hazard_.loc[mine["time"]].to_numpy()[:, 0]
        np.testing.assert_allclose(mine["estimate"], at, rtol=1e-12)
        assert mine["n_event"].sum() == (mgus2.event == cause).sum()
        assert mine["n_censored"].sum() == (mgus2.event == 0).sum()
        own = nelson_aalen(mgus2.etime, mgus2.event == cause)  # its limits: SV12 of the statistical checks
        np.testing.assert_array_equal(mine[["ci_low", "ci_high"]].T, [own.ci_low, own.ci_high], err_msg=name)


def test_one_group_without_the_competing_event_is_still_an_incidence():
    table = curve_table([1.0, 2, 3, 4], [1, 2, 1, 0], group=["a", "a", "b", "b"])
    assert set(table["curve"]) == {"event", "competing event"}
    b = table[(table.group == "b") & (table.curve == "competing event")]
    assert (b["estimate"] == 0).all()


def test_missing_rows_are_counted_not_silently_dropped():
    table = curve_table([1.0, np.nan, 3, 4], [1, 1, np.nan, 0], group=["a", "a", "a", None])
    assert table["n_left_out"].tolist() == [3, 3]
    with pytest.raises(InputError, match="at least one patient with time, status and group"):
        curve_table([np.nan], [1])
    with pytest.raises(InputError, match="one label a row, 2"):
        curve_table([1.0, 2], [1, 0], group=["a"])


def test_numbers_at_risk_add_up(dataset):
    mgus2 = dataset("mgus2.csv")
    table = at_risk_table(mgus2.etime, mgus2.event, [0, 100, 200], group=mgus2.sex)
    total = table.groupby("time")[["n_at_risk", "n_event", "n_competing", "n_censored"]].sum()
    assert total.loc[0, "n_at_risk"] == len(mgus2)
    assert total.loc[100, "n_at_risk"] == (mgus2.etime >= 100).sum()
    assert total.loc[100, "n_event"] == ((mgus2.etime <= 100) & (mgus2.event == 1)).sum()
    here = total.loc[100]
    gone_at_100 = (mgus2.etime == 100).sum()
    assert here.sum() == len(mgus2) + gone_at_100


def test_delayed_entry_counts_who_is_there():
    table = at_risk_table([5.0, 6, 9], [1, 0, 1], [0, 4, 8], entry=[0, 3, 7])
    assert table["n_at_risk"].tolist() == [1, 2, 1]
    curve = curve_table([5.0, 6, 9], [1, 0, 1], entry=[0, 3, 7])
    assert curve.iloc[0][["time", "n_at_risk"]].tolist() == [0, 1]
    assert curve["estimate"].tolist() == [1, 0.5, 0.5, 0]


def late_entries(n=200, seed=4):
    rng = np.random.Generator(np.random.PCG64(seed))
    entry = rng.uniform(0, 300, n)
    time = entry + rng.exponential(400, n)
    status = rng.integers(0, 3, n)
    entry[0], time[0], status[0] = -50.0, -20.0, 1  # alone at risk, and dead
    return time, status, entry, np.arange(n) % 3


def test_an_event_in_a_lone_early_risk_set_does_not_end_the_curve():
    time, status, entry, group = late_entries()
    table = curve_table(time, status, entry=entry, group=group)
    start = table["time"].min()
    assert (table.groupby(["curve", "group"])["estimate"].max() < 1).all()
    assert table.loc[table["time"] == start, "n_at_risk"].min() >= 10
    assert (table["n_left_out"] == (time <= start).sum()).all()
    marks = at_risk_table(time, status, entry=entry, group=group)
    assert marks["time"].min() == start
    assert marks["n_at_risk"].iloc[0] >= 10


def test_the_curve_after_the_common_start_is_the_conditional_one():
    time, status, entry, group = late_entries()
    event = (status == 1).astype(int)
    start = common_start(time, entry, group)
    mine = group == 1
    wanted = kaplan_meier(time[mine], event[mine], entry=entry[mine], start=start)
    got = curve_table(time, event, entry=entry, group=group)
    got = got[(got["group"] == "1") & (got["time"] > start)]
    np.testing.assert_array_equal(got["time"], wanted.time)
    np.testing.assert_allclose(got["estimate"], wanted.estimate, rtol=1e-12)
    np.testing.assert_allclose(got["ci_low"], wanted.ci_low, rtol=1e-12)


def test_thirds_carry_their_limits_and_keep_ties_together():
    group = thirds([1.0, 2, 3, 4, 5, 6, np.nan])
    assert list(group.categories) == [
        "lowest third (≤ 2.67)", "middle third (2.67 to 4.33)", "highest third (> 4.33)",
    ]  # fmt: skip
    assert pd.Series(group).value_counts().tolist() == [2, 2, 2]
    assert pd.isna(group[-1])
    tied = thirds([0.0] * 8 + [1, 2])
    assert pd.Series(tied).value_counts().tolist() == [8, 2]
    assert len(thirds([4.0, 4, 4]).categories) == 1
    with pytest.raises(InputError, match="at least one value"):
        thirds([np.nan])


def test_marks_are_round():
    assert time_marks([1825]).tolist() == [0, 500, 1000, 1500]
    assert time_marks([10.0]).tolist() == [0, 2, 4, 6, 8, 10]
    assert time_marks([0.0]).tolist() == [0]
    assert len(time_marks([0.37])) <= 7
