"""Baseline-table arithmetic against published values, row by row of shared/statistical_checks.csv."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.cohort.baseline import baseline_table
from discovery.cohort.group_tests import chi_square_test, fisher_exact_p, welch_test
from discovery.cohort.proportions import (
    clopper_pearson_interval,
    newcombe_interval,
    wilson_interval,
)
from discovery.survival.rates import poisson_rate


@pytest.fixture(scope="module")
def birthwt(dataset):
    return dataset("birthwt.csv")


def agrees(got, row):
    np.testing.assert_allclose(np.ravel(got), np.ravel(row["expected"]), rtol=0, atol=row["tolerance"])


def overall(table, variable):
    return table[(table["variable"] == variable) & (table["group"] == "overall")].iloc[0]


def test_standardised_differences_of_the_table(check, birthwt):
    # TB01, closed form; Austin, Commun Stat Simul Comput 2009;38:1228-1234
    table = baseline_table(birthwt[["age", "lwt", "ht"]], group=birthwt["smoke"])
    agrees([overall(table, name)["smd"] for name in ("age", "lwt", "ht")], check("TB01"))


def test_standardised_difference_of_three_levels(check, birthwt):
    # TB02, definition of Yang & Dalton, SAS Global Forum 2012 paper 335
    table = baseline_table(birthwt[["race"]], group=birthwt["smoke"], kinds={"race": "categorical"})
    agrees(overall(table, "race")["smd"], check("TB02"))


def test_contingency_tables(check, birthwt):
    # TB03, R stats 4.2.2 chisq.test, fisher.test
    race = chi_square_test(pd.crosstab(birthwt.race, birthwt.smoke))
    ht = pd.crosstab(birthwt.ht, birthwt.low)
    corrected = chi_square_test(ht, yates=True).statistic
    got = [race.statistic, race.p_value, race.cramers_v, fisher_exact_p(ht), corrected]
    agrees([*got, chi_square_test(ht).statistic], check("TB03"))


def test_quartiles_are_of_type_7_and_type_6_differs(check, dataset):
    # TB04, R stats 4.2.2 quantile(type = ). Our tables print type 7, numpy's default; type 6 (that of SPSS)
    # is another convention, shown beside it so that a reader can see which one a table follows.
    asah = dataset("asah.csv")
    poor = asah[asah.outcome == "Poor"]
    row = overall(baseline_table(poor[["s100b"]]), "s100b")
    other = np.quantile(poor["s100b"], [0.25, 0.5, 0.75], method="weibull")
    agrees([row["q1"], row["median"], row["q3"], *other], check("TB04"))


def test_welch(check, dataset):
    # TB05, R stats 4.2.2 t.test; 11 rows without sex (2 of them also without length) stay out
    penguins = dataset("penguins.csv")
    length = penguins["flipper_length_mm"]
    test = welch_test(length[penguins.sex == "female"], length[penguins.sex == "male"])
    assert test.n == 333
    assert penguins["sex"].isna().sum() == 11
    agrees([test.t, test.df, test.estimate, test.ci_low, test.ci_high], check("TB05"))


def test_share_intervals(check, dataset):
    # TB06, R stats 4.2.2 prop.test(correct = FALSE), binom.test
    ovarian = dataset("ovarian.csv")
    deaths, n = int(ovarian.fustat.sum()), len(ovarian)
    wilson, exact = wilson_interval(deaths, n), clopper_pearson_interval(deaths, n)
    agrees([wilson.ci_low, wilson.ci_high, exact.ci_low, exact.ci_high], check("TB06"))


def test_risk_difference(check, birthwt):
    # TB07, closed form; Newcombe, Stat Med 1998;17:873-890, method 10
    counts = birthwt.groupby("smoke")["low"].agg(["sum", "size"])
    got = newcombe_interval(*map(int, counts.loc[1]), *map(int, counts.loc[0]))
    agrees([got.estimate, got.ci_low, got.ci_high], check("TB07"))


def test_incidence_rate(check, dataset):
    # TB08, R stats 4.2.2 poisson.test
    mgus2 = dataset("mgus2.csv")
    events, years = int(mgus2.pstat.sum()), mgus2.ptime.sum() / 12
    rate = poisson_rate(events, years, per=100)
    agrees([events, years, rate.estimate, rate.ci_low, rate.ci_high], check("TB08"))
