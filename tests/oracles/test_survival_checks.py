"""Survival against published software, row by row of shared/statistical_checks.csv."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from discovery.problems import InputError
from discovery.survival.accelerated_failure import weibull_aft
from discovery.survival.cox import cox_model
from discovery.survival.curves import kaplan_meier, median, nelson_aalen, reverse_kaplan_meier
from discovery.survival.discrimination import (
    harrell_concordance,
    time_dependent_auc,
    uno_concordance,
)
from discovery.survival.logrank import logrank_test
from discovery.survival.prediction_error import brier_score, integrated_brier_score
from discovery.survival.proportional_hazards import proportional_hazards_test
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


# Cox models


@pytest.fixture(scope="module")
def veteran(dataset):
    table = dataset("veteran.csv")
    levels = ["squamous", "smallcell", "adeno", "large"]  # the first is the reference
    return table.assign(celltype=pd.Categorical(table["celltype"], levels))


LUNG = ["age", "sex", "ph.ecog"]
VETERAN = ["trt", "celltype", "karno", "diagtime", "age", "prior"]
ROSSI = ["fin", "age", "race", "wexp", "mar", "paro", "prio"]


@pytest.fixture(scope="module")
def lung_fit(lung):
    return cox_model(lung.time, lung.event, lung[LUNG])


def own_concordance(fit, time, event, covariates):
    known = covariates.notna().all(axis=1)
    score = fit.linear_predictor(covariates[known])
    return harrell_concordance(time[known], event[known], score)


def test_cox_lung(check, lung_fit):
    # SV13, R survival 3.5-3 coxph(Surv(time, status == 2) ~ age + sex + ph.ecog)
    assert (lung_fit.n, lung_fit.events, lung_fit.n_left_out) == (227, 164, 1)
    agrees([*lung_fit.coef, *lung_fit.se], check("SV13"))


def test_global_tests(check, lung_fit):
    # SV14, R survival 3.5-3 summary(coxph())
    got = [lung_fit.lr_chi2, lung_fit.score_chi2, lung_fit.wald_chi2, lung_fit.loglik]
    agrees(got, check("SV14"))


def test_cox_breslow_ties(check, lung):
    # SV15, R survival 3.5-3 coxph(ties = "breslow")
    fit = cox_model(lung.time, lung.event, lung[LUNG], ties="breslow")
    agrees([*fit.coef, *fit.se, fit.lr_chi2, fit.score_chi2, fit.loglik], check("SV15"))


def test_harrell_concordance_and_its_error(check, lung, lung_fit):
    # SV16, R survival 3.5-3 concordance(coxph()): infinitesimal jackknife
    c = own_concordance(lung_fit, lung.time, lung.event, lung[LUNG])
    agrees([c.estimate, c.se], check("SV16"))


def test_cox_veteran(check, veteran):
    # SV17, R survival 3.5-3 coxph(); reference squamous, prior coded 0/10
    fit = cox_model(veteran.time, veteran.status, veteran[VETERAN])
    assert fit.names[1] == "celltype=smallcell"
    agrees([*fit.coef, *fit.se], check("SV17"))


def test_cox_veteran_both_ties(check, veteran):
    # SV18, R survival 3.5-3 coxph(ties = )
    efron = cox_model(veteran.time, veteran.status, veteran[VETERAN])
    breslow = cox_model(veteran.time, veteran.status, veteran[VETERAN], ties="breslow")
    c = own_concordance(efron, veteran.time, veteran.status, veteran[VETERAN])
    karno = breslow.coef[breslow.names.index("karno")]
    agrees([efron.lr_chi2, c.estimate, breslow.lr_chi2, karno], check("SV18"))


def test_cox_ovarian(check, dataset):
    # SV19, R survival 3.5-3 coxph(); no ties
    ovarian = dataset("ovarian.csv")
    columns = ovarian[["age", "resid.ds", "rx", "ecog.ps"]]
    fit = cox_model(ovarian.futime, ovarian.fustat, columns)
    c = own_concordance(fit, ovarian.futime, ovarian.fustat, columns)
    agrees([*fit.coef, *fit.se, fit.lr_chi2, fit.score_chi2, c.estimate], check("SV19"))


def test_cox_rossi(check, dataset):
    # SV20, SV21, R survival 3.5-3 coxph(): the recidivism example of Allison and of Fox
    rossi = dataset("rossi.csv")
    fit = cox_model(rossi.week, rossi.arrest, rossi[ROSSI])
    agrees([*fit.coef, *fit.se], check("SV20"))
    c = own_concordance(fit, rossi.week, rossi.arrest, rossi[ROSSI])
    agrees([fit.lr_chi2, fit.score_chi2, fit.loglik, c.estimate], check("SV21"))


@pytest.mark.parametrize(("check_id", "transform"), [("SV22", "km"), ("SV23", "identity")])
def test_proportional_hazards_score_test(check, veteran, check_id, transform):
    # SV22, SV23, R survival 3.5-3 cox.zph(): we follow survival >= 3.0, the exact score test
    columns = veteran[["trt", "celltype", "karno", "age"]]
    table = proportional_hazards_test(veteran.time, veteran.status, columns, transform=transform)
    assert table["term"].tolist() == ["trt", "celltype", "karno", "age", "global"]
    assert table["df"].tolist() == [1, 3, 1, 1, 6]
    agrees(table["chi2"], check(check_id))


def test_the_residual_approximation_is_another_test(check, veteran):
    # SV22 "differs": lifelines' scaled-residual approximation gives 0.11337454, 10.978853, 5.1100217
    # for trt, karno, age; ours is the score test and must not be those.
    columns = veteran[["trt", "celltype", "karno", "age"]]
    table = proportional_hazards_test(veteran.time, veteran.status, columns).set_index("term")
    other = np.array([0.11337454, 10.978853, 5.1100217])
    assert (np.abs(table.loc[["trt", "karno", "age"], "chi2"] - other) > 0.1).all()


def test_stratified_cox(check, veteran):
    # SV24, R survival 3.5-3 coxph(... + strata(celltype))
    fit = cox_model(veteran.time, veteran.status, veteran[["trt", "karno", "age"]], stratum=veteran.celltype)
    agrees([*fit.coef, *fit.se, fit.loglik], check("SV24"))


def test_cluster_robust_errors(check, dataset):
    # SV25, R survival 3.5-3 coxph(cluster = id): sum of dfbeta within id, ties by Efron's score residuals
    kidney = dataset("kidney.csv")
    fit = cox_model(kidney.time, kidney.status, kidney[["age", "sex"]], cluster=kidney.id)
    agrees([*fit.coef, *fit.model_se, *fit.se], check("SV25"))


def test_cox_with_delayed_entry(check, dataset):
    # SV26, R survival 3.5-3 coxph(Surv(entry, exit, cens) ~ male); five rows with entry >= exit left out
    channing = dataset("channing.csv")
    with pytest.raises(InputError, match="wanted entry before time; 5 rows are not"):
        cox_model(channing.exit, channing.cens, channing[["entry"]], entry=channing.entry)
    used = channing[channing.entry < channing.exit]
    male = (used["sex"] == "Male").astype(float)
    fit = cox_model(used.exit, used.cens, male, entry=used.entry)
    agrees([*fit.coef, *fit.se, fit.n], check("SV26"))


def test_start_stop_rows(check, dataset):
    # SV28, R survival 3.5-3 coxph(Surv(start, stop, event) ~ ...)
    heart = dataset("heart.csv")
    fit = cox_model(
        heart.stop, heart.event, heart[["age", "year", "surgery", "transplant"]], entry=heart.start
    )
    agrees([*fit.coef, *fit.se], check("SV28"))


def test_immortal_time_contrast(check, dataset):
    # SV29, R survival 3.5-3 coxph on jasa (transplant as if known at time 0) and on heart (start-stop)
    jasa, heart = dataset("jasa.csv"), dataset("heart.csv")
    columns = ["age", "surgery", "transplant"]
    naive = cox_model(jasa.futime, jasa.fustat, jasa[columns])
    proper = cox_model(heart.stop, heart.event, heart[columns], entry=heart.start)
    agrees([naive.coef[2], proper.coef[2]], check("SV29"))


def test_predicted_survival_with_either_baseline(check, lung):
    # SV30, R survival 3.5-3 survfit(coxph(), newdata): a step function; the baseline follows the ties
    patient = pd.DataFrame({"age": [60], "sex": [1], "ph.ecog": [1]})
    got = [
        cox_model(lung.time, lung.event, lung[LUNG], ties=ties).survival(patient, [365])[0, 0]
        for ties in ("efron", "breslow")
    ]
    agrees(got, check("SV30"))


def test_weibull_regression(check, lung):
    # SV31, R survival 3.5-3 survreg(dist = "weibull")
    agrees(weibull_aft(lung.time, lung.event, lung[LUNG]).coef, check("SV31"))


# Measures of prediction. Two conventions: 1/G at the event time (ours by default, scikit-survival's) or just
# before it (R); `weight_time` chooses, and the row's note gives the numbers of the other one.


def other_numbers(row, count):
    """The first `count` numbers with many digits behind "differs:" in the row's note."""
    text = row["note"].split("differs:")[1]
    numbers = [float(found) for found in re.findall(r"\d+\.\d{6,}", text)]
    return np.array(numbers[:count])


