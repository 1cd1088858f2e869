"""Logistic models against R glm, brglm2 and a penalised likelihood kept in shared/statistical_checks.csv."""

from __future__ import annotations

import numpy as np
import pytest

from discovery.kernels.logistic import fit_logistic, profile_interval_logistic, screen_logistic


def agrees(row, got, part=slice(None)):
    np.testing.assert_allclose(got, np.array(row.expected)[part], rtol=0, atol=row.tolerance)


@pytest.fixture(scope="module")
def birthwt(dataset):
    table = dataset("birthwt.csv")
    columns = np.column_stack(
        [
            table[["age", "lwt"]],
            table.race == 2,
            table.race == 3,
            table[["smoke", "ptl", "ht", "ui", "ftv"]],
        ]
    ).astype(float)
    return table.low.to_numpy(float), columns


@pytest.fixture(scope="module")
def endometrial(dataset):
    table = dataset("endometrial.csv")
    return table.HG.to_numpy(float), table[["NV", "PI", "EH"]].to_numpy(float)


def test_maximum_likelihood_as01(birthwt, check):
    fit = fit_logistic(*birthwt)
    agrees(check("AS01"), np.append(fit.coef, np.sqrt(np.diag(fit.covariance))))


def test_likelihood_ratio_and_profile_interval_as02(birthwt, check):
    y, columns = birthwt
    base, smoke = np.delete(columns, 4, axis=1), columns[:, 4]
    fit = screen_logistic(y, base, smoke)
    low, high = profile_interval_logistic(y, base, smoke, fit)
    agrees(check("AS02"), [fit.z[0] ** 2, low[0], high[0]])


def test_firth_estimates_under_separation_as04(endometrial, check):
    y, columns = endometrial
    plain = screen_logistic(y, columns[:, 1:], columns[:, :1])
    assert plain.code[0] == 3
    assert np.isnan(plain.coef).all()
    fit = fit_logistic(y, columns, firth=True)
    agrees(check("AS04"), np.append(fit.coef, np.sqrt(np.diag(fit.covariance))))


def test_penalised_likelihood_ratio_and_interval_as05(endometrial, check):
    y, columns = endometrial
    z2 = []
    for last in range(3):
        base = np.delete(columns, last, axis=1)
        fit = screen_logistic(y, base, columns[:, last], firth=True)
        z2.append(fit.z[0] ** 2)
        if last == 0:
            low, high = profile_interval_logistic(y, base, columns[:, last], fit, firth=True)
    agrees(check("AS05"), [*z2, low[0], high[0]])
