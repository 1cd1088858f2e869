"""Means in masked tables: nobody works out from them how many patients there are, or the mean of a few."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.cohort.baseline import baseline_table
from discovery.cohort.masked_counts import mask_missing
from discovery.cohort.masked_digits import power_of_ten
from discovery.cohort.masked_means import grid_of, mask_statistics, tells_a_few
from discovery.cohort.missing import missing_table
from discovery.cohort.sites import site_feature_shift

LIMIT = 5


@pytest.mark.parametrize(
    ("values", "grid"),
    [
        ([60.1, 61.2, 59.8], 0.1),
        ([1, 2, 7, 12], 1.0),
        ([3, 7, 3], 4.0),
        ([100.5, 110.5, 125.5], 5.0),
        ([np.pi, np.e, 1.0], 0.0),
        ([1e300, -1e300], 0.0),
        ([4.0], 0.0),
    ],
)
def test_the_grid_that_values_lie_on(values, grid):
    assert grid_of(np.array(values, dtype=float)) == pytest.approx(grid)


@pytest.mark.parametrize(("least", "power"), [(0.1, 0.1), (0.11, 1.0), (3, 10.0), (0.0002, 0.001), (0, 0.0)])
def test_powers_of_ten(least, power):
    assert power_of_ten(least) == pytest.approx(power)


def test_what_tells_of_a_few():
    assert tells_a_few(np.arange(4.0), LIMIT)
    assert not tells_a_few(np.arange(5.0), LIMIT)
    assert tells_a_few(np.repeat([0.0, 1.0], 4), LIMIT)
    assert tells_a_few(np.array([0.0] * 50 + [1, 1, 2]), LIMIT)
    assert tells_a_few(np.array([1.0] * 50 + [0]), LIMIT)
    assert not tells_a_few(np.array([1.0] * 50 + [0] * 5), LIMIT)
    assert not tells_a_few(np.ones(50), LIMIT)


def candidates(mean: float, step: float, grid: float, numbers) -> list[int]:
    """Which numbers of values have a sum on the grid whose mean is printed as `mean`."""
    possible = []
    for n in numbers:
        low, high = (mean - step / 2) * n / grid, (mean + step / 2) * n / grid
        if np.floor(high + 1e-9) >= np.ceil(low - 1e-9):
            possible.append(n)
    return possible


@pytest.mark.parametrize(("n_study", "grid", "sd"), [(40, 1, 8), (150, 1, 1), (150, 0.1, 10), (1500, 1, 12)])
def test_a_mean_does_not_tell_how_many_values_are_missing(n_study, grid, sd):
    rng = np.random.default_rng(n_study)
    found_without = 0
    for missing in (1, 2, 3, 4):
        values = np.round(rng.normal(50, sd, n_study) / grid) * grid
        values[:missing] = np.nan
        mean = np.nanmean(values)
        numbers = range(n_study - 4, n_study)
        found_without += candidates(mean, 1e-9, grid, numbers) == [n_study - missing]
        table = pd.DataFrame({"mean": [mean], "sd": [np.nanstd(values, ddof=1)]})
        mask_statistics(table, [0], [values], LIMIT, counted=[False])
        shown = table.loc[0, "mean"]
        step = 10.0 ** -len(f"{shown:.10f}".rstrip("0").split(".")[1])
        assert abs(shown - mean) <= max(step, 2 * grid / n_study) * 5
        assert candidates(shown, power_of_ten(2 * grid / n_study), grid, numbers) == list(numbers)
    assert found_without >= 2  # the digits as they are do tell it


def test_a_number_of_values_that_is_shown_costs_no_digits_but_those_beyond_the_sd():
    values = np.round(np.random.default_rng(1).normal(50, 10, 40))
    table = pd.DataFrame({"mean": [values.mean()], "sd": [values.std(ddof=1)]})
    mask_statistics(table, [0], [values], LIMIT)
    assert table.loc[0, "mean"] == pytest.approx(values.mean(), abs=0.005 + 1e-9)


def test_the_mean_of_a_hidden_group_cannot_be_subtracted():
    """From the overall mean, the other group's and the sizes: the range of what the hidden mean may be."""
    rng = np.random.default_rng(4)
    for few in (1, 3):
        age = rng.normal(60, 10, 103)
        group = pd.Series(["rare"] * few + ["common"] * (103 - few))
        shown = baseline_table(pd.DataFrame({"age": age}), group=group, suppress_below=LIMIT)
        shown = shown.set_index("group")
        assert np.isnan(shown.loc["rare", ["mean", "sd", "median", "smd"]].to_numpy(dtype=float)).all()
        assert np.isnan(shown.loc["overall", "smd"])
        overall, common = shown.loc["overall", "mean"], shown.loc["common", "mean"]
        assert abs(overall - age.mean()) < 10
        beside = 2 * few / 103
        step = power_of_ten(beside * age.std())
        assert overall == pytest.approx(np.round(overall / step) * step, abs=1e-9)
        width = 103 * step / few  # of the interval of sums that print this, a patient of the few
        assert width >= 2 * 10 * 0.9
        assert common == pytest.approx(age[few:].mean(), abs=0.05)