@pytest.fixture(scope="module")
def gbsg2(dataset):
    return dataset("gbsg2.csv")


@pytest.fixture(scope="module")
def gbsg2_fit(gbsg2):
    return cox_model(gbsg2.time, gbsg2.cens, gbsg2[["age", "horTh", "pnodes", "progrec"]], ties="breslow")


def uno_pair(gbsg2, **options):
    scores = gbsg2.pnodes, -gbsg2.progrec
    return [uno_concordance(gbsg2.time, gbsg2.cens, s, horizon=1825, **options).estimate for s in scores]


def test_uno_concordance(check, gbsg2):
    # SV33, scikit-survival 0.28.0 concordance_index_ipcw(tau = 1825); Uno et al., Stat Med 2011
    agrees(uno_pair(gbsg2), check("SV33"))


def test_uno_concordance_with_weights_before_the_event(check, gbsg2):
    # SV33 "differs", R survival 3.5-3 concordance(timewt = "n/G2", ymax = 1825)
    np.testing.assert_allclose(
        uno_pair(gbsg2, weight_time="before"), other_numbers(check("SV33"), 2), atol=1e-8
    )


HORIZONS = [365, 730, 1095, 1460]


def briers(gbsg2, fit, **options):
    survival = fit.survival(gbsg2[["age", "horTh", "pnodes", "progrec"]], HORIZONS)
    table = brier_score(gbsg2.time, gbsg2.cens, survival, HORIZONS, **options)
    return [*table["brier_reference"], *table["brier"]]


