"""Logistic screen: closed forms, and laws that any right answer obeys."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from discovery.kernels.logistic import LogisticPlan, fit_logistic, profile_interval_logistic, screen_logistic
from discovery.kernels.score import score_logistic
from discovery.kernels.screen_fit import REASONS


def patients(rng, n=150, q=2, p=3):
    base, features = rng.normal(size=(n, q)), rng.normal(size=(n, p))
    y = (rng.random(n) < 1 / (1 + np.exp(1 - base[:, 0] - 0.7 * features[:, 0]))).astype(float)
    return {"y": y, "base": base, "features": features, "weights": rng.integers(0, 4, n).astype(float)}


def same(first, second, **tolerance):
    for name in ("coef", "se", "loglik", "loglik_base", "z"):
        np.testing.assert_allclose(getattr(first, name), getattr(second, name), err_msg=name, **tolerance)
    np.testing.assert_array_equal(first.code, second.code)


@pytest.mark.parametrize("cells", [(0, 7, 5, 9), (3, 7, 5, 9), (0, 4, 6, 0), (1, 0, 0, 1)])
def test_firth_of_a_two_by_two_table_is_the_log_odds_with_a_half_in_each_cell(cells):
    """Closed form: Jeffreys' prior of a saturated model adds .5 to every cell (Firth 1993)."""
    a, b, c, d = cells
    y = np.repeat([1.0, 0.0, 1.0, 0.0], cells)
    x = np.repeat([1.0, 1.0, 0.0, 0.0], cells)
    expected = np.log((a + 0.5) * (d + 0.5) / ((b + 0.5) * (c + 0.5)))
    fit = fit_logistic(y, x, firth=True)
    assert fit.coef[1] == pytest.approx(expected, abs=1e-7)
    assert fit.coef[0] == pytest.approx(np.log((c + 0.5) / (d + 0.5)), abs=1e-7)
    assert screen_logistic(y, None, x, firth=True).coef[0, 1] == pytest.approx(expected, abs=1e-7)
    if min(cells) == 0:
        assert fit_logistic(y, x).code == 3
    else:
        assert fit_logistic(y, x).coef[1] == pytest.approx(np.log(a * d / (b * c)), abs=1e-9)


def test_firth_of_an_intercept_alone():
    fit = fit_logistic(np.repeat([1.0, 0.0], [3, 9]), np.empty((12, 0)), firth=True)
    assert fit.coef[0] == pytest.approx(np.log(3.5 / 9.5), abs=1e-9)


@pytest.mark.parametrize(("n", "effect"), [(60, 0.5), (150, 1.5), (900, 0.2), (2500, 0.6)])
@pytest.mark.parametrize("weighted", [False, True])
def test_estimates_are_those_of_newton_s_method_run_to_its_end(n, effect, weighted):
    """The screen ends its fits by series; Newton's iteration in matrices, until nothing moves, does not."""
    rng = np.random.default_rng(n)
    base, features = rng.normal(size=(n, 3)), rng.normal(size=(n, 40))
    y = (rng.random(n) < 1 / (1 + np.exp(0.7 - base[:, 0] - effect * features[:, 0]))).astype(float)
    weights = rng.integers(0, 3, n).astype(float) if weighted else np.ones(n)
    fit = screen_logistic(y, base, features, weights=weights)
    for j in range(40):
        columns = np.column_stack([np.ones(n), base, features[:, j]])
        coef = np.zeros(5)
        for _ in range(30):
            expected = 1 / (1 + np.exp(-columns @ coef))
            info = (columns.T * (weights * expected * (1 - expected))) @ columns
            coef += np.linalg.solve(info, columns.T @ (weights * (y - expected)))
        se = np.sqrt(np.diag(np.linalg.inv(info)))
        loglik = (weights * (y * (columns @ coef) - np.logaddexp(0, columns @ coef))).sum()
        assert np.abs((fit.coef[j] - coef) / se).max() < 1e-8
        assert fit.se[j] == pytest.approx(se[-1], rel=5e-7)
        assert fit.loglik[j] == pytest.approx(loglik, abs=1e-9)


@pytest.mark.parametrize("firth", [False, True])
def test_whole_weights_are_repeated_rows(firth):
    data = patients(np.random.default_rng(1))
    times = data.pop("weights").astype(int)
    weighted = screen_logistic(**data, weights=times.astype(float), firth=firth)
    repeated = screen_logistic(*(np.repeat(part, times, axis=0) for part in data.values()), firth=firth)
    same(weighted, repeated, rtol=1e-7, atol=1e-9)
    assert repeated.n[0] == times.sum()
    assert weighted.n[0] == (times > 0).sum()


def penalised(beta, y, x, w):
    eta = x @ beta
    mu = 1 / (1 + np.exp(-eta))
    info = x.T @ (x * (w * mu * (1 - mu))[:, None])
    return (w * (y * eta - np.logaddexp(0, eta))).sum() + 0.5 * np.linalg.slogdet(info)[1]


