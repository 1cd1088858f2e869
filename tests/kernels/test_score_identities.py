"""Score quantities of the base model: the identities that define them, and what they preview."""

from __future__ import annotations

import numpy as np
import pytest

from discovery.kernels.cox import fit_cox, screen_cox
from discovery.kernels.linear import screen_linear
from discovery.kernels.logistic import fit_logistic, screen_logistic
from discovery.kernels.score import score_cox, score_linear, score_logistic


@pytest.fixture(scope="module")
def data():
    rng = np.random.default_rng(1)
    n = 250
    base, features = rng.normal(size=(n, 2)), rng.normal(size=(n, 40))
    event_time = rng.exponential(np.exp(-0.5 * base[:, 0] - 0.3 * features[:, 0]))
    censoring = rng.exponential(1.5, n)
    time = np.ceil(6 * np.minimum(event_time, censoring))
    return {
        "time": time,
        "event": (event_time <= censoring).astype(float),
        "base": base * [1, 20] + [0, 100],
        "features": features * 3 + 8,
        "weights": rng.integers(0, 3, n).astype(float),
        "entry": np.floor(time * rng.uniform(0, 0.8, n)),
        "stratum": rng.integers(0, 3, n),
    }


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_cox_identities(data, ties):
    null = score_cox(**data, ties=ties)
    w = data["weights"]
    weighted = w * null.residual
    assert (null.code == 0).all()
    assert abs(weighted.sum()) < 1e-9
    np.testing.assert_allclose(data["base"].T @ weighted, 0, atol=1e-7)
    np.testing.assert_allclose(null.clean.T @ weighted, null.score, atol=1e-8)
    np.testing.assert_allclose(null.influence.T @ w, null.one_step, atol=1e-12)
    np.testing.assert_allclose(null.one_step, null.score / null.variance, rtol=1e-12)
    base = fit_cox(data["time"], data["event"], data["base"], w, data["entry"], data["stratum"], ties=ties)
    np.testing.assert_allclose(null.base_coef, base.coef, atol=1e-7)
    for s in range(3):  # within a stratum events and expectations agree as well
        assert abs(weighted[data["stratum"] == s].sum()) < 1e-9


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_cox_score_test_without_covariates_is_the_one_of_the_model(data, ties):
    null = score_cox(**dict(data, base=None), ties=ties)
    rest = (data["weights"], data["entry"], data["stratum"])
    for j in range(3):
        model = fit_cox(data["time"], data["event"], data["features"][:, j], *rest, ties=ties)
        assert null.z[j] ** 2 == pytest.approx(model.score_chi2, rel=1e-9)


def test_cox_score_and_variance_are_derivatives_of_the_profile(data):
    """At the base fit the slope of the profile likelihood is the score, its curvature the variance."""
    null = score_cox(**data)
    rest = (data["weights"], data["entry"], data["stratum"])
    x = data["features"][:, 0]
    whole = fit_cox(data["time"], data["event"], np.column_stack([data["base"], x]), *rest)
    screen = screen_cox(**dict(data, features=x))
    # the exact first Newton step and the quadratic it maximises are near the maximum itself
    gain = whole.loglik - screen.loglik_base[0]
    assert gain == pytest.approx(null.score[0] ** 2 / null.variance[0] / 2, rel=0.1)
    assert null.one_step[0] == pytest.approx(screen.coef[0, -1], rel=0.1)


@pytest.mark.parametrize("kind", ["cox", "logistic", "linear"])
def test_influence_is_the_derivative_of_the_one_step_estimate_in_a_weight(data, kind):
    """Moving one patient's weight moves the estimate of the feature at 0 by the influence.

    Checked where it is exact: at a feature whose one-step estimate is its estimate, i.e. for the linear
    model, and for the others at a score of 0, reached by subtracting the estimate as an offset: here by
    a feature made orthogonal to the residual.
    """
    w = data["weights"] + 1.0
    if kind == "cox":

        def run(x, w):
            return score_cox(**dict(data, features=x, weights=w))
    elif kind == "logistic":

        def run(x, w):
            return score_logistic(data["event"], data["base"], x, weights=w)
    else:

        def run(x, w):
            return score_linear(data["time"], data["base"], x, weights=w)

    x, other = data["features"][:, 1], data["features"][:, 2]
    first, second = run(x, w), run(other, w)
    x = x - other * first.score[0] / second.score[0]
    null = run(x, w)
    assert abs(null.z[0]) < 1e-9
    for i in (3, 70, 201):
        up, down = (run(x, w + step * (np.arange(w.size) == i)).one_step[0] for step in (1e-5, -1e-5))
        assert (up - down) / 2e-5 == pytest.approx(null.influence[i, 0], rel=1e-5, abs=1e-10)


