"""Small cells stay hidden, also from somebody who subtracts."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from discovery.cohort.baseline import baseline_table
from discovery.cohort.suppression import mask_beside_others, suppression_mask
from discovery.problems import InputError


def with_margins(inner):
    inner = np.asarray(inner, dtype=float)
    wide = np.column_stack([inner, inner.sum(axis=1)])
    return np.vstack([wide, wide.sum(axis=0)])


def test_one_small_cell_takes_its_neighbours_along():
    mask = suppression_mask(with_margins([[2, 40], [30, 50]]), 5)
    # A 2x2 table with its totals has one degree of freedom: one hidden cell hides the four.
    assert mask[:2, :2].all()
    assert not mask[2].any()
    assert not mask[:, 2].any()


def test_nothing_small_nothing_hidden():
    assert not suppression_mask(with_margins([[5, 40], [30, 0]]), 5).any()


def test_two_small_cells_whose_sum_tells_all_take_a_third():
    mask = suppression_mask(with_margins([[1], [1], [20], [60]]), 5, rows_add_up=False)
    # 1 + 1 = 2 could only be 1 and 1, so a further cell goes.
    assert mask[:3, 0].all()
    assert not mask[3, 0]


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.lists(st.integers(0, 30), min_size=3, max_size=3), min_size=2, max_size=4),
    st.integers(2, 10),
)
def test_no_hidden_cell_can_be_worked_out_line_by_line(inner, limit):
    counts = with_margins(inner)
    mask = suppression_mask(counts, limit)
    assert mask[(counts > 0) & (counts < limit)].all()
    for line in [*mask, *mask.T]:
        assert line.sum() != 1


def possible_range(counts, mask, cell):
    """Least and largest value of a masked cell that agree with every printed number (linear programme)."""
    hidden = [tuple(at) for at in np.argwhere(mask)]
    lines = [[(i, j) for j in range(counts.shape[1])] for i in range(counts.shape[0])]
    lines += [[(i, j) for i in range(counts.shape[0])] for j in range(counts.shape[1])]
    equations, totals = [], []
    for line in lines:
        sign = {at: -1.0 if at == line[-1] else 1.0 for at in line}
        row = [sign.get(at, 0.0) for at in hidden]
        if any(row):
            equations.append(row)
            totals.append(-sum(sign[at] * counts[at] for at in line if not mask[at]))
    aim = np.array([float(at == cell) for at in hidden])
    low = linprog(aim, A_eq=equations, b_eq=totals).fun
    high = linprog(-aim, A_eq=equations, b_eq=totals)
    return low, np.inf if high.status == 3 else -high.fun


def test_no_small_cell_can_be_worked_out_from_all_lines_together():
    rng = np.random.default_rng(20261125)
    for _ in range(60):
        inner = rng.choice([0, 1, 2, 3, 6, 9, 15, 30, 60], size=(rng.integers(2, 5), rng.integers(2, 4)))
        counts = with_margins(inner)
        mask = suppression_mask(counts, 5)
        for cell in map(tuple, np.argwhere((counts > 0) & (counts < 5))):
            low, high = possible_range(counts, mask, cell)
            assert high - low >= 1 - 1e-6, (inner, cell)


def test_the_table_of_a_small_study_hides_counts_and_what_tells_them():
    rng = np.random.default_rng(1)
    n = 200
    site = pd.Series(np.where(np.arange(n) < 120, "north", "south"))
    data = pd.DataFrame({"age": rng.normal(60, 9, n), "mark": 0, "class": rng.choice(["I", "II"], n)})
    data.loc[[0, 1, 150], "mark"] = 1
    data.loc[0, "class"] = "III"
    data.loc[[4, 5], "age"] = np.nan
    open_table = baseline_table(data, group=site)
    table = baseline_table(data, group=site, suppress_below=5)
    assert table.shape == open_table.shape
    mark = table[table.variable == "mark"]
    assert mark["count"].isna().all()
    assert mark["percent"].isna().all()
    assert mark["suppressed"].all()
    third = table[(table.variable == "class") & (table.level == "III")]
    shown = third["count"].dropna()
    assert (shown == 0).all()
    age = table[table.variable == "age"].set_index("group")
    assert age.loc["north", ["n", "missing"]].isna().all()
    assert age["mean"].notna().all()
    counts = table["count"].dropna().astype(int)
    assert ((counts == 0) | (counts >= 5)).all()
    kept = table["suppressed"].eq(False)
    pd.testing.assert_series_equal(table.loc[kept, "count"], open_table.loc[kept, "count"])


def test_a_tiny_group_hides_its_size_and_means():
    data = pd.DataFrame({"age": np.arange(40.0)})
    site = pd.Series(["a"] * 3 + ["b"] * 7 + ["c"] * 30)
    table = baseline_table(data, group=site, suppress_below=5).set_index("group")
    assert pd.isna(table.loc["a", "group_n"])
    assert pd.isna(table.loc["b", "group_n"])  # overall less c less b would give a
    assert table.loc["c", "group_n"] == 30
    assert np.isnan(table.loc["a", "mean"])
    assert not np.isnan(table.loc["b", "mean"])


def test_who_has_no_group_cannot_be_counted_by_subtraction():
    counts = np.array(
        [[12.0, 20, 35], [18, 30, 48], [30, 50, 83]]
    )  # 3 have no group, all with the first finding
    mask = mask_beside_others(counts, 5)
    assert mask[2, :2].any()  # else 83 - 30 - 50 = 3
    assert mask[0, :2].any()
    alone = mask_beside_others([[12.0, 20, 42], [18, 30, 60], [30, 50, 102]], 5)
    assert not alone.any()  # 10 and 12 of 22 without a group
    beside = mask_beside_others([[3.0, 20, 42], [27, 30, 60], [30, 50, 102]], 5)
    assert (beside == [[True, False, False], [True, False, False], [False] * 3]).all()  # 19 more are unknown


def test_who_is_outside_a_group_cannot_be_counted_by_subtraction():
    counts = np.array([[5.0, 6, 8], [28, 21, 62], [33, 27, 70]])
    mask = mask_beside_others(counts, 5, overlapping=True)
    assert mask[0, :2].all()  # 8 - 5 = 3 and 8 - 6 = 2 are outside
    assert not mask[2].any()
    assert not mask_beside_others([[15.0, 9, 30], [18, 18, 40], [33, 27, 70]], 5, overlapping=True).any()


@pytest.mark.parametrize(("rare", "times"), [("a;b", 6), (None, 3)])
def test_the_table_of_groups_that_are_not_all_hides_the_others_too(rare, times):
    rng = np.random.default_rng(8)
    n = 90
    group = pd.Series(rng.choice(["a", "b"], n), dtype=object)
    group[:times] = rare
    data = pd.DataFrame({"age": rng.normal(60, 9, n), "mark": (rng.random(n) < 0.15).astype(int)})
    data.loc[rng.choice(n, 9, replace=False), "age"] = np.nan
    several = ";" if rare else None
    table = baseline_table(data, group=group, separator=several, suppress_below=5)
    for column in ("group_n", "n", "missing", "count"):
        for _, mine in table.groupby("variable"):
            shown = mine.set_index("group")[column].astype(float)
            parts = [["a"], ["b"]] if several else [["a", "b"]]
            outside = [shown["overall"] - shown[own].sum(skipna=False) for own in parts]
            assert not any(0 < number < 5 for number in outside), (column, mine)


def test_a_limit_that_masks_nothing_is_refused():
    with pytest.raises(InputError, match="limit of 1 or more"):
        suppression_mask([[1, 2], [3, 4]], 0)
