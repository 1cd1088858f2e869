"""Multinomial screens against statsmodels' MNLogit, and exact identities."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from discovery.kernels.logistic import screen_logistic
from discovery.kernels.multinomial import normal_deviate, screen_multinomial

READ = {"keep_default_na": False, "na_values": [""]}


def library(y, columns):
    return sm.MNLogit(y, sm.add_constant(columns)).fit(method="newton", disp=0, maxiter=200, tol=1e-12)


@pytest.fixture(scope="module")
def penguins(shared):
    table = pd.read_csv(shared / "datasets" / "penguins.csv", **READ)
    table = table[table["sex"].isin(["male", "female"])]
    y = np.unique(table["island"], return_inverse=True)[1]
    names = ["bill_length_mm", "bill_depth_mm", "flipper_length_mm", "body_mass_g"]
    return y, (table[["sex"]] == "male").to_numpy(float), table[names].to_numpy(float)


@pytest.fixture(scope="module")
def wine(shared):
    table = pd.read_csv(shared / "datasets" / "wine.csv", **READ)
    y = np.unique(table["class"], return_inverse=True)[1]
    return (
        y,
        table[["ash", "magnesium"]].to_numpy(float),
        table[["malic_acid", "alcohol", "hue"]].to_numpy(float),
    )


@pytest.mark.parametrize("data", ["penguins", "wine"])
def test_every_number_of_the_screen_is_that_of_the_library(data, request):
    y, base, features = request.getfixturevalue(data)
    got = screen_multinomial(y, base, features)
    without = library(y, base)
    assert (got.code == 0).all()
    for j, x in enumerate(features.T):
        fit = library(y, np.column_stack([base, x]))
        np.testing.assert_allclose(got.contrasts[j], np.asarray(fit.params).T, rtol=1e-6, atol=1e-7)
        assert got.loglik[j] == pytest.approx(fit.llf, abs=1e-8)
        assert got.loglik_base[j] == pytest.approx(without.llf, abs=1e-8)
        np.testing.assert_allclose(np.sqrt(np.diag(got.covariance[j])), np.asarray(fit.bse)[-1], rtol=1e-6)
        p = stats.chi2.sf(2 * (fit.llf - without.llf), 2)
        assert got.df[j] == 2
        assert 2 * stats.norm.sf(got.z[j]) == pytest.approx(p, rel=1e-6)


def test_two_classes_are_a_logistic_regression(wine):
    y, base, features = wine
    y = (y > 0).astype(float)
    got, want = screen_multinomial(y, base, features), screen_logistic(y, base, features)
    np.testing.assert_allclose(got.contrasts[:, 0], want.coef, rtol=1e-7)
    np.testing.assert_allclose(np.sqrt(got.covariance[:, 0, 0]), want.se, rtol=1e-7)
    np.testing.assert_allclose(got.z, np.abs(want.z), rtol=1e-7)


def test_the_test_does_not_depend_on_which_class_is_the_first(wine):
    y, base, features = wine
    one, other = screen_multinomial(y, base, features), screen_multinomial((y + 1) % 3, base, features)
    np.testing.assert_allclose(one.z, other.z, rtol=1e-9)
    # class 1 against 0 there is class 0 against 2 here
    np.testing.assert_allclose(other.contrasts[:, 0], -one.contrasts[:, 1], rtol=1e-6)


def test_whole_weights_are_repeated_rows(wine):
    y, base, features = wine
    w = np.random.default_rng(4).integers(0, 4, y.size)
    many = np.repeat(np.arange(y.size), w)
    got = screen_multinomial(y, base, features, weights=w)
    want = screen_multinomial(y[many], base[many], features[many])
    for name in ("contrasts", "covariance", "loglik", "loglik_base", "z"):
        np.testing.assert_allclose(getattr(got, name), getattr(want, name), rtol=1e-7)


def test_weights_that_differ_give_the_maximum_of_their_likelihood(wine):
    """Its gradient is zero in every coefficient, for more rows than one block holds."""
    y, base, features = wine
    w = np.random.default_rng(9).exponential(size=y.size)
    got = screen_multinomial(y, base, features, weights=w)
    for j in range(3):
        x = np.column_stack([np.ones(y.size), base, features[:, j]])
        eta = np.column_stack([np.zeros(y.size), x @ got.contrasts[j].T])
        chance = np.exp(eta - eta.max(axis=1, keepdims=True))
        chance /= chance.sum(axis=1, keepdims=True)
        pull = x.T @ (w[:, None] * (np.eye(3)[y] - chance))
        assert np.abs(pull / (w @ np.abs(x))[:, None]).max() < 1e-9
        assert got.loglik[j] == pytest.approx((w * np.log(chance[np.arange(y.size), y])).sum(), rel=1e-10)


def test_missing_rows_and_an_absent_class(wine):
    y, base, features = wine
    observed = np.random.default_rng(5).random(features.shape) < 0.8
    observed[y == 1, 2] = False
    got = screen_multinomial(y, base, features, observed=observed)
    for j in range(3):
        rows = observed[:, j]
        levels = np.unique(y[rows], return_inverse=True)[1]
        fit = library(levels, np.column_stack([base[rows], features[rows, j]]))
        kept = [0, 1] if j < 2 else [1]
        np.testing.assert_allclose(got.contrasts[j, kept], np.asarray(fit.params).T, rtol=1e-5)
        assert got.loglik_base[j] == pytest.approx(library(levels, base[rows]).llf, abs=1e-8)
    assert got.df.tolist() == [2, 2, 1]
    assert got.contrasts[2, 0, 0] == -np.inf


def test_what_cannot_be_fitted_has_its_code():
    rng = np.random.default_rng(6)
    y = np.repeat([0, 1, 2], 20)
    base = rng.normal(size=(60, 1))
    features = np.column_stack(
        [np.ones(60), 2 * base[:, 0] + 1, y + 0.1 * rng.random(60), rng.normal(size=60)]
    )
    got = screen_multinomial(y, base, features)
    assert got.code.tolist() == [1, 4, 3, 0]
    assert screen_multinomial(np.zeros(60), base, features).code.tolist() == [5, 5, 5, 5]


def test_separation_of_one_class_only_is_noticed():
    rng = np.random.default_rng(7)
    y = np.repeat([0, 1, 2], 30)
    x = rng.normal(size=90) + np.where(y == 2, 20, 0)
    assert screen_multinomial(y, None, x).code[0] == 3


def test_the_normal_deviate_goes_on_where_p_values_end():
    for df in (1, 2, 3, 6):
        chi2 = np.array([0.5, 5.0, 50.0, 599.0, 601.0, 3000.0])
        z = normal_deviate(chi2, np.full(6, df))
        assert (np.diff(z) > 0).all()
        np.testing.assert_allclose(2 * stats.norm.sf(z[:4]), stats.chi2.sf(chi2[:4], df), rtol=1e-8)
        # d(z^2)/d(chi2) tends to 1, so over the seam it is near 1
        assert (z[4] ** 2 - z[3] ** 2) / 2 == pytest.approx(1.0, abs=0.01)
    np.testing.assert_allclose(
        normal_deviate(np.array([4.0, 900.0, 5000.0]), 1) ** 2, [4, 900, 5000], rtol=1e-10
    )
