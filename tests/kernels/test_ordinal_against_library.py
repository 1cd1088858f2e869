"""Proportional-odds screens against statsmodels' OrderedModel, published values and exact identities."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.miscmodels.ordinal_model import OrderedModel

from discovery.kernels.logistic import LogisticPlan
from discovery.kernels.ordinal import OrdinalPlan, fit_ordinal, screen_ordinal

READ = {"keep_default_na": False, "na_values": [""]}


def library(y, columns, **more):
    """Newton with the library's numerical Hessian goes as far as it can, and then says it could not go on."""
    model = OrderedModel(y, columns, distr="logit", **more)
    return model.fit(method="newton", disp=0, maxiter=60, tol=1e-12, warn_convergence=False)


def unit(columns):
    return columns / columns.std(axis=0)


@pytest.fixture(scope="module")
def asah(shared):
    table = pd.read_csv(shared / "datasets" / "asah.csv", **READ)
    y = np.unique(table["gos6"], return_inverse=True)[1]
    features = np.column_stack([np.log(table["s100b"]), np.log(table["ndka"]), table["gender"] == "Female"])
    return y, table[["age", "wfns"]].to_numpy(float), features.astype(float)


@pytest.fixture(scope="module")
def wine(shared):
    table = pd.read_csv(shared / "datasets" / "wine.csv", **READ)
    y = np.digitize(table["color_intensity"], np.quantile(table["color_intensity"], [0.25, 0.5, 0.8]))
    return (
        y,
        table[["alcohol"]].to_numpy(float),
        table[["hue", "ash", "magnesium", "proline"]].to_numpy(float),
    )


@pytest.mark.parametrize("data", ["asah", "wine"])
def test_every_number_of_the_screen_is_that_of_the_library(data, request):
    y, base, features = request.getfixturevalue(data)
    base, features = unit(base), unit(features)  # for the library's sake
    got = screen_ordinal(y, base, features)
    without = library(y, base)
    assert (got.code == 0).all()
    for j, x in enumerate(features.T):
        fit = library(y, np.column_stack([base, x]))
        k = base.shape[1] + 1
        np.testing.assert_allclose(got.coef[j], fit.params[:k], rtol=1e-6, atol=1e-8)
        assert got.loglik[j] == pytest.approx(fit.llf, abs=1e-7)
        assert got.loglik_base[j] == pytest.approx(without.llf, abs=1e-7)
        assert got.z[j] ** 2 == pytest.approx(2 * (fit.llf - without.llf), abs=1e-6)
        assert got.se[j] == pytest.approx(fit.bse[k - 1], rel=1e-5)  # its Hessian is a numerical one


def test_two_classes_are_a_logistic_regression(wine):
    _, base, features = wine
    y = (features[:, 3] > 700).astype(float)
    x = features[:, :3]
    got, want = OrdinalPlan(y, base, x), LogisticPlan(y, base, x)
    mine, theirs = got.screen(), want.screen()
    np.testing.assert_allclose(mine.coef, theirs.coef[:, 1:], rtol=1e-9)
    for name in ("se", "loglik", "loglik_base", "z"):
        np.testing.assert_allclose(getattr(mine, name), getattr(theirs, name), rtol=1e-8)
    for a, b in zip(got.profile_interval(mine), want.profile_interval(theirs)):
        np.testing.assert_allclose(a, b, rtol=1e-7)


def test_whole_weights_are_repeated_rows_and_order_turned_round_turns_the_sign(wine):
    y, base, features = wine
    w = np.random.default_rng(4).integers(0, 4, y.size)
    many = np.repeat(np.arange(y.size), w)
    got = screen_ordinal(y, base, features, weights=w)
    want = screen_ordinal(y[many], base[many], features[many])
    for name in ("coef", "se", "loglik", "loglik_base", "z"):
        np.testing.assert_allclose(getattr(got, name), getattr(want, name), rtol=1e-8)
    plain, turned = screen_ordinal(y, base, features), screen_ordinal(3 - y, base, features)
    np.testing.assert_allclose(turned.coef, -plain.coef, rtol=1e-8)
    np.testing.assert_allclose(turned.loglik, plain.loglik, rtol=1e-12)


def test_profile_limits_are_where_the_likelihood_of_the_library_has_dropped(wine):
    y, base, features = wine[0], unit(wine[1]), unit(wine[2])
    plan = OrdinalPlan(y, base, features)
    fit = plan.screen()
    for limits in plan.profile_interval(fit):
        for j, at in enumerate(limits):
            # the feature's coefficient held at the limit is an offset
            moved = OrderedModel(y, base, offset=at * features[:, j], distr="logit")
            held = moved.fit(method="bfgs", disp=0, maxiter=500)
            assert 2 * (fit.loglik[j] - held.llf) == pytest.approx(3.841458820694124, abs=1e-5)


def test_missing_rows_and_an_absent_class(wine):
    y, base, features = wine[0], unit(wine[1]), unit(wine[2])
    observed = np.random.default_rng(5).random(features.shape) < 0.8
    observed[y == 1, 2] = False  # no patient of an inner class has the third feature
    observed[y == 0, 3] = False  # nor one of the lowest the fourth
    got = screen_ordinal(y, base, features, observed=observed)
    for j in range(features.shape[1]):
        rows = observed[:, j]
        levels = np.unique(y[rows], return_inverse=True)[1]
        fit = library(levels, np.column_stack([base[rows], features[rows, j]]))
        np.testing.assert_allclose(got.coef[j], fit.params[:2], rtol=1e-6)
        assert got.loglik_base[j] == pytest.approx(library(levels, base[rows]).llf, abs=1e-7)
        assert got.n[j] == rows.sum()


def test_what_cannot_be_fitted_has_its_code():
    rng = np.random.default_rng(6)
    y = np.repeat([0, 1, 2], 20)
    base = rng.normal(size=(60, 1))
    features = np.column_stack(
        [np.ones(60), 2 * base[:, 0] + 1, y + 0.1 * rng.random(60), rng.normal(size=60)]
    )
    got = screen_ordinal(y, base, features)
    assert got.code.tolist() == [1, 4, 3, 0]
    assert np.isnan(got.coef[:3]).all()
    assert screen_ordinal(np.zeros(60), base, features).code.tolist() == [5, 5, 5, 5]
    with pytest.raises(ValueError, match="whole numbers from 0"):
        screen_ordinal(y - 0.5, base, features)


def test_one_model_with_all_its_columns(wine):
    y, base, features = wine
    columns = np.column_stack([base, features])
    scaled = unit(columns)
    got, want = fit_ordinal(y, scaled), library(y, scaled)
    k = columns.shape[1]
    np.testing.assert_allclose(got.coef, want.params[:k], rtol=1e-6)
    np.testing.assert_allclose(got.cuts, want.model.transform_threshold_params(want.params)[1:-1], rtol=1e-6)
    np.testing.assert_allclose(np.sqrt(np.diag(got.covariance)), want.bse[:k], rtol=1e-4)
    counts = np.bincount(y)
    assert got.loglik_null == pytest.approx((counts * np.log(counts / y.size)).sum(), abs=1e-9)
