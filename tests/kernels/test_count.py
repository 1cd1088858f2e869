"""Negative binomial kernel against statsmodels on open data, against closed forms, and laws."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest

from discovery.kernels.count import CountPlan, fit_count
from discovery.kernels.screen_fit import COLLINEAR, REASONS


def days_of_arrest(shared):
    """Prior convictions (count) of the recidivism data, exposure the age above 15 (Rossi 1980)."""
    data = pd.read_csv(shared / "datasets" / "rossi.csv", keep_default_na=False, na_values=[""])
    return data["prio"].to_numpy(float), data["age"].to_numpy(float) - 15, data


def reference(y, exposure, x):
    from statsmodels.discrete.discrete_model import NegativeBinomial

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = NegativeBinomial(y, np.column_stack([np.ones(len(y)), x]), offset=np.log(exposure))
        first = model.fit(method="bfgs", disp=0, maxiter=2000, gtol=1e-9)
        return model.fit(start_params=first.params, method="newton", disp=0, maxiter=100, tol=1e-14)


def test_coefficients_dispersion_likelihood_and_errors_of_statsmodels(shared):
    y, exposure, data = days_of_arrest(shared)
    x = data[["race", "mar", "wexp", "fin"]].to_numpy(float)
    expected = reference(y, exposure, x)
    fit = fit_count(y, exposure, x)
    np.testing.assert_allclose(fit.coef, expected.params[:-1], atol=1e-6)
    assert fit.alpha == pytest.approx(expected.params[-1], abs=1e-6)
    assert fit.loglik == pytest.approx(expected.llf, abs=1e-7)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.covariance)), expected.bse[:-1], rtol=1e-4)


def test_screen_is_the_single_fits_with_missing_values_and_weights_are_repeats(shared):
    y, exposure, data = days_of_arrest(shared)
    rng = np.random.default_rng(1)
    base = data[["race"]].to_numpy(float)
    features = np.column_stack([data["mar"], data["wexp"], rng.normal(size=len(y))]).astype(float)
    features[rng.random(len(y)) < 0.2, 1] = np.nan
    fit = CountPlan(y, exposure, base, features).screen()
    for j in range(3):
        rows = np.isfinite(features[:, j])
        whole = reference(y[rows], exposure[rows], np.column_stack([base, features[:, j]])[rows])
        simple = reference(y[rows], exposure[rows], base[rows])
        np.testing.assert_allclose(fit.coef[j], whole.params[:-1], atol=1e-6)
        assert fit.z[j] ** 2 == pytest.approx(2 * (whole.llf - simple.llf), abs=1e-6)
        assert fit.n[j] == rows.sum()
    times = rng.integers(0, 4, len(y))
    weighted = CountPlan(y, exposure, base, features).screen(times.astype(float))
    again = [np.repeat(part, times, axis=0) for part in (y, exposure, base, features)]
    repeated = CountPlan(*again).screen()
    np.testing.assert_allclose(weighted.coef, repeated.coef, atol=1e-6)
    np.testing.assert_allclose(weighted.z, repeated.z, atol=1e-6)


def test_equal_exposures_and_two_groups_give_the_ratio_of_means():
    """Closed form (Lawless 1987)."""
    rng = np.random.default_rng(2)
    group = np.repeat([0.0, 1.0], 40)
    y = rng.negative_binomial(1.2, 0.3, 80).astype(float)
    fit = fit_count(y, None, group)
    assert fit.coef[1] == pytest.approx(np.log(y[40:].mean() / y[:40].mean()), abs=1e-7)


def test_counts_that_vary_less_than_poisson_have_no_dispersion():
    import statsmodels.api as sm

    rng = np.random.default_rng(3)
    x = rng.normal(size=100)
    y = rng.binomial(6, 1 / (1 + np.exp(-x))).astype(float)
    fit = fit_count(y, None, x)
    poisson = sm.GLM(y, sm.add_constant(x), family=sm.families.Poisson()).fit(tol=1e-12)
    assert fit.alpha == 0
    np.testing.assert_allclose(fit.coef, poisson.params, atol=1e-6)
    assert fit.loglik == pytest.approx(poisson.llf, abs=1e-8)


def test_the_profile_interval_is_where_the_likelihood_has_fallen_by_the_quantile(shared):
    from statsmodels.discrete.discrete_model import NegativeBinomial

    y, exposure, data = days_of_arrest(shared)
    x = data["wexp"].to_numpy(float)
    plan = CountPlan(y, exposure, None, x)
    fit = plan.screen()
    for bound in plan.profile_interval(fit):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            held = NegativeBinomial(y, np.ones(len(y)), offset=np.log(exposure) + bound[0] * x).fit(disp=0)
        assert 2 * (fit.loglik[0] - held.llf) == pytest.approx(3.8414588, abs=1e-5)


def test_a_covariate_that_is_a_mix_of_those_before_it_changes_nothing(shared):
    """As where the site whose patients had no column of their own is left out: its two others add up to 1."""
    y, exposure, data = days_of_arrest(shared)
    kept = data[["race", "fin"]].to_numpy(float)
    whole = np.column_stack([kept[:, 0], 1 - kept[:, 0], kept[:, 1], kept @ [2.0, -0.5]])
    features = data[["wexp", "mar"]].to_numpy(float)
    expected, got = (CountPlan(y, exposure, base, features) for base in (kept, whole))
    fits = [plan.screen() for plan in (expected, got)]
    np.testing.assert_array_equal(fits[1].code, 0)
    for name in ("se", "loglik", "loglik_base", "z"):
        np.testing.assert_allclose(getattr(fits[1], name), getattr(fits[0], name), rtol=1e-7)
    np.testing.assert_allclose(fits[1].coef[:, [0, 1, 3, 5]], fits[0].coef, atol=1e-7)
    np.testing.assert_array_equal(fits[1].coef[:, [2, 4]], 0)
    np.testing.assert_allclose(got.profile_interval(fits[1]), expected.profile_interval(fits[0]), atol=1e-7)

    one, reduced = fit_count(y, exposure, whole), reference(y, exposure, kept)
    np.testing.assert_allclose(one.coef[[0, 1, 3]], reduced.params[:-1], atol=1e-6)
    np.testing.assert_allclose(np.sqrt(np.diag(one.covariance)[[0, 1, 3]]), reduced.bse[:-1], rtol=1e-4)
    assert np.isnan(one.covariance[[2, 4]]).all()


def test_a_feature_that_is_a_mix_of_the_covariates_is_called_so(shared):
    y, exposure, data = days_of_arrest(shared)
    base = data[["race", "fin"]].to_numpy(float)
    fit = CountPlan(y, exposure, base, np.column_stack([base.sum(axis=1), data["wexp"]])).screen()
    assert [REASONS[code] for code in fit.code] == [REASONS[COLLINEAR], ""]
    assert np.isnan(fit.z[0])
