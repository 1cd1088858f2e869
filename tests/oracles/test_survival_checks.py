"""Survival against published software, row by row of shared/statistical_checks.csv."""

from __future__ import annotations

import json

import numpy as np
import pytest

from discovery.survival.curves import kaplan_meier, median, nelson_aalen, reverse_kaplan_meier
from discovery.survival.logrank import logrank_test
from discovery.survival.restricted_mean import restricted_mean, restricted_mean_difference


@pytest.fixture(scope="module")
def aml(dataset):
    return dataset("aml.csv")


@pytest.fixture(scope="module")
def lung(dataset):
    table = dataset("lung.csv")
    return table.assign(event=table.status == 2)


def agrees(got, row):
    """Every entry within the row's absolute tolerance; None in the file is "not reached", our NaN."""
    expected = np.array(
        [np.nan if value is None else value for value in np.ravel(row["expected"])], dtype=float
    )
    np.testing.assert_allclose(
        np.ravel(np.asarray(got, dtype=float)), expected, rtol=0, atol=row["tolerance"]
    )


def test_kaplan_meier_aml(check, aml):
    # SV01, R survival 3.5-3 summary(survfit())
    kept = aml[aml.x == "Maintained"]
    curve = kaplan_meier(kept.time, kept.status)
    agrees([curve.at(23), curve.se_at(23)], check("SV01"))


def test_three_scales_of_the_interval(check, aml):
    # SV02, R survival 3.5-3 survfit(conf.type=)
    kept = aml[aml.x == "Maintained"]
    got = [
        kaplan_meier(kept.time, kept.status, interval=scale).interval_at(23)
        for scale in ("plain", "log", "log-log")
    ]
    agrees(got, check("SV02"))


def test_medians_by_inverting_the_log_band(check, aml):
    # SV03, R survival 3.5-3 survfit(Surv(time, status) ~ x); a limit not reached is NaN
    got = []
    for group in ("Maintained", "Nonmaintained"):
        m = median(kaplan_meier(aml.time[aml.x == group], aml.status[aml.x == group], interval="log"))
        got += [m.estimate, m.ci_low, m.ci_high]
    agrees(got, check("SV03"))


def test_medians_lung_on_both_scales(check, lung):
    # SV04, R survival 3.5-3 survfit(Surv(time, status == 2) ~ sex, conf.type=)
    got = []
    for scale in ("log", "log-log"):
        for _, group in lung.groupby("sex"):
            m = median(kaplan_meier(group.time, group.event, interval=scale))
            got += [m.estimate, m.ci_low, m.ci_high]
    agrees(got, check("SV04"))


def test_median_of_a_flat_stretch_is_its_middle(check):
    # SV05, R survival 3.5-3. We follow R: the middle of the stretch, not its left end (2).
    row = check("SV05")
    inputs = json.loads(row["dataset_or_inputs"])
    agrees(median(kaplan_meier(inputs["time"], inputs["event"])).estimate, row)


def test_the_other_median_convention_is_the_left_end(check):
    # SV05 "differs": lifelines gives the first time at or below one half, the left end of our stretch.
    from lifelines import KaplanMeierFitter

    inputs = json.loads(check("SV05")["dataset_or_inputs"])
    curve = kaplan_meier(inputs["time"], inputs["event"])
    assert curve.time[curve.estimate <= 0.5][0] == 2
    assert KaplanMeierFitter().fit(inputs["time"], inputs["event"]).median_survival_time_ == 2


def test_logrank_lung(check, lung):
    # SV06, R survival 3.5-3 survdiff
    test = logrank_test(lung.time, lung.event, lung.sex)
    assert test.df == 1
    agrees([test.statistic, test.observed[0], test.expected[0]], check("SV06"))


def test_fleming_harrington_one(check, lung):
    # SV07, R survival 3.5-3 survdiff(rho = 1)
    got = logrank_test(lung.time, lung.event, lung.sex, test="fleming-harrington", rho=1)
    agrees(got.statistic, check("SV07"))


def test_weighted_logrank_tests(check, lung):
    # SV08, a loop over event times, agreed by statsmodels 0.15.0 and lifelines 0.30.3
    kinds = ("peto", "gehan", "tarone-ware", "fleming-harrington")
    got = [logrank_test(lung.time, lung.event, lung.sex, test=kind, gamma=1).statistic for kind in kinds]
    agrees(got, check("SV08"))


def test_logrank_of_four_groups(check, dataset):
    # SV09, R survival 3.5-3 survdiff(Surv(time, status) ~ celltype)
    veteran = dataset("veteran.csv")
    test = logrank_test(veteran.time, veteran.status, veteran.celltype)
    assert test.df == 3
    agrees(test.statistic, check("SV09"))


def test_stratified_logrank(check, lung):
    # SV10, R survival 3.5-3 survdiff(... + strata(ph.ecog))
    known = lung.dropna(subset=["ph.ecog"])
    assert len(known) == 227
    agrees(
        logrank_test(known.time, known.event, known.sex, stratum=known["ph.ecog"]).statistic, check("SV10")
    )


def test_restricted_mean_and_difference(check, lung):
    # SV11, R survival 3.5-3 summary(survfit(), rmean = 365)
    means = [restricted_mean(group.time, group.event, 365) for _, group in lung.groupby("sex")]
    gap = restricted_mean_difference(means[1], means[0])
    got = [
        means[0].estimate,
        means[0].se,
        means[1].estimate,
        means[1].se,
        gap.estimate,
        gap.ci_low,
        gap.ci_high,
    ]
    agrees(got, check("SV11"))


def test_cumulative_hazards(check, aml):
    # SV12, R survival 3.5-3 survfit(stype = 2, ctype = 1 and 2)
    aalen = nelson_aalen(aml.time, aml.status)
    spread = nelson_aalen(aml.time, aml.status, ties="fleming-harrington")
    agrees([aalen.at(23), aalen.se_at(23), spread.at(23)], check("SV12"))


def test_kaplan_meier_with_delayed_entry(check, dataset):
    # SV27, R survival 3.5-3 survfit(Surv(entry, exit, cens) ~ 1, start.time = 816)
    channing = dataset("channing.csv")
    women = channing[(channing.entry < channing.exit) & (channing.sex == "Female")]
    assert len(women) > 300
    agrees(kaplan_meier(women.exit, women.cens, entry=women.entry, start=816).at([960, 1080]), check("SV27"))


def test_median_follow_up(check, dataset):
    # SV32, R survival 3.5-3 survfit(Surv(futime, death == 0) ~ 1)
    mgus2 = dataset("mgus2.csv")
    m = median(reverse_kaplan_meier(mgus2.futime, mgus2.death, interval="log"))
    agrees([m.estimate, m.ci_low, m.ci_high], check("SV32"))