def test_a_feature_of_0_and_1_that_few_have_at_a_site_has_no_mean_there():
    rng = np.random.default_rng(2)
    site = pd.Series(np.repeat(["north", "south"], 60))
    mark = np.zeros(120)
    mark[:3], mark[60:90] = 1, 1
    features = pd.DataFrame({"mark": mark, "rv": rng.normal(size=120)})
    shift = site_feature_shift(features, site)
    for feature, mine in shift.groupby("feature", sort=False):
        parts = [features.loc[site == name, feature].to_numpy() for name in mine["site"]]
        mask_statistics(shift, list(mine.index), parts, LIMIT)
    shown = shift.set_index(["feature", "site"])
    assert np.isnan(shown.loc[("mark", "north"), ["mean", "sd", "median", "smd"]].to_numpy(float)).all()
    assert shown.loc[("mark", "south"), "mean"] == pytest.approx(0.5)
    assert shown.loc["mark", ["largest_smd", "variance_share", "p_value"]].isna().all(axis=None)
    assert np.isfinite(shown.loc["mark", "smd"].to_numpy(float)).sum() == 0  # the rest of it is the few
    assert np.isfinite(shown.loc["rv", ["mean", "smd", "variance_share", "p_value"]].to_numpy(float)).all()
    assert shown.loc[("rv", "north"), "smd"] == round(shown.loc[("rv", "north"), "smd"], 2)


def test_levels_with_a_masked_count_are_not_compared():
    group = pd.Series(np.repeat(["a", "b"], 60))
    data = pd.DataFrame({"mark": [1] * 2 + [0] * 58 + [1] * 20 + [0] * 40, "sex": ["f", "m", "m"] * 40})
    shown = baseline_table(data, group=group, p_values=True, suppress_below=LIMIT).set_index("variable")
    assert shown.loc["mark", ["smd", "p_value"]].isna().all(axis=None)
    assert shown.loc["sex", "smd"].notna().any()


def test_a_test_of_masked_numbers_of_missing_values_is_masked():
    """Its statistic belongs to one table alone: 2 and 1 of 60 are missing, and 20 and 10."""
    site = pd.Series(np.repeat(["north", "south"], 60))
    few, many = np.ones(120), np.ones(120)
    few[[0, 1, 60]] = np.nan
    many[:20], many[60:70] = np.nan, np.nan
    table = missing_table(pd.DataFrame({"few": few, "many": many}), by={"site": site})
    assert table["statistic"].notna().sum() == 2
    shown = mask_missing(table, LIMIT, {}, {}).set_index(["variable", "by"])
    assert shown.loc[("few", "site"), ["statistic", "df", "p_value"]].isna().all(axis=None)
    assert (shown.loc[("few", "site"), "test"] == "").all()
    assert shown.loc[("many", "site"), "statistic"].notna().sum() == 1