def test_firth_maximises_the_penalised_likelihood_free_and_held():
    data = patients(np.random.default_rng(2), n=40, p=1)
    x = np.column_stack([np.ones(40), data["base"], data["features"]])
    fit = screen_logistic(**data, firth=True)
    options = {"xatol": 1e-9, "fatol": 1e-13, "maxiter": 4000}
    rest = (data["y"], x, data["weights"])
    free = minimize(lambda b: -penalised(b, *rest), fit.coef[0], method="Nelder-Mead", options=options)
    held = minimize(
        lambda b: -penalised(np.append(b, 0), *rest), fit.coef[0, :3], method="Nelder-Mead", options=options
    )
    assert fit.loglik[0] == pytest.approx(-free.fun, abs=1e-8)
    assert fit.loglik_base[0] == pytest.approx(-held.fun, abs=1e-8)
    np.testing.assert_allclose(fit.coef[0], free.x, atol=1e-5)


def test_order_shift_and_scale_do_not_matter():
    data = patients(np.random.default_rng(3))
    turn = np.random.default_rng(4).permutation(150)
    first = screen_logistic(**data)
    same(first, screen_logistic(**{key: part[turn] for key, part in data.items()}), rtol=1e-8)
    moved = screen_logistic(**dict(data, features=1e5 + 40 * data["features"], base=1e-3 * data["base"] - 7))
    np.testing.assert_allclose(moved.z, first.z, rtol=1e-6)
    np.testing.assert_allclose(moved.coef[:, -1] * 40, first.coef[:, -1], rtol=1e-6)
    np.testing.assert_allclose(moved.coef[:, 1:-1] * 1e-3, first.coef[:, 1:-1], rtol=1e-6)


def test_turning_the_outcome_turns_the_signs():
    data = patients(np.random.default_rng(5))
    for firth in (False, True):
        first, other = (screen_logistic(**dict(data, y=y), firth=firth) for y in (data["y"], 1 - data["y"]))
        np.testing.assert_allclose(first.coef, -other.coef, atol=1e-7)
        np.testing.assert_allclose(first.loglik, other.loglik, rtol=1e-10)


def test_a_missing_value_leaves_out_that_row_for_that_feature_alone():
    rng = np.random.default_rng(6)
    data = patients(rng, p=20)
    gone = rng.random((150, 20)) < np.linspace(0, 0.6, 20)
    for firth in (False, True):
        fit = screen_logistic(**data, observed=~gone, firth=firth)
        for j in range(20):
            keep = ~gone[:, j]
            own = {key: part[keep] for key, part in dict(data, features=data["features"][:, [j]]).items()}
            alone = screen_logistic(**own, firth=firth)
            same(alone, type(fit)(*(part[j : j + 1] for part in fit)), rtol=1e-6, atol=1e-8)


def test_failing_features_do_not_touch_the_others():
    rng = np.random.default_rng(7)
    data = patients(rng)
    y = data["y"]
    quasi = np.where(y == 1, 1.0, rng.integers(0, 2, 150))  # one cell of the table is empty
    bad = np.column_stack(
        [np.full(150, 2.0), data["base"] @ [1, -3] + 9, y + 1e-3 * rng.normal(size=150), quasi, y * np.nan]
    )
    mixed = screen_logistic(**dict(data, features=np.column_stack([bad, data["features"]])))
    assert mixed.code[:5].tolist() == [1, 4, 3, 3, 5]
    for name in ("coef", "se", "loglik", "loglik_base", "z"):
        assert np.isnan(getattr(mixed, name)[:5]).all()
    same(screen_logistic(**data), type(mixed)(*(part[5:] for part in mixed)), rtol=1e-9)
    firth = screen_logistic(**dict(data, features=bad[:, 2:4]), firth=True)
    assert firth.code.tolist() == [0, 0]
    assert (firth.coef[:, -1] > 0).all()


def test_a_feature_does_not_depend_on_those_beside_it():
    """To the last byte, and in whatever order they come."""
    rng = np.random.default_rng(12)
    data = patients(rng, n=203, p=45)
    features = data["features"]
    features[:, 1::2] *= np.exp(rng.normal(size=203))[:, None]
    whole = screen_logistic(**data)
    turn = rng.permutation(45)
    gone = np.where(rng.random((203, 3)) < 0.1, np.nan, 1.0)
    mixed = screen_logistic(**dict(data, features=np.column_stack([gone, features[:, turn]])))
    for all_at_once, beside_others in zip(whole, mixed, strict=True):
        assert all_at_once[turn].tobytes() == beside_others[3:].tobytes()
    alone = screen_logistic(**dict(data, features=features[:, 7]))
    assert all(part[7:8].tobytes() == one.tobytes() for part, one in zip(whole, alone, strict=True))


def test_covariates_that_separate_the_outcome_leave_nothing_to_a_feature():
    rng = np.random.default_rng(13)
    x = rng.normal(size=(60, 3))
    y = (x[:, 0] > 0).astype(float)
    assert screen_logistic(y, x[:, :1], x[:, 1:]).code.tolist() == [3, 3]
    found = score_logistic(y, x[:, :1], x[:, 1:])
    assert found.code.tolist() == [3, 3]
    for part in (found.score, found.variance, found.z, found.one_step):
        assert np.isnan(part).all()


