"""Linear screen: laws that any right answer obeys."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from discovery.kernels.linear import LinearPlan, fit_linear, screen_linear
from discovery.kernels.screen_fit import REASONS


def patients(rng, n=90, q=2, p=3):
    base, features = rng.normal(size=(n, q)), rng.normal(size=(n, p))
    y = 50 + 4 * base[:, 0] + 2 * features[:, 0] + 3 * rng.normal(size=n)
    return {"y": y, "base": base, "features": features, "weights": rng.integers(0, 4, n).astype(float)}


def same(first, second, **tolerance):
    for name in ("coef", "se", "loglik", "loglik_base", "z"):
        np.testing.assert_allclose(getattr(first, name), getattr(second, name), err_msg=name, **tolerance)
    np.testing.assert_array_equal(first.code, second.code)


def test_whole_weights_are_repeated_rows():
    data = patients(np.random.default_rng(1))
    times = data.pop("weights").astype(int)
    repeated = screen_linear(*(np.repeat(part, times, axis=0) for part in data.values()))
    same(screen_linear(**data, weights=times.astype(float)), repeated, rtol=1e-9)


def test_t_and_the_likelihood_ratio_are_one_function_of_each_other():
    """LR = n log(1 + t^2 / df), so that the order by z is the order by the exact t."""
    data = patients(np.random.default_rng(2), p=40)
    plan = LinearPlan(data["y"], data["base"], data["features"])
    fit, df = plan.screen(data["weights"]), plan.degrees_of_freedom(data["weights"])
    t = fit.coef[:, -1] / fit.se
    total = data["weights"].sum()
    assert (df == total - 4).all()
    np.testing.assert_allclose(fit.z, np.sign(t) * np.sqrt(total * np.log1p(t**2 / df)), rtol=1e-7)


def test_a_screen_is_the_whole_model_feature_by_feature():
    data = patients(np.random.default_rng(3))
    fit = screen_linear(**data)
    for j in range(3):
        columns = np.column_stack([data["base"], data["features"][:, j]])
        whole = fit_linear(data["y"], columns, data["weights"])
        np.testing.assert_allclose(fit.coef[j], whole.coef, rtol=1e-9)
        assert fit.se[j] == pytest.approx(np.sqrt(whole.covariance[-1, -1]), rel=1e-9)
        assert fit.loglik[j] == pytest.approx(whole.loglik, rel=1e-12)


def test_large_offsets_and_units_cost_no_digits():
    data = patients(np.random.default_rng(4))
    moved = dict(
        data, y=data["y"] * 1e3 + 1e7, base=data["base"] * 1e-5 + 3, features=data["features"] * 1e4 + 1e8
    )
    first, second = screen_linear(**data), screen_linear(**moved)
    np.testing.assert_allclose(first.z, second.z, rtol=1e-6)
    np.testing.assert_allclose(first.coef[:, -1], second.coef[:, -1] * 1e4 / 1e3, rtol=1e-6)


def test_a_missing_value_leaves_out_that_row_for_that_feature_alone():
    rng = np.random.default_rng(5)
    data = patients(rng, p=12)
    gone = rng.random((90, 12)) < np.linspace(0, 0.6, 12)
    fit = screen_linear(**dict(data, features=np.where(gone, np.nan, data["features"])))
    for j in range(12):
        keep = ~gone[:, j]
        own = {key: part[keep] for key, part in dict(data, features=data["features"][:, [j]]).items()}
        same(screen_linear(**own), type(fit)(*(part[j : j + 1] for part in fit)), rtol=1e-8)


def test_failing_features_do_not_touch_the_others():
    data = patients(np.random.default_rng(6))
    bad = np.column_stack(
        [np.full(90, 0.1), data["base"] @ [2, 1] + 5, 3 * data["y"] - data["base"][:, 0], np.full(90, np.nan)]
    )
    mixed = screen_linear(**dict(data, features=np.column_stack([bad, data["features"]])))
    assert mixed.code[:4].tolist() == [1, 4, 3, 5]
    assert np.isnan(mixed.coef[:4]).all()
    same(screen_linear(**data), type(mixed)(*(part[4:] for part in mixed)), rtol=1e-12)


@pytest.mark.parametrize("share", [1e-1, 1e-2, 1e-3, 1e-4])
def test_little_left_of_a_feature_or_of_the_outcome_costs_no_digits(share):
    data = patients(np.random.default_rng(8), n=77, p=35)
    features = data["features"]
    features[:, 3] = data["base"] @ [2, -1] + share * features[:, 3]
    features[:, 20] = data["y"] - data["base"][:, 1] + share * features[:, 20]
    fit = screen_linear(**data)
    assert (fit.code == 0).all()
    for j in (3, 20, 21, 34):
        whole = fit_linear(data["y"], np.column_stack([data["base"], features[:, j]]), data["weights"])
        np.testing.assert_allclose(fit.coef[j], whole.coef, rtol=1e-9)
        assert fit.se[j] == pytest.approx(np.sqrt(whole.covariance[-1, -1]), rel=1e-9)
        assert fit.loglik[j] == pytest.approx(whole.loglik, rel=1e-11)


def test_duplicated_covariates_change_nothing():
    data = patients(np.random.default_rng(7))
    wide = np.column_stack([data["base"], data["base"][:, ::-1], np.ones(90)])
    first, second = screen_linear(**data), screen_linear(**dict(data, base=wide))
    np.testing.assert_allclose(first.se, second.se, rtol=1e-9)
    fit = fit_linear(data["y"], wide)
    assert fit.code in (1, 4)
    assert fit.df == 87
    assert np.isnan(np.diag(fit.covariance)[3:]).all()


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 10), st.integers(0, 4), st.booleans())
def test_tiny_and_strange_cohorts_give_codes_never_warnings(seed, n, q, spread_out):
    rng = np.random.default_rng(seed)
    scale = 10.0 ** rng.integers(-12, 12, 5) if spread_out else np.ones(5)
    data = {
        "y": rng.integers(0, 4, n).astype(float),
        "base": rng.integers(-1, 2, (n, q)).astype(float),
        "features": rng.integers(-1, 2, (n, 5)) * scale + rng.choice([0.0, 1e3]),
        "weights": rng.integers(0, 3, n) * rng.choice([1.0, 1e8, 0.3]),
        "observed": rng.random((n, 5)) < 0.9,
    }
    fit = screen_linear(**data)
    good = fit.code == 0
    assert np.isin(fit.code, list(REASONS)).all()
    for part in (fit.coef, fit.se, fit.loglik, fit.loglik_base, fit.z):
        assert np.isfinite(part[good]).all()
        assert np.isnan(part[~good]).all()
    fit_linear(data["y"], data["base"], data["weights"])
