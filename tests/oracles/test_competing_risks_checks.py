"""Competing risks against published software, row by row of shared/statistical_checks.csv."""

from __future__ import annotations

import numpy as np
import pytest

from discovery.survival.cox import cox_model
from discovery.survival.cumulative_incidence import aalen_johansen
from discovery.survival.fine_gray import fine_gray
from discovery.survival.logrank import grays_test


@pytest.fixture(scope="module")
def mgus2(dataset):
    return dataset("mgus2.csv")


def agrees(got, row):
    np.testing.assert_allclose(np.ravel(got), np.ravel(row["expected"]), rtol=0, atol=row["tolerance"])


def test_incidence_mgus2_as_survfit(check, mgus2):
    # CR01, R survival 3.5-3 survfit(Surv(etime, factor(event)) ~ 1)
    agrees(aalen_johansen(mgus2.etime, mgus2.event).at([120, 240]), check("CR01"))


def test_one_minus_kaplan_meier_is_the_classic_mistake(check, mgus2):
    # CR01's note: 0.20956 at 240 months when death is taken as censoring.
    from discovery.survival.curves import kaplan_meier

    wrong = 1 - kaplan_meier(mgus2.etime, mgus2.event == 1).at(240)
    assert wrong == pytest.approx(0.20956, abs=5e-6)
    assert wrong > 2 * check("CR01")["expected"][1]


def test_jackknife_error_as_survfit(check, mgus2):
    # CR02, R survival 3.5-3 summary(survfit())$std.err; our default
    agrees(aalen_johansen(mgus2.etime, mgus2.event).se_at([120, 240]), check("CR02"))


def test_delta_error_as_cmprsk(check, mgus2):
    # CR03, R cmprsk 2.2-11 timepoints(cuminc())$var; our variance="delta"
    agrees(aalen_johansen(mgus2.etime, mgus2.event, variance="delta").se_at([120, 240]), check("CR03"))


def test_incidence_by_sex(check, mgus2):
    # CR04, R survival 3.5-3 survfit(Surv(etime, ev) ~ sex)
    got = [aalen_johansen(g.etime, g.event, causes=[1]).at(120) for _, g in mgus2.groupby("sex")]
    agrees(got, check("CR04"))


def test_gray_mgus2(check, mgus2):
    # CR05, R cmprsk 2.2-11 cuminc(etime, event, sex)$Tests
    got = [grays_test(mgus2.etime, mgus2.event, mgus2.sex, cause=cause).statistic for cause in (1, 2)]
    agrees(got, check("CR05"))


def test_gray_with_many_ties_and_times_zero(check, dataset):
    # CR06, R cmprsk 2.2-11 cuminc(ftime, status, dis)$Tests
    bmt = dataset("bmt35.csv")
    tests = [grays_test(bmt.ftime, bmt.status, bmt.dis, cause=cause) for cause in (1, 2)]
    agrees([t.statistic for t in tests] + [t.p_value for t in tests], check("CR06"))


def test_incidence_melanoma_with_censoring_coded_2(check, dataset):
    # CR10, R survival 3.5-3 survfit(Surv(time, factor(event)) ~ 1)
    melanoma = dataset("melanoma.csv")
    status = melanoma.status.map({2: 0, 1: 1, 3: 2})
    agrees(aalen_johansen(melanoma.time, status).at(1826.25), check("CR10"))


def test_incidence_of_three_causes(check, dataset):
    # CR12, R survival 3.5-3 survfit(Surv(futime, event) ~ 1)
    transplant = dataset("transplant.csv")
    status = transplant.event.map({"censored": 0, "death": 1, "ltx": 2, "withdraw": 3})
    agrees(aalen_johansen(transplant.futime, status).at(90), check("CR12"))


# Fine-Gray: two conventions are in use, ours by default is the first, both are offered and both tested.


def with_sex(mgus2):
    return mgus2[["age"]].assign(male=(mgus2["sex"] == "M").astype(float))


def test_fine_gray_as_cmprsk(check, mgus2):
    # CR07, R cmprsk 2.2-11 crr(): at a tie the event is still at risk of censoring; sandwich with estimated
    # censoring. Our default.
    fit = fine_gray(mgus2.etime, mgus2.event, with_sex(mgus2))
    agrees([*fit.coef, *fit.se], check("CR07"))


def test_fine_gray_as_weighted_rows(check, mgus2):
    # CR08, R survival 3.5-3 coxph(finegray()): the event is taken out before the censoring, weights known.
    fit = fine_gray(
        mgus2.etime, mgus2.event, with_sex(mgus2),
        censoring_ties="event first", variance="censoring known",
    )  # fmt: skip
    agrees([*fit.coef, *fit.se], check("CR08"))


def test_fine_gray_tie_convention_alone_explains_the_difference(check, mgus2):
    # CR07 "differs": survival's finegray gives the coefficients -0.017300733 and -0.25970091.
    fit = fine_gray(mgus2.etime, mgus2.event, with_sex(mgus2), censoring_ties="event first")
    np.testing.assert_allclose(fit.coef, check("CR08")["expected"][:2], atol=check("CR08")["tolerance"])


def test_cause_specific_hazards(check, mgus2):
    # CR09, R survival 3.5-3 coxph(Surv(etime, event == k) ~ age + male)
    got = []
    for cause in (1, 2):
        fit = cox_model(mgus2.etime, mgus2.event == cause, with_sex(mgus2))
        got += [*fit.coef, *fit.se]
    agrees(got, check("CR09"))


def test_fine_gray_melanoma(check, dataset):
    # CR11, R cmprsk 2.2-11 crr()
    melanoma = dataset("melanoma.csv")
    covariates = melanoma[["sex", "age", "ulcer"]].assign(log_thickness=np.log(melanoma["thickness"]))
    fit = fine_gray(melanoma.time, melanoma.status.map({2: 0, 1: 1, 3: 2}), covariates)
    agrees([*fit.coef, *fit.se], check("CR11"))
