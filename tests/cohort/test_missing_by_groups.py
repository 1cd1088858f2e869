"""Missing values by number of events and by several labels a patient."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import scipy.stats

from discovery.cohort.count_groups import count_groups
from discovery.cohort.masked_counts import mask_missing
from discovery.cohort.missing import IN_EACH, missing_table


@pytest.mark.parametrize(
    ("patients", "groups"),  # patients with 0, 1, 2, … events
    [
        ([60, 20, 12, 5, 2, 0, 0, 0, 0, 1], {"0": 60, "1": 20, "2 or more": 20}),
        ([95, 3, 2], {"0": 95, "1 or more": 5}),
        ([5, 4, 3, 4], {"0 to 1": 9, "2 or more": 7}),
        ([6, 6, 30, 30, 28], {"0 to 1": 12, "2": 30, "3": 30, "4": 28}),
        ([10] * 10, {"0 to 2": 30, "3 to 5": 30, "6 or more": 40}),
        ([0, 0, 40], {"2": 40}),
    ],
)
def test_counts_are_put_together_until_enough_patients_are_in_each_group(patients, groups):
    number = pd.Series(np.repeat(np.arange(len(patients), dtype=float), patients))
    found = count_groups(number.sample(frac=1, random_state=1))
    assert found.value_counts(sort=False).to_dict() == groups
    assert (found.astype(str) == count_groups(number).astype(str)[found.index]).all()


def test_an_unknown_count_is_in_no_group():
    number = pd.Series([0.0, np.nan, 1.0] * 20)
    found = count_groups(number)
    assert found.isna().tolist() == number.isna().tolist()
    assert list(found.cat.categories) == ["0", "1"]


def test_few_numbers_are_tested_for_trend_and_not_number_by_number(dataset):
    import statsmodels.api as sm

    pima = dataset("pima_tr2.csv")
    births = pima["npreg"].clip(upper=9)
    table = missing_table(pima[["skin"]], by={"births": births}).query("by == 'births'")
    fit = sm.Logit(pima["skin"].isna().astype(float), sm.add_constant(births.astype(float))).fit(disp=0)
    assert table["statistic"].iloc[0] == pytest.approx(fit.llr, rel=1e-7)
    assert table["df"].iloc[0] == 1
    assert table["test"].iloc[0].endswith("trend")
    assert table["n"].min() >= 30
    assert table["n"].sum() == len(pima)
    assert table["n_missing"].sum() == pima["skin"].isna().sum()


def several_labels(seed: int) -> tuple[pd.Series, pd.Series]:
    """Labels "a", "b", "c", one or two a patient, one of six unknown; values more often missing with a."""
    rng = np.random.default_rng(seed)
    labels = pd.Series(rng.choice(["a", "b", "c", "a; b", "b;c", None], 300))
    gone = rng.random(300) < np.where(labels.fillna("").str.contains("a"), 0.4, 0.2)
    return labels, pd.Series(np.where(gone, np.nan, 1.0))


def test_every_label_has_a_row_and_all_are_tested_in_one_model():
    import statsmodels.api as sm

    labels, values = several_labels(4)
    table = missing_table(pd.DataFrame({"x": values}), by={"cause": labels}, several=["cause"])
    rows = table[table["by"] == "cause"].set_index("level")
    own = {name: labels.fillna("").str.contains(name) for name in "abc"}
    assert rows["n"].to_dict() == {name: int(mine.sum()) for name, mine in own.items()}
    assert rows["n_missing"].to_dict() == {n: int(values[mine].isna().sum()) for n, mine in own.items()}
    assert (rows["note"] == IN_EACH).all()
    assert (table.loc[table["by"] == "all", "note"] == "").all()
    known = labels.notna()
    design = sm.add_constant(pd.DataFrame(own)[known].astype(float))
    fit = sm.Logit(values[known].isna().astype(float), design).fit(disp=0)
    assert rows["statistic"].iloc[0] == pytest.approx(fit.llr, rel=1e-7)
    assert rows["p_value"].iloc[0] == pytest.approx(scipy.stats.chi2.sf(fit.llr, 3), rel=1e-6)
    assert rows["df"].iloc[0] == 3


def test_labels_that_make_each_other_up_take_no_degree_of_freedom():
    labels = pd.Series(["a;b", "a;b;c", "c", "c"] * 30)
    values = pd.Series(np.where(np.arange(120) % 7 < 3, np.nan, 1.0))
    rows = missing_table(pd.DataFrame({"x": values}), by={"cause": labels}, several=["cause"])
    counts = pd.crosstab(labels, values.isna())  # a and b are one; with c they tell the three patterns
    want = scipy.stats.chi2_contingency(counts, lambda_="log-likelihood", correction=False)
    first = rows[rows["by"] == "cause"].iloc[0]
    assert first["df"] == 2
    assert first["statistic"] == pytest.approx(want.statistic, rel=1e-7)


def test_masked_labels_that_overlap_hide_the_patients_outside_each_and_the_test():
    """All but three patients have "a": with everybody's count that of "a" would tell them."""
    labels = pd.Series(["a;b"] * 57 + ["a"] * 60 + ["b"] * 3)
    values = pd.Series(np.where(np.arange(120) % 3 == 0, np.nan, 1.0))
    table = missing_table(pd.DataFrame({"x": values}), by={"cause": labels}, several=["cause"])
    assert table["statistic"].notna().any()
    shown = mask_missing(table, 5, {}, {}, overlapping={"cause"}).set_index(["by", "level"])
    assert shown["statistic"].isna().all()
    assert np.isnan(shown.loc[("cause", "a"), ["n", "n_missing"]].astype(float)).any()
