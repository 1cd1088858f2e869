"""Cox models against the values of R survival kept in shared/statistical_checks.csv."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.kernels.cox import fit_cox, screen_cox


def estimates(fit) -> np.ndarray:
    return np.append(fit.coef, np.sqrt(np.diag(fit.covariance)))


def lr_chi2(fit) -> float:
    return 2 * (fit.loglik - fit.loglik_null)


def agrees(row, got, part=slice(None)):
    np.testing.assert_allclose(got, np.array(row.expected)[part], rtol=0, atol=row.tolerance)


@pytest.fixture(scope="module")
def lung(dataset):
    table = dataset("lung.csv").dropna(subset=["ph.ecog"])
    return table.time, table.status == 2, table[["age", "sex", "ph.ecog"]].to_numpy(float)


@pytest.fixture(scope="module")
def veteran(dataset):
    table = dataset("veteran.csv")
    table = table.assign(
        **{kind: (table.celltype == kind).astype(float) for kind in ("smallcell", "adeno", "large")}
    )
    return table


def test_efron_estimates_and_global_tests_sv13_sv14(lung, check):
    fit = fit_cox(*lung)
    agrees(check("SV13"), estimates(fit))
    wald = fit.coef @ np.linalg.solve(fit.covariance, fit.coef)
    agrees(check("SV14"), [lr_chi2(fit), fit.score_chi2, wald, fit.loglik])
    assert (fit.n, fit.events, fit.code) == (227, 164, 0)


def test_breslow_sv15(lung, check):
    fit = fit_cox(*lung, ties="breslow")
    agrees(check("SV15"), np.append(estimates(fit), [lr_chi2(fit), fit.score_chi2, fit.loglik]))


def concordance(time, event, risk) -> float:
    """Slow and plain: pairs with tied event times left out, a tied predictor counts one half."""
    good = total = 0.0
    for i in np.flatnonzero(event):
        after = (time > time[i]) | ((time == time[i]) & ~event)
        total += after.sum()
        good += (risk[i] > risk[after]).sum() + 0.5 * (risk[i] == risk[after]).sum()
    return good / total


def test_linear_predictor_has_the_published_concordance_sv16(lung, check):
    time, event, columns = (np.asarray(part) for part in lung)
    # row by row: a product of a matrix and a vector may round two rows that are the same differently
    got = concordance(time, event, (columns * fit_cox(time, event, columns).coef).sum(axis=1))
    agrees(check("SV16"), got, 0)


VETERAN = ["trt", "smallcell", "adeno", "large", "karno", "diagtime", "age", "prior"]


def test_factor_coding_and_tie_rules_sv17_sv18(veteran, check):
    time, event, columns = veteran.time, veteran.status == 1, veteran[VETERAN].to_numpy(float)
    fit, breslow = fit_cox(time, event, columns), fit_cox(time, event, columns, ties="breslow")
    agrees(check("SV17"), estimates(fit))
    c = concordance(time.to_numpy(), event.to_numpy(), columns @ fit.coef)
    agrees(check("SV18"), [lr_chi2(fit), c, lr_chi2(breslow), breslow.coef[4]])


def test_small_trial_without_ties_sv19(dataset, check):
    table = dataset("ovarian.csv")
    time, event = table.futime.to_numpy(float), (table.fustat == 1).to_numpy()
    columns = table[["age", "resid.ds", "rx", "ecog.ps"]].to_numpy(float)
    fit = fit_cox(time, event, columns)
    c = concordance(time, event, columns @ fit.coef)
    agrees(check("SV19"), np.append(estimates(fit), [lr_chi2(fit), fit.score_chi2, c]))


def test_heavy_ties_sv20_sv21(dataset, check):
    table = dataset("rossi.csv")
    time, event = table.week.to_numpy(float), (table.arrest == 1).to_numpy()
    columns = table[["fin", "age", "race", "wexp", "mar", "paro", "prio"]].to_numpy(float)
    fit = fit_cox(time, event, columns)
    agrees(check("SV20"), estimates(fit))
    c = concordance(time, event, columns @ fit.coef)
    agrees(check("SV21"), [lr_chi2(fit), fit.score_chi2, fit.loglik, c])


def test_strata_sv24(veteran, check):
    fit = fit_cox(
        veteran.time,
        veteran.status == 1,
        veteran[["trt", "karno", "age"]],
        stratum=pd.factorize(veteran.celltype)[0],
    )
    agrees(check("SV24"), np.append(estimates(fit), fit.loglik))


def test_delayed_entry_sv26(dataset, check):
    """Five rows never are at risk, entering when or after they leave; the kernel drops them by itself."""
    table = dataset("channing.csv")
    fit = fit_cox(table.exit, table.cens == 1, (table.sex == "Male").to_numpy(float), entry=table.entry)
    agrees(check("SV26"), [fit.coef[0], np.sqrt(fit.covariance[0, 0]), fit.n])


def test_start_stop_rows_sv28(dataset, check):
    table = dataset("heart.csv")
    columns = table[["age", "year", "surgery", "transplant"]]
    fit = fit_cox(table.stop, table.event == 1, columns, entry=table.start)
    agrees(check("SV28"), estimates(fit))


@pytest.mark.parametrize("last", range(3))
def test_a_screen_of_one_feature_is_the_whole_model_sv13(lung, check, last):
    time, event, columns = lung
    order = [a for a in range(3) if a != last] + [last]
    fit = screen_cox(time, event, columns[:, order[:2]], columns[:, order[2:]])
    row = check("SV13")
    agrees(row, fit.coef[0], order)
    agrees(row, fit.se[0], 3 + last)
    agrees(check("SV14"), fit.loglik[0], 3)


def test_screen_of_covariates_only_one_by_one_has_the_published_lr_sv14(lung, check):
    """Adding the three columns in turn, the gains in log likelihood add up to the global test."""
    time, event, columns = lung
    gains = [screen_cox(time, event, columns[:, :a], columns[:, a]).z[0] ** 2 for a in range(3)]
    agrees(check("SV14"), sum(gains), 0)
