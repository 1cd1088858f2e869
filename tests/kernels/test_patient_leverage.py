"""Hat values of patients against statsmodels' Poisson regression."""

from __future__ import annotations

import numpy as np
import statsmodels.api as sm

from discovery.kernels.patient_leverage import LEAST_SPARE, spare_of_patients


def cohort(n=60, strata=3, q=2):
    rng = np.random.default_rng(20261126)
    stratum, base = rng.integers(0, strata, n), rng.normal(size=(n, q)) * [1.0, 40.0] + [0.0, 300.0]
    watched = rng.uniform(0.5, 3, n)
    count = rng.poisson(watched * np.exp(0.4 * base[:, 0] + 0.3 * stratum)).astype(float)
    design = np.column_stack([stratum[:, None] == np.arange(strata), base]).astype(float)
    return rng, stratum, base, watched, count, design


def test_hat_values_are_those_of_the_poisson_regression():
    rng, stratum, base, watched, count, design = cohort()
    fit = sm.GLM(count, design, family=sm.families.Poisson(), offset=np.log(watched)).fit(tol=1e-13)
    wanted = 1 - fit.get_hat_matrix_diag()
    patient = rng.permutation(
        np.repeat(np.arange(60), rng.integers(1, 5, 60))
    )  # several rows each, in any order
    part = rng.random(patient.size)
    part *= (fit.fittedvalues / np.bincount(patient, part))[patient]
    ones = np.ones(patient.size)
    found = spare_of_patients(patient, stratum[patient], ones, part, base[patient])
    np.testing.assert_allclose(found, wanted, rtol=1e-9)


def test_a_patient_of_weight_two_is_two_patients():
    rng, stratum, base, _, count, _ = cohort()
    weights = rng.integers(1, 4, 60).astype(float)
    twice = np.repeat(np.arange(60), weights.astype(int))
    expected = count + 0.5
    own = np.arange(60)
    found = spare_of_patients(own, stratum, weights, expected, base)
    many = spare_of_patients(
        np.arange(twice.size), stratum[twice], np.ones(twice.size), expected[twice], base[twice]
    )
    np.testing.assert_allclose(found[twice], many, rtol=1e-10)


def test_a_column_without_information_and_a_patient_alone_in_a_stratum():
    _, stratum, base, _, count, _ = cohort()
    ones, own, expected = np.ones(60), np.arange(60), count + 0.5
    plain = spare_of_patients(own, stratum, ones, expected, base)
    more = np.column_stack([base, base[:, 0] - base[:, 1], ones])
    np.testing.assert_allclose(spare_of_patients(own, stratum, ones, expected, more), plain, rtol=1e-8)
    alone = np.where(own == 7, 3, stratum)
    assert spare_of_patients(own, alone, ones, expected, base)[7] == LEAST_SPARE
    expected[7] = 0.0
    assert spare_of_patients(own, alone, ones, expected, base)[7] == 1.0
