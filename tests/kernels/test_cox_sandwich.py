"""The sandwich by patient against statsmodels' estimating equations, and against leaving each patient out."""

from __future__ import annotations

import numpy as np
import statsmodels.api as sm

from discovery.association.episodes import episode_rows
from discovery.kernels.cox import fit_cox
from discovery.kernels.cox_sandwich import fit_cox_by_patient
from discovery.study import Outcome


def episodes(number, watched, rng):
    """Rows of patients with so many episodes each, at even times while watched."""
    whose = np.repeat(np.arange(number.size), number)
    ids = np.array([f"p{i}" for i in range(number.size)], dtype=object)
    outcome = Outcome(
        name="out", label="out", kind="recurrent", patient_id=ids, value=number.astype(float), time=watched,
        event_patient=whose, event_time=rng.uniform(size=whose.size) * watched[whose],
    )  # fmt: skip
    return episode_rows(outcome, np.arange(number.size))


def test_all_watched_alike_it_is_the_bias_reduced_covariance_of_poisson_equations():
    """Where all are at risk all the time, risk-set means are constant, and the rate model is Poisson's."""
    rng = np.random.default_rng(20261127)
    n = 50
    site = rng.integers(0, 3, n)
    x = rng.normal(size=(n, 2))
    x[:, 0] += 300.0
    number = rng.poisson(np.exp(0.5 * x[:, 1] + 0.3 * site) * rng.gamma(1.0, 1.0, n))
    e = episodes(number, np.ones(n), rng)
    fit, found = fit_cox_by_patient(
        e.stop, e.event, x[e.patient], e.patient, entry=e.start, stratum=site[e.patient]
    )
    design = np.column_stack([site[:, None] == np.arange(3), x - [300.0, 0.0]]).astype(float)
    equations = sm.GEE(number, design, groups=np.arange(n), family=sm.families.Poisson())
    wanted = equations.fit(cov_type="bias_reduced", ctol=1e-10, maxiter=500)
    np.testing.assert_allclose(fit.coef, wanted.params[3:], rtol=1e-6, atol=1e-8)
    np.testing.assert_allclose(found, wanted.cov_params()[3:, 3:], rtol=1e-5)


def test_it_is_near_the_spread_of_estimates_without_each_patient():
    rng = np.random.default_rng(20261128)
    n = 60
    x, watched = rng.normal(size=(n, 2)), rng.uniform(0.3, 2.0, n)
    e = episodes(rng.poisson(watched * np.exp(0.4 * x[:, 0]) * rng.gamma(1.0, 1.0, n)), watched, rng)
    fit, found = fit_cox_by_patient(e.stop, e.event, x[e.patient], e.patient, entry=e.start)
    moved = []
    for i in range(n):
        rows = e.patient != i
        without = fit_cox(e.stop[rows], e.event[rows], x[e.patient[rows]], entry=e.start[rows])
        moved.append(without.coef - fit.coef)
    jackknife = np.transpose(moved) @ np.array(moved)
    np.testing.assert_allclose(np.diag(found), np.diag(jackknife), rtol=0.1)


def test_a_column_without_information_and_a_patient_alone_in_a_stratum_change_nothing():
    rng = np.random.default_rng(20261129)
    n = 40
    x, watched, site = rng.normal(size=(n, 1)), rng.uniform(0.3, 2.0, n), np.ones(n, dtype=int)
    number = rng.poisson(watched * np.exp(0.4 * x[:, 0]))
    site[7], number[7] = 2, 3
    e = episodes(number, watched, rng)
    columns = np.column_stack([x, np.ones(n)])[e.patient]
    _, found = fit_cox_by_patient(e.stop, e.event, columns, e.patient, entry=e.start, stratum=site[e.patient])
    others = e.patient != 7
    _, wanted = fit_cox_by_patient(
        e.stop[others], e.event[others], x[e.patient[others]], e.patient[others], entry=e.start[others]
    )
    np.testing.assert_allclose(found[0, 0], wanted[0, 0], rtol=1e-6)
    assert np.isnan(found[1]).all()