def test_a_site_without_events_leaves_the_feature_its_estimate():
    """Its patients are fitted exactly in the limit, so they say nothing about the feature."""
    data = patients(np.random.default_rng(8), n=300)
    site = (np.arange(300) % 6 == 0).astype(float)
    data = dict(data, y=data["y"] * (site == 0), weights=np.ones(300))
    fit = screen_logistic(**dict(data, base=np.column_stack([data["base"], site])))
    keep = site == 0
    without = screen_logistic(**{key: part[keep] for key, part in data.items()})
    assert fit.code.tolist() == [0, 0, 0]
    np.testing.assert_allclose(fit.coef[:, -1], without.coef[:, -1], atol=1e-6)
    np.testing.assert_allclose(fit.se, without.se, atol=1e-6)
    np.testing.assert_allclose(fit.z, without.z, atol=1e-4)


def test_profile_interval_of_a_table_inverts_its_test():
    data = patients(np.random.default_rng(9), p=40)
    for firth in (False, True):
        fit = screen_logistic(**data, firth=firth)
        low, high = profile_interval_logistic(**data, fit=fit, firth=firth)
        np.testing.assert_array_equal((low > 0) | (high < 0), np.abs(fit.z) > 1.959963984540054)
        assert ((low < fit.coef[:, -1]) & (fit.coef[:, -1] < high)).all()
        wide = profile_interval_logistic(**data, fit=fit, firth=firth, conf_level=0.99)
        assert ((wide[0] < low) & (high < wide[1])).all()


@pytest.mark.parametrize("firth", [False, True])
def test_profile_bounds_of_a_nearly_collinear_feature_are_where_the_likelihood_has_fallen(firth):
    """Against a general optimiser, from the estimate outwards in small steps."""
    rng = np.random.default_rng(13)
    data = patients(rng, n=120, p=1)
    data["features"] = data["base"][:, :1] + 0.05 * rng.normal(size=(120, 1))
    fit = screen_logistic(**data, firth=firth)
    y, w = data["y"], data["weights"]
    x = np.column_stack([np.ones(120), data["base"], data["features"]])

    def fall(others, last):
        eta = x @ np.append(others, last)
        mu = 1 / (1 + np.exp(-eta))
        hill = w @ (y * eta - np.logaddexp(0, eta))
        if firth:
            hill += 0.5 * np.linalg.slogdet((x.T * (w * mu * (1 - mu))) @ x)[1]
        return 2 * (fit.loglik[0] - hill)

    for bound in profile_interval_logistic(**data, fit=fit, firth=firth):
        others = fit.coef[0, :-1]
        for at in np.linspace(fit.coef[0, -1], bound[0], 20):
            found = minimize(fall, others, args=(at,), method="BFGS", options={"gtol": 1e-7})
            others = found.x
        assert found.fun == pytest.approx(3.841458820694124, abs=1e-5)


def test_one_plan_serves_many_weights():
    rng = np.random.default_rng(10)
    data = patients(rng, p=18)
    plan = LogisticPlan(data["y"], data["base"], data["features"])
    for _ in range(3):
        w = rng.multinomial(150, np.full(150, 1 / 150)).astype(float)
        for a, b in zip(plan.screen(w), screen_logistic(**dict(data, weights=w)), strict=True):
            assert a.tobytes() == b.tobytes()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"y": np.full(150, 0.5)}, "y must be 0 or 1"),
        ({"y": np.full(150, np.nan)}, "y must be finite"),
        ({"base": np.full((150, 1), np.nan)}, "base must be finite"),
        ({"weights": np.full(3, 1.0)}, "weights must have shape"),
    ],
)
def test_wrong_arguments_are_refused(change, words):
    with pytest.raises(ValueError, match=words):
        screen_logistic(**dict(patients(np.random.default_rng(11)), **change))


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 12), st.integers(0, 4), st.booleans(), st.booleans())
def test_tiny_and_strange_cohorts_give_codes_never_warnings(seed, n, q, firth, spread_out):
    rng = np.random.default_rng(seed)
    scale = 10.0 ** rng.integers(-12, 12, 5) if spread_out else np.ones(5)
    fit = screen_logistic(
        (rng.random(n) < rng.choice([0.0, 0.1, 0.5, 1.0])).astype(float),
        rng.integers(-1, 2, (n, q)).astype(float),
        rng.integers(-1, 2, (n, 5)) * scale + rng.choice([0.0, 1e3]),
        weights=rng.integers(0, 3, n) * rng.choice([1.0, 1e8]),
        observed=rng.random((n, 5)) < 0.9,
        firth=firth,
    )
    good = fit.code == 0
    assert np.isin(fit.code, list(REASONS)).all()
    for part in (fit.coef, fit.se, fit.loglik, fit.loglik_base, fit.z):
        assert np.isfinite(part[good]).all()
        assert np.isnan(part[~good]).all()
