"""Cox screen: a slow plain version, and laws that any right answer obeys."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from joblib import Parallel, delayed
from lifelines import CoxPHFitter
from scipy.optimize import approx_fprime, minimize

from discovery.kernels.cox import CoxPlan, fit_cox, profile_interval_cox, screen_cox
from discovery.kernels.screen_fit import REASONS


def plain_loglik(beta, time, event, x, weights, entry, stratum, *, efron=True, information=False):
    """Log partial likelihood by the definition, one event time after the other; optionally information."""
    eta, total, info = x @ beta, 0.0, np.zeros((x.shape[1], x.shape[1]))
    for s in np.unique(stratum):
        for t in np.unique(time[(stratum == s) & event & (weights > 0)]):
            risk = (stratum == s) & (time >= t) & (entry < t) & (weights > 0)
            dead = risk & event & (time == t)
            d, mean_weight = dead.sum(), weights[dead].mean()
            total += weights[dead] @ eta[dead]
            for turn in range(d):
                r = weights * np.exp(eta) * (risk - (turn / d if efron else 0.0) * dead)
                total -= mean_weight * np.log(r.sum())
                m = r @ x / r.sum()
                info += mean_weight * ((x - m).T @ ((x - m) * r[:, None])) / r.sum()
    return (total, info) if information else total


def patients(rng, n=120, q=2, p=3, *, tied=True):
    base, features = rng.normal(size=(n, q)), rng.normal(size=(n, p))
    hazard = np.exp(0.6 * base[:, 0] + 0.5 * features[:, 0])
    event_time, censoring = rng.exponential(1 / hazard), rng.exponential(1.5, n)
    time, event = np.minimum(event_time, censoring), event_time <= censoring
    if tied:
        time = np.ceil(8 * time)
    entry = np.floor(time * rng.uniform(0, 0.9, n)) if tied else time * rng.uniform(0, 0.9, n)
    return {
        "time": time,
        "event": event,
        "base": base,
        "features": features,
        "weights": rng.integers(0, 3, n).astype(float),
        "entry": entry,
        "stratum": rng.integers(0, 3, n),
    }


def same(first, second, **tolerance):
    for name in ("coef", "se", "loglik", "loglik_base", "z"):
        np.testing.assert_allclose(getattr(first, name), getattr(second, name), err_msg=name, **tolerance)
    np.testing.assert_array_equal(first.code, second.code)
    np.testing.assert_array_equal(first.n, second.n)
    np.testing.assert_array_equal(first.events, second.events)


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_maximum_and_information_of_the_plain_likelihood(ties):
    """Weights, ties, strata and delayed entry together."""
    data = patients(np.random.default_rng(1))
    x = np.column_stack([data["base"], data["features"]])
    rest = (data["time"], data["event"], x, data["weights"], data["entry"], data["stratum"])
    fit = fit_cox(*rest, ties=ties)
    loglik, info = plain_loglik(fit.coef, *rest, efron=ties == "efron", information=True)
    assert fit.loglik == pytest.approx(loglik, rel=1e-12)
    np.testing.assert_allclose(np.linalg.inv(fit.covariance), info, rtol=1e-6)
    slope = approx_fprime(fit.coef, lambda b: plain_loglik(b, *rest, efron=ties == "efron"), 1e-6)
    np.testing.assert_allclose(slope, 0, atol=1e-3)
    assert fit.loglik_null == pytest.approx(
        plain_loglik(0 * fit.coef, *rest, efron=ties == "efron"), rel=1e-12
    )


@pytest.mark.parametrize("held", [False, True])
def test_firth_maximises_the_plain_penalised_likelihood(held):
    """The gradient is derived by hand; the maximum of l + log det I / 2 is found without it."""
    data = patients(np.random.default_rng(2), n=50, p=1)
    x = np.column_stack([data["base"], data["features"]])
    rest = (data["time"], data["event"], x, data["weights"], data["entry"], data["stratum"])

    def penalised(beta):
        loglik, info = plain_loglik(beta, *rest, information=True)
        return -(loglik + 0.5 * np.linalg.slogdet(info)[1])

    screen = screen_cox(**data, firth=True)
    free = 2 if held else 3

    def objective(beta):
        return penalised(np.append(beta, np.zeros(3 - free)))

    start = np.zeros(free) if held else screen.coef[0]
    best = minimize(
        objective, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-13, "maxiter": 4000}
    )
    got = screen.loglik_base[0] if held else screen.loglik[0]
    assert got == pytest.approx(-best.fun, abs=1e-8)
    if not held:
        np.testing.assert_allclose(screen.coef[0], best.x, atol=1e-6)
        whole = fit_cox(*rest, firth=True)
        np.testing.assert_allclose(whole.coef, screen.coef[0], atol=1e-8)
        assert whole.loglik == pytest.approx(screen.loglik[0], abs=1e-10)


def test_order_of_rows_does_not_matter():
    data = patients(np.random.default_rng(3))
    turn = np.random.default_rng(4).permutation(120)
    same(screen_cox(**data), screen_cox(**{key: value[turn] for key, value in data.items()}), rtol=1e-9)


@pytest.mark.parametrize("firth", [False, True])
def test_shift_and_scale_of_the_columns_do_not_matter(firth):
    data = patients(np.random.default_rng(5))
    moved = dict(data, base=data["base"] * [1e-4, 1e5] + [7, -1e6], features=data["features"] * 250 + 1e5)
    first, second = screen_cox(**data, firth=firth), screen_cox(**moved, firth=firth)
    np.testing.assert_allclose(first.coef, second.coef * [1e-4, 1e5, 250], rtol=1e-5, atol=1e-9)
    np.testing.assert_allclose(first.se, second.se * 250, rtol=1e-6)
    np.testing.assert_allclose(first.z, second.z, rtol=1e-5)


def test_names_of_strata_and_unit_of_time_do_not_matter():
    data = patients(np.random.default_rng(6))
    moved = dict(data, stratum=np.array([40, -3, 7])[data["stratum"]])
    moved.update(time=data["time"] * 365.25, entry=data["entry"] * 365.25)
    same(screen_cox(**data), screen_cox(**moved), rtol=1e-9)


def test_a_row_of_weight_zero_does_not_exist():
    data = patients(np.random.default_rng(7))
    keep = data["weights"] > 0
    same(screen_cox(**data), screen_cox(**{key: value[keep] for key, value in data.items()}), rtol=1e-8)


def test_a_missing_value_leaves_out_that_row_for_that_feature_alone():
    rng = np.random.default_rng(8)
    data = patients(rng, p=20)
    whole = screen_cox(**data)
    gone = rng.random(data["features"].shape) < np.linspace(0, 0.5, 20)
    masked = screen_cox(**data, observed=~gone)
    as_nan = screen_cox(**dict(data, features=np.where(gone, np.nan, data["features"])))
    same(masked, as_nan, rtol=1e-9)
    same(
        screen_cox(**dict(data, features=data["features"][:, :1])),
        type(whole)(*(part[:1] for part in masked)),
        rtol=1e-9,
    )
    for j in range(20):
        keep = ~gone[:, j]
        alone = screen_cox(
            **{key: value[keep] for key, value in dict(data, features=data["features"][:, [j]]).items()}
        )
        same(alone, type(masked)(*(part[j : j + 1] for part in masked)), rtol=1e-6, atol=1e-8)


def test_failing_features_do_not_touch_the_others():
    rng = np.random.default_rng(9)
    data = patients(rng, p=5)
    alone = screen_cox(**data)
    n = data["time"].size
    separating = np.where(data["event"], 5.0, -5.0) - 1e-3 * data["time"]
    bad = np.column_stack(
        [
            np.full(n, 3.3),
            data["base"][:, 0] * 2 - data["base"][:, 1] + 4,
            np.full(n, np.nan),
            separating,
            np.where(data["event"], np.nan, rng.normal(size=n)),
        ]
    )
    mixed = screen_cox(**dict(data, features=np.column_stack([bad, data["features"]])))
    assert mixed.code[:5].tolist() == [1, 4, 5, 3, 5]
    for name in ("coef", "se", "loglik", "loglik_base", "z"):
        assert np.isnan(getattr(mixed, name)[:5]).all()
    same(alone, type(mixed)(*(part[5:] for part in mixed)), rtol=1e-9)


def test_monotone_likelihood_is_named_and_firth_has_an_answer():
    """Every event is the highest value at risk: the likelihood rises for ever (Heinze & Schemper 2001)."""
    time = np.arange(1.0, 21.0)
    event = np.ones(20, dtype=bool)
    feature = -time
    base = np.random.default_rng(10).normal(size=(20, 1))
    plain = screen_cox(time, event, base, feature)
    assert plain.code[0] == 3
    assert REASONS[3]
    assert fit_cox(time, event, np.column_stack([base, feature])).code == 3
    firth = screen_cox(time, event, base, feature, firth=True)
    assert firth.code[0] == 0
    assert 0 < firth.coef[0, -1] < np.inf
    low, high = profile_interval_cox(time, event, base, feature, firth, firth=True)
    assert 0 < low[0] < firth.coef[0, -1] < high[0] < np.inf
    assert np.isnan(profile_interval_cox(time, event, base, feature, plain)).all()


def test_a_covariate_level_without_events_leaves_the_feature_its_estimate():
    """R fits the same limit with a warning: patients of that level only leave the risk sets."""
    rng = np.random.default_rng(11)
    data = patients(rng, n=200, q=1, p=2)
    level = (rng.random(200) < 0.15).astype(float)
    event = data["event"] & (level == 0)
    data = dict(data, event=event, weights=None, base=np.column_stack([data["base"], level]))
    with_level = screen_cox(**data)
    keep = level == 0
    without = screen_cox(
        **{
            key: value[keep]
            for key, value in dict(data, weights=np.ones(200), base=data["base"][:, :1]).items()
        }
    )
    assert with_level.code.tolist() == [0, 0]
    np.testing.assert_allclose(with_level.coef[:, -1], without.coef[:, -1], atol=1e-6)
    np.testing.assert_allclose(with_level.se, without.se, atol=1e-6)
    np.testing.assert_allclose(with_level.z, without.z, atol=1e-4)


def test_duplicated_and_constant_covariates_change_nothing():
    data = patients(np.random.default_rng(12))
    wide = np.column_stack([data["base"], data["base"], np.full(120, 9.0)])
    plain, doubled = screen_cox(**data), screen_cox(**dict(data, base=wide))
    np.testing.assert_allclose(plain.z, doubled.z, rtol=1e-8)
    np.testing.assert_allclose(plain.se, doubled.se, rtol=1e-8)
    assert (doubled.coef[:, 2:5] == 0).all()
    fit = fit_cox(data["time"], data["event"], wide, data["weights"])
    assert fit.code in (1, 4)
    assert np.isfinite(fit.coef).all()
    assert np.isnan(np.diag(fit.covariance)[2:]).all()


def test_no_covariates_at_all():
    data = patients(np.random.default_rng(13))
    rest = (data["weights"], data["entry"], data["stratum"])
    none = screen_cox(**dict(data, base=None))
    for j in range(3):
        alone = fit_cox(data["time"], data["event"], data["features"][:, j], *rest)
        assert none.coef[j, 0] == pytest.approx(alone.coef[0], rel=1e-8)
        assert none.loglik_base[j] == pytest.approx(alone.loglik_null, rel=1e-12)
    empty = fit_cox(data["time"], data["event"], np.empty((120, 0)), *rest)
    assert empty.coef.size == 0
    assert empty.loglik == pytest.approx(none.loglik_base[0], rel=1e-12)
    assert screen_cox(**dict(data, features=np.empty((120, 0)))).coef.shape == (0, 3)


def test_common_factor_of_the_weights():
    data = patients(np.random.default_rng(14))
    one, many = screen_cox(**data), screen_cox(**dict(data, weights=data["weights"] * 1e9))
    np.testing.assert_allclose(one.coef, many.coef, atol=1e-8)
    np.testing.assert_allclose(one.se, many.se * np.sqrt(1e9), rtol=1e-6)


def test_sums_survive_a_risk_set_that_loses_nearly_all_its_weight():
    """With delayed entry the sums are updated by subtraction; here e^40 leaves and e^0 stays."""
    rng = np.random.default_rng(15)
    n = 60
    time = np.sort(rng.uniform(1, 10, n))
    entry = np.where(np.arange(n) > 40, time - 0.01, 0.0)
    x = np.column_stack([np.where(np.arange(n) > 40, 40.0, 0.0), rng.normal(size=n)])
    event = rng.random(n) < 0.7
    rest = (time, event, x, np.ones(n), entry, np.zeros(n))
    beta = np.array([1.0, 0.5])

    from discovery.kernels.columns import base_products
    from discovery.kernels.cox_fits import risk_sets_of
    from discovery.kernels.cox_likelihood import evaluate_cox, new_work

    data = CoxPlan(time, event, x[:, :1], x[:, 1:], entry=entry).data
    sets, wk = risk_sets_of(data, np.ones(n)), new_work(n, 2, 1)
    products = base_products(sets.rows, x[:, :1], np.zeros(1), np.ones(1), False)
    wk.x[:, 0], wk.w[:] = x[sets.rows, 1], 1.0
    loglik, score, info = np.zeros(1), np.zeros((2, 1)), np.zeros((3, 1))
    evaluate_cox(sets, products, wk, beta[:, None], True, loglik, score, info)
    exact, information = plain_loglik(beta, *rest, information=True)
    assert loglik[0] == pytest.approx(exact, rel=1e-12)
    np.testing.assert_allclose(info[:, 0], information[np.tril_indices(2)], rtol=1e-9, atol=1e-9)


def test_one_plan_serves_many_weights_and_threads_alike():
    rng = np.random.default_rng(16)
    data = patients(rng, n=150, p=19)
    draws = [rng.multinomial(150, np.full(150, 1 / 150)).astype(float) for _ in range(8)]
    kept = {key: value for key, value in data.items() if key != "weights"}
    plan = CoxPlan(**kept)
    alone = [plan.screen(w) for w in draws]
    threads = Parallel(n_jobs=2, prefer="threads")(delayed(plan.screen)(w) for w in draws)
    for w, first, second in zip(draws, alone, threads, strict=True):
        for a, b, c in zip(first, second, screen_cox(**kept, weights=w), strict=True):
            assert a.tobytes() == b.tobytes() == c.tobytes()


def test_profile_interval_ends_where_the_likelihood_has_fallen_by_the_quantile():
    data = patients(np.random.default_rng(17), p=1)
    fit = screen_cox(**data)
    low, high = profile_interval_cox(**data, fit=fit, conf_level=0.9)
    x = np.column_stack([data["base"], data["features"]])
    rest = (data["time"], data["event"], x, data["weights"], data["entry"], data["stratum"])
    for bound in (low[0], high[0]):
        best = minimize(
            lambda b, bound=bound: -plain_loglik(np.append(b, bound), *rest),
            np.zeros(2),
            tol=1e-12,
            method="Nelder-Mead",
        )
        assert 2 * (fit.loglik[0] + best.fun) == pytest.approx(2.705543454095404, abs=1e-6)  # qchisq(.9, 1)
    assert low[0] < fit.coef[0, -1] < high[0]


def test_profile_interval_excludes_zero_exactly_when_the_test_rejects():
    data = patients(np.random.default_rng(18), p=33)
    data["features"][:, ::3] += 0.35 * data["event"][:, None]
    for firth in (False, True):
        fit = screen_cox(**data, firth=firth)
        low, high = profile_interval_cox(**data, fit=fit, firth=firth)
        np.testing.assert_array_equal((low > 0) | (high < 0), np.abs(fit.z) > 1.959963984540054)
        assert ((low > 0) | (high < 0)).any()


def test_an_open_side_is_infinite():
    """One event, highest at risk in one stratum, middle in none: the likelihood has an upper limit only."""
    time = np.array([1.0, 2.0, 3.0, 4.0, 1.0, 2.0])
    event = np.array([True, False, False, False, True, False])
    feature = np.array([1.0, 0.9, -1.0, 0.2, 0.0, 0.05])
    fit = screen_cox(time, event, None, feature, stratum=[0, 0, 0, 0, 1, 1])
    assert fit.code[0] == 0
    low, high = profile_interval_cox(
        time, event, None, feature, fit, stratum=[0, 0, 0, 0, 1, 1], conf_level=0.999
    )
    assert low[0] > -np.inf
    assert np.isfinite(high[0])


@pytest.mark.parametrize("case", ["all events at one time", "all events", "one event", "ties everywhere"])
def test_few_and_many_events(case):
    rng = np.random.default_rng(20)
    n = 40
    time = {"all events at one time": np.ones(n), "ties everywhere": rng.integers(1, 4, n) * 1.0}.get(
        case, rng.permutation(n) + 1.0
    )
    event = np.ones(n, dtype=bool) if case.startswith("all") else rng.random(n) < 0.5
    if case == "one event":
        event = time == 7
    x = rng.normal(size=(n, 1))
    at_risk = x[time >= 7]
    if case == "one event":  # an estimate exists when the event is not the extreme of those at risk
        x[time == 7] = np.median(at_risk)
    fit = screen_cox(time, event, None, x, weights=np.full(n, 2.0))
    assert fit.code[0] == 0
    assert (fit.n[0], fit.events[0]) == (n, event.sum())
    rest = (time, event, x, np.full(n, 2.0), np.zeros(n), np.zeros(n))
    loglik, info = plain_loglik(fit.coef[0], *rest, information=True)
    assert fit.loglik[0] == pytest.approx(loglik, rel=1e-12)
    assert fit.se[0] == pytest.approx(info[0, 0] ** -0.5, rel=1e-6)
    for step in (-1e-3, 1e-3):
        assert plain_loglik(fit.coef[0] + step, *rest) < loglik


def test_more_covariates_than_patients():
    rng = np.random.default_rng(21)
    for firth in (False, True):
        fit = screen_cox(
            np.arange(6.0) + 1, np.ones(6), rng.normal(size=(6, 9)), rng.normal(size=(6, 3)), firth=firth
        )
        assert (fit.code != 0).all()
        assert np.isnan(fit.coef).all()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"event": np.full(120, 2.0)}, "event must be 0 or 1"),
        ({"time": np.full(120, np.nan)}, "time must be finite"),
        ({"base": np.full((120, 1), np.inf)}, "base must be finite"),
        ({"weights": np.full(120, -1.0)}, "weights must not be negative"),
        ({"features": np.zeros((7, 2))}, "features must have 120 rows"),
        ({"stratum": np.zeros(3)}, "stratum must have shape"),
        ({"observed": np.ones((120, 9), dtype=bool)}, "observed must have shape"),
    ],
)
def test_wrong_arguments_are_refused(change, words):
    with pytest.raises(ValueError, match=words):
        screen_cox(**dict(patients(np.random.default_rng(19)), **change))


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 12), st.integers(0, 3), st.booleans(), st.booleans())
def test_tiny_and_strange_cohorts_give_codes_never_warnings(seed, n, q, firth, spread_out):
    rng = np.random.default_rng(seed)
    scale = 10.0 ** rng.integers(-12, 12, 5) if spread_out else np.ones(5)
    time = rng.integers(0, 4, n).astype(float)
    fit = screen_cox(
        time,
        rng.random(n) < rng.choice([0.0, 0.1, 0.5, 1.0]),
        rng.integers(-1, 2, (n, q)).astype(float),
        rng.integers(-1, 2, (n, 5)) * scale + rng.choice([0.0, 1e3]),
        weights=rng.integers(0, 3, n) * rng.choice([1.0, 1e8]),
        entry=time - rng.integers(0, 3, n),
        stratum=rng.integers(0, 2, n),
        observed=rng.random((n, 5)) < 0.9,
        firth=firth,
    )
    good = fit.code == 0
    assert np.isin(fit.code, list(REASONS)).all()
    for part in (fit.coef, fit.se, fit.loglik, fit.loglik_base, fit.z):
        assert np.isfinite(part[good]).all()
        assert np.isnan(part[~good]).all()


def test_a_newton_step_that_happens_to_repeat_is_no_separation():
    """In this open cohort two small steps of the feature have the same size while the covariates settle."""
    folder = Path(__file__).resolve().parents[2] / "cohorts" / "rotterdam"
    patients = pd.read_csv(folder / "patients.csv", index_col=0)
    markers = pd.read_csv(folder / "features.csv", index_col=0).loc[patients.index]
    markers = markers.clip(markers.quantile(0.01), markers.quantile(0.99), axis=1)
    z = ((markers - markers.mean()) / markers.std()).to_numpy()
    first_axis = z @ np.linalg.svd(z, full_matrices=False)[2][0]
    columns = ["age_years", "postmenopausal", "hormone_therapy", "chemotherapy"]
    base = patients[columns].to_numpy(float)
    time, event = patients["time_days"].to_numpy(float), patients["relapse_or_death"].to_numpy(float)
    fit = screen_cox(time, event, base, first_axis[:, None])
    low, high = profile_interval_cox(time, event, base, first_axis[:, None], fit=fit)
    table = patients[[*columns, "time_days", "relapse_or_death"]].assign(x=first_axis)
    wald = CoxPHFitter().fit(table, "time_days", "relapse_or_death").confidence_intervals_.loc["x"]
    np.testing.assert_allclose([low[0], high[0]], wald.to_numpy(), atol=1e-3)