def test_logistic_identities(data):
    w, y = data["weights"], data["event"]
    null = score_logistic(y, data["base"], data["features"], weights=w)
    weighted = w * null.residual
    assert abs(weighted.sum()) < 1e-9
    np.testing.assert_allclose(data["base"].T @ weighted, 0, atol=1e-7)
    np.testing.assert_allclose(null.clean.T @ weighted, null.score, atol=1e-8)
    np.testing.assert_allclose(null.influence.T @ w, null.one_step, atol=1e-12)
    base = fit_logistic(y, data["base"], w)
    np.testing.assert_allclose(null.base_coef, base.coef, atol=1e-6)
    mu = y - null.residual
    design = np.column_stack([np.ones(y.size), data["base"]])
    np.testing.assert_allclose(design.T @ ((w * mu * (1 - mu))[:, None] * null.clean), 0, atol=1e-6)
    np.testing.assert_allclose(
        ((w * mu * (1 - mu))[:, None] * null.clean**2).sum(axis=0), null.variance, rtol=1e-9
    )


def test_linear_one_step_is_the_estimate(data):
    w, y = data["weights"], data["time"]
    null, fit = (call(y, data["base"], data["features"], weights=w) for call in (score_linear, screen_linear))
    np.testing.assert_allclose(null.one_step, fit.coef[:, -1], rtol=1e-8)
    r2 = 1 - np.exp(-(fit.z**2) / w.sum())
    np.testing.assert_allclose(null.z**2, w.sum() * r2, rtol=1e-8)
    np.testing.assert_allclose(data["base"].T @ (w * null.residual), 0, atol=1e-6)


def test_previews_order_features_as_the_fits_do(data):
    for null, fit in (
        (score_cox(**data), screen_cox(**data)),
        (
            score_logistic(data["event"], data["base"], data["features"]),
            screen_logistic(data["event"], data["base"], data["features"]),
        ),
    ):
        assert np.corrcoef(null.z, fit.z)[0, 1] > 0.999


def test_a_feature_with_missing_rows_is_judged_on_its_own_rows(data):
    rng = np.random.default_rng(2)
    observed = np.ones(data["features"].shape, dtype=bool)
    observed[:, 5] = rng.random(250) < 0.7
    for run in (
        lambda d, **more: score_cox(**d, **more),
        lambda d, **more: score_logistic(d["event"], d["base"], d["features"], weights=d["weights"], **more),
        lambda d, **more: score_linear(d["time"], d["base"], d["features"], weights=d["weights"], **more),
    ):
        null, whole = run(data, observed=observed), run(data)
        keep = observed[:, 5]
        alone = run({key: part[keep] for key, part in data.items()})
        assert null.z[5] == pytest.approx(alone.z[5], rel=1e-7)
        np.testing.assert_allclose(null.influence[keep, 5], alone.influence[:, 5], rtol=1e-6, atol=1e-10)
        assert (null.influence[~keep, 5] == 0).all()
        rest = np.arange(40) != 5
        np.testing.assert_allclose(null.z[rest], whole.z[rest], rtol=1e-12)
        np.testing.assert_allclose(null.residual, whole.residual, rtol=1e-12)


def test_codes_of_features_that_tell_nothing(data):
    n = data["time"].size
    bad = np.column_stack([np.full(n, 4.0), data["base"] @ [1.0, 2.0], np.full(n, np.nan)])
    everything = np.column_stack([bad, data["features"][:, :2]])
    for null in (
        score_cox(**dict(data, features=everything)),
        score_logistic(data["event"], data["base"], everything),
        score_linear(data["time"], data["base"], everything),
    ):
        assert null.code.tolist() == [1, 4, 5, 0, 0]
        assert np.isnan(null.z[:3]).all()
        assert np.isfinite(null.z[3:]).all()


def test_influence_bootstrap_spreads_like_the_refits(data):
    """methods: ratio of the standard errors .94 to .98 at n = 150 to 500; here within a tenth."""
    rng = np.random.default_rng(3)
    plain = {key: data[key] for key in ("time", "event", "base")} | {"features": data["features"][:, :8]}
    null, fit = score_cox(**plain), screen_cox(**plain)
    draws = rng.multinomial(250, np.full(250, 1 / 250), size=400).astype(float)
    quick = fit.coef[:, -1] + (draws - 1) @ null.influence
    refit = np.array([screen_cox(**plain, weights=w).coef[:, -1] for w in draws])
    ratio = quick.std(axis=0) / refit.std(axis=0)
    assert ((ratio > 0.85) & (ratio < 1.05)).all()
    assert min(np.corrcoef(quick[:, j], refit[:, j])[0, 1] for j in range(8)) > 0.93