def test_brier_score(check, gbsg2, gbsg2_fit):
    # SV34, scikit-survival 0.28.0 brier_score; Graf et al., Stat Med 1999
    agrees(briers(gbsg2, gbsg2_fit), check("SV34"))


def test_brier_score_with_weights_before_the_event(check, gbsg2, gbsg2_fit):
    # SV34 "differs", R riskRegression 2022.11.28 Score
    got = briers(gbsg2, gbsg2_fit, weight_time="before")
    np.testing.assert_allclose(got, other_numbers(check("SV34"), 8), atol=1e-8)


def integrated(gbsg2, fit, **options):
    grid = np.arange(180, 1801, 30)
    predictions = (
        kaplan_meier(gbsg2.time, gbsg2.cens).at(grid),
        fit.survival(gbsg2[["age", "horTh", "pnodes", "progrec"]], grid),
    )
    return [integrated_brier_score(gbsg2.time, gbsg2.cens, p, grid, **options) for p in predictions]


def test_integrated_brier_score(check, gbsg2, gbsg2_fit):
    # SV35, scikit-survival 0.28.0 integrated_brier_score on the grid 180, 210, ..., 1800
    agrees(integrated(gbsg2, gbsg2_fit), check("SV35"))


def test_integrated_brier_score_with_weights_before_the_event(check, gbsg2, gbsg2_fit):
    # SV35 "differs": the same left limit
    got = integrated(gbsg2, gbsg2_fit, weight_time="before")
    np.testing.assert_allclose(got, other_numbers(check("SV35"), 2), atol=1e-8)


def test_time_dependent_auc(check, gbsg2):
    # SV36, scikit-survival 0.28.0 cumulative_dynamic_auc
    table = time_dependent_auc(gbsg2.time, gbsg2.cens, gbsg2.pnodes, HORIZONS)
    agrees(table["auc"], check("SV36"))


def test_time_dependent_auc_with_weights_before_the_event(check, gbsg2):
    # SV36 "differs", R riskRegression 2022.11.28 Score
    table = time_dependent_auc(gbsg2.time, gbsg2.cens, gbsg2.pnodes, HORIZONS, weight_time="before")
    np.testing.assert_allclose(table["auc"][:4], other_numbers(check("SV36"), 4), atol=1e-8)


def test_every_row_of_the_area_has_a_test(shared):
    """Each check id of the area is named in this file or in that of competing risks."""
    table = pd.read_csv(shared / "statistical_checks.csv", keep_default_na=False)
    here = Path(__file__).parent
    for area, name in {
        "survival": "test_survival_checks.py",
        "competing_risks": "test_competing_risks_checks.py",
        "table1": "test_table1_checks.py",
    }.items():
        text = (here / name).read_text(encoding="utf-8")
        missing = [row for row in table.loc[table["area"] == area, "check_id"] if f'"{row}"' not in text]
        assert not missing, missing
