"""Recurrent episodes as an outcome of the screen: against lifelines on open data, and against closed laws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from lifelines import CoxTimeVaryingFitter
from scipy import optimize, stats

from discovery.association.design import build_design
from discovery.association.effect_modification import effect_modification
from discovery.association.full_fit import fit_all
from discovery.association.maxt import max_t
from discovery.association.outcome_models import fit_columns
from discovery.association.pooled_sites import pooled_sites
from discovery.association.screen import screen
from discovery.association.spline import restricted_cubic_spline
from discovery.association.spline_curve import shape_of_effects
from discovery.kernels.cox_sandwich import fit_cox_by_patient
from discovery.markers.refit import prepare_refit
from discovery.problems import InputError
from discovery.study import Outcome
from discovery.survival.recurrent import andersen_gill


def virtual(rng, n=120, frailty=0.8, missing=True):
    """An outcome with gamma frailty, unequal follow-up, a terminal event, two features with an effect."""
    ids = np.array([f"P{i:03d}" for i in range(n)], dtype=object)
    age, x = rng.normal(size=n), rng.normal(size=(n, 4))
    end = rng.uniform(1, 4, n)
    rate = np.exp(0.3 * age + 0.5 * x[:, 0]) * rng.gamma(1 / frailty, frailty, n)
    times = [np.sort(rng.uniform(0, end[i], rng.poisson(rate[i] * end[i]))) for i in range(n)]
    outcome = Outcome(
        name="spells", kind="recurrent", label="Spells", patient_id=ids, time=end,
        value=np.array([len(t) for t in times], dtype=float), status=(rng.random(n) < 0.2).astype(float),
        event_patient=np.repeat(np.arange(n), [len(t) for t in times]), event_time=np.concatenate(times),
    )  # fmt: skip
    if missing:
        x[rng.random(n) < 0.15, 2] = np.nan
    features = pd.DataFrame(x, index=ids, columns=["a", "b", "c", "d"])
    site = pd.Series(rng.choice(["north", "south"], n), index=ids)
    return outcome, pd.DataFrame({"age": age}, index=ids), features, site


def test_every_row_is_what_andersen_and_gill_says():
    """Reference: `survival.recurrent.andersen_gill`, itself checked against R survival; and lifelines."""
    outcome, covariates, features, site = virtual(np.random.default_rng(1))
    design = build_design(outcome, covariates, features, site=site)
    found = screen(design, permutations=0)
    rows = found.table[found.table["model"] == "adjusted"].set_index("feature")
    e = design.episodes
    for j, name in enumerate(design.feature_names):
        use = design.observed[e.patient, j]
        x = np.column_stack([design.base[e.patient], design.features[e.patient, j]])[use]
        model = andersen_gill(
            e.start[use], e.stop[use], e.event[use], x, e.patient[use], stratum=design.stratum[e.patient][use]
        )
        assert rows.at[name, "estimate"] == pytest.approx(model.coef[-1], abs=1e-6)
        assert found.fit.se[j] == pytest.approx(model.coef[-1] / found.fit.z[j], rel=1e-6)
        assert rows.at[name, "events"] == design.y @ design.observed[:, j]
        assert rows.at[name, "n"] == design.observed[:, j].sum()
    table = pd.DataFrame({"id": e.patient, "start": e.start, "stop": e.stop, "event": e.event})
    table["age"], table["a"] = design.base[e.patient, 0], design.features[e.patient, 0]
    table["site"] = design.stratum[e.patient]
    other = CoxTimeVaryingFitter().fit(
        table, id_col="id", start_col="start", stop_col="stop", event_col="event", strata=["site"]
    )
    assert rows.at["a", "estimate"] == pytest.approx(other.params_["a"], abs=1e-5)


def saddlepoint(total, terms):
    """Normal deviate of the tail of `total` among sums of `terms` with random signs."""
    top, size = abs(total), np.abs(terms)
    at = optimize.brentq(lambda t: size @ np.tanh(t * size) - top, 0, 1e4, xtol=1e-14)
    root = np.sqrt(2 * (at * top - np.log(np.cosh(at * size)).sum()))
    second = at * np.sqrt((size**2 / np.cosh(at * size) ** 2).sum())
    return np.sign(total) * (root + np.log(second / root) / root)


def test_the_robust_score_test_by_its_definition():
    """Sum of patients' score residuals among all signs that they could have, each freed of the hat value.

    Without covariates that is the patient's share of the expected episodes. No ties.
    """
    outcome, covariates, features, _ = virtual(np.random.default_rng(2), missing=False)
    design = build_design(outcome, covariates[[]], features)
    found = screen(design, permutations=0)
    e, x = design.episodes, design.features[:, 1]
    u, expected = np.zeros(design.n), np.zeros(design.n)
    for row in np.flatnonzero(e.event):
        at = np.flatnonzero((e.start < e.stop[row]) & (e.stop >= e.stop[row]))
        mean = x[e.patient[at]].mean()
        u[e.patient[row]] += x[e.patient[row]] - mean
        u[e.patient[at]] -= (x[e.patient[at]] - mean) / len(at)
        expected[e.patient[at]] += 1 / len(at)
    z = saddlepoint(u.sum(), u / (1 - expected / expected.sum()))
    assert abs(found.fit.z[1]) == pytest.approx(abs(z), rel=1e-9)
    assert found.p_value[1] == pytest.approx(stats.chi2.sf(z**2, 1), rel=1e-9)


def test_with_many_patients_the_interval_is_that_of_the_robust_sandwich():
    """Reference: `survival.recurrent.andersen_gill`, itself checked against R survival."""
    outcome, covariates, features, site = virtual(np.random.default_rng(12), n=3000, missing=False)
    design = build_design(outcome, covariates, features[["a", "b"]], site=site)
    rows = screen(design, permutations=0).table.query("model == 'adjusted'").set_index("feature")
    e = design.episodes
    for j, name in enumerate(design.feature_names):
        x = np.column_stack([design.base[e.patient], design.features[e.patient, j]])
        model = andersen_gill(e.start, e.stop, e.event, x, e.patient, stratum=design.stratum[e.patient])
        half = stats.norm.isf(0.025) * np.sqrt(model.covariance[-1, -1])
        assert rows.at[name, "estimate"] - rows.at[name, "ci_low"] == pytest.approx(half, rel=0.05)
        assert rows.at[name, "ci_high"] - rows.at[name, "estimate"] == pytest.approx(half, rel=0.05)


def robust_root(design, j, held):
    """Deviate of the robust score test of `held` with one covariate, by its definition; no ties or gaps."""
    e, x, z = design.episodes, design.features[:, j], design.base[:, 0]
    events = np.flatnonzero(e.event)
    at = (e.start[None, :] < e.stop[events, None]) & (e.stop[None, :] >= e.stop[events, None])
    columns = np.column_stack([z, x])[e.patient]

    def rows(beta):
        risk = at * np.exp(columns @ np.array([beta, held]))
        share = risk / risk.sum(axis=1, keepdims=True)
        means = share @ columns
        score = -np.einsum("ei,eik->ik", share, columns[None] - means[:, None])
        score[events] += columns[events] - means
        info = np.einsum("ei,ik,il->kl", share, columns, columns) - means.T @ means
        return score, info, np.bincount(e.patient, share.sum(axis=0))

    beta = optimize.brentq(lambda b: rows(b)[0][:, 0].sum(), -3, 3, xtol=1e-13)
    score, info, expected = rows(beta)
    own = score[:, 1] - score[:, 0] * info[0, 1] / info[0, 0]
    u = np.bincount(e.patient, own)
    from_mean = z - expected @ z / expected.sum()
    hat = expected * (1 / expected.sum() + from_mean**2 / (expected @ from_mean**2))
    return saddlepoint(u.sum(), u / (1 - hat))


def test_the_interval_is_what_the_robust_score_test_does_not_reject():
    outcome, covariates, features, _ = virtual(np.random.default_rng(11), n=50, missing=False)
    design = build_design(outcome, covariates, features)
    rows = screen(design, permutations=0).table.query("model == 'adjusted'").set_index("feature")
    quantile = stats.norm.isf(0.025)
    for j, name in enumerate(design.feature_names):
        assert robust_root(design, j, rows.at[name, "ci_low"]) == pytest.approx(quantile, abs=1e-6)
        assert robust_root(design, j, rows.at[name, "ci_high"]) == pytest.approx(-quantile, abs=1e-6)
        assert 2 * stats.norm.sf(abs(robust_root(design, j, 0.0))) == pytest.approx(
            rows.at[name, "p_value"], rel=1e-6
        )
        assert rows.at[name, "method"].startswith(
            "Andersen-Gill regression of the rate of episodes (Efron ties), score test robust by patient and "
            "its interval"
        )


@pytest.mark.parametrize("conf_level", [0.8, 0.95, 0.99])
def test_interval_and_p_value_never_contradict_each_other(conf_level):
    for run in range(6):
        outcome, covariates, features, site = virtual(np.random.default_rng(100 + run), n=30 + 10 * run)
        design = build_design(outcome, covariates, features, site=site)
        found = fit_columns(
            design.response, design.base, design.features, observed=design.observed, conf_level=conf_level
        )
        outside = (found.ci_low > 0) | (found.ci_high < 0)
        assert (outside == (found.p_value < 1 - conf_level)).all()
        assert (found.ci_low < found.fit.coef[:, -1]).all()
        assert (found.ci_high > found.fit.coef[:, -1]).all()


def test_a_side_that_nothing_rejects_is_open():
    """Two patients with an episode: the sum of two contributions is at most root 2 times their length."""
    ids = np.array([f"P{i:02d}" for i in range(30)], dtype=object)
    rng = np.random.default_rng(0)
    x = np.sort(rng.normal(size=30))
    outcome = Outcome(
        name="spells", kind="recurrent", label="Spells", patient_id=ids, time=np.full(30, 2.0),
        value=np.isin(np.arange(30), [10, 29]).astype(float),
        event_patient=np.array([10, 29]), event_time=np.array([0.5, 1.0]),
    )  # fmt: skip
    index = pd.Index(ids)
    design = build_design(
        outcome, pd.DataFrame(index=index), pd.DataFrame({"x": x}, index=index), winsor=None
    )
    found = fit_columns(design.response, design.base, design.features)
    assert found.ci_low[0] == -np.inf
    assert found.ci_high[0] == np.inf
    assert found.p_value[0] > stats.chi2.sf(2, 1) - 1e-12


def test_two_episodes_of_a_patient_at_one_time_are_refused():
    outcome, covariates, features, _ = virtual(np.random.default_rng(3), n=60, missing=False)
    times = outcome.event_time.copy()
    first = np.flatnonzero(np.diff(outcome.event_patient) == 0)[0]
    times[first + 1] = times[first]
    with pytest.raises(InputError, match="two episodes of a patient at one time"):
        build_design(replace(outcome, event_time=times), covariates, features)
    times[first + 1] += 1e-9
    assert build_design(replace(outcome, event_time=times), covariates, features).n == 60


def test_a_patient_of_weight_two_is_two_patients_for_estimate_order_and_gain():
    outcome, covariates, features, _ = virtual(np.random.default_rng(3), n=60, missing=False)
    design = build_design(outcome, covariates, features)
    refit = prepare_refit(design, np.zeros(4, dtype=bool), np.arange(4))
    once = refit(np.ones(design.n))
    twice = refit(np.full(design.n, 2.0))
    np.testing.assert_allclose(twice.estimate, once.estimate, atol=2e-3)  # ties of a patient with himself
    # each pulls the fit half as much, so that less is freed
    np.testing.assert_allclose(twice.z, once.z * np.sqrt(2), rtol=0.07)
    assert (np.abs(twice.z) > np.abs(once.z) * np.sqrt(2)).all()
    np.testing.assert_allclose(twice.gain, once.gain, atol=2e-3)


def test_order_of_rows_changes_nothing_and_max_t_is_familywise():
    outcome, covariates, features, site = virtual(np.random.default_rng(4))
    design = build_design(outcome, covariates, features, site=site)
    found = screen(design, permutations=2000, rng=np.random.default_rng(5))
    assert (found.p_familywise >= found.p_value - 0.02).all()
    alone = max_t(design.take_features([1]), permutations=20000, rng=np.random.default_rng(6))
    assert alone.p_familywise[0] == pytest.approx(found.p_value[1], abs=0.015)
    turned = np.random.default_rng(7).permutation(len(outcome.patient_id))
    place = np.argsort(turned)
    moved = replace(
        outcome, patient_id=outcome.patient_id[turned], time=outcome.time[turned],
        value=outcome.value[turned],
        status=outcome.status[turned], event_patient=place[outcome.event_patient],
    )  # fmt: skip
    again = screen(build_design(moved, covariates, features, site=site), permutations=0)
    np.testing.assert_allclose(again.fit.coef, found.fit.coef, atol=1e-9)
    np.testing.assert_allclose(again.fit.z, found.fit.z, atol=1e-7)


def test_the_covariance_robust_by_patient_is_near_the_jackknife_and_the_model_andersen_gills():
    """Reference: `survival.recurrent.andersen_gill`, itself checked against R survival, of all patients and
    without each: its own sandwich, not freed of what the fit follows, is smaller."""
    outcome, covariates, features, site = virtual(np.random.default_rng(6), missing=False)
    design = build_design(outcome, covariates, features, site=site)
    columns = np.column_stack([design.base, design.features])
    fit = fit_all(design.response, columns, False)
    e = design.episodes
    strata = design.stratum[e.patient]
    model = andersen_gill(e.start, e.stop, e.event, columns[e.patient], e.patient, stratum=strata)
    np.testing.assert_allclose(fit.coef, model.coef, atol=1e-7)
    moved = []
    for i in range(design.n):
        rows = e.patient != i
        without = andersen_gill(
            e.start[rows], e.stop[rows], e.event[rows], columns[e.patient[rows]], e.patient[rows],
            stratum=strata[rows],
        )  # fmt: skip
        moved.append(without.coef - model.coef)
    jackknife = np.diag(np.transpose(moved) @ np.array(moved))
    np.testing.assert_allclose(np.diag(fit.covariance), jackknife, rtol=0.06)
    assert (np.diag(model.covariance) < 0.97 * jackknife).all()
    # a column that is one value in every stratum has no information, and takes none from the others
    more = fit_all(design.response, np.column_stack([columns, design.stratum]), False)
    assert np.isnan(more.covariance[-1]).all()
    np.testing.assert_allclose(more.covariance[:-1, :-1], fit.covariance, rtol=1e-6)


def test_shape_groups_and_sites_of_episodes_are_tested_robust_by_patient():
    """Reference: Wald statistics of Andersen and Gill's model with interaction or spline columns, its
    covariance from the kernel that is tested against statsmodels."""
    outcome, covariates, features, site = virtual(np.random.default_rng(7), n=200)
    design = build_design(outcome, covariates, features, site=site)
    e, which = design.episodes, 2  # the feature with gaps
    seen = design.observed[:, which]
    rows = seen[e.patient]
    x = design.features[:, which]

    def model(columns):
        fit, covariance = fit_cox_by_patient(
            e.stop[rows], e.event[rows], columns[e.patient[rows]], e.patient[rows], entry=e.start[rows],
            stratum=design.stratum[e.patient[rows]],
        )  # fmt: skip
        return fit._replace(covariance=covariance)

    def wald(fit, contrast):
        b = contrast @ fit.coef
        return b @ np.linalg.solve(contrast @ fit.covariance @ contrast.T, b)

    group = np.where(np.random.default_rng(8).random(design.n) < 0.5, "u", "v")
    found = effect_modification(design.take_features(np.array([which])), group, modifier="g")
    u = (group == "u").astype(float)
    fit = model(np.column_stack([design.base, u, x * u, x * (1 - u)]))
    wanted = wald(fit, np.array([[0.0] * (len(fit.coef) - 2) + [1.0, -1.0]]))
    assert found.tests["statistic"].iloc[0] == pytest.approx(wanted, rel=1e-5)
    assert found.tests["method"].iloc[0] == "Wald test robust by patient"
    assert found.effects["se"].tolist() == pytest.approx(
        np.sqrt(np.diag(fit.covariance))[-2:].tolist(), rel=1e-5
    )
    tests, curves = shape_of_effects(design, ["c"])
    knots = curves.loc[curves["part"] == "knot", "x"].to_numpy()
    fit = model(np.column_stack([design.base, restricted_cubic_spline(x, knots)]))
    bends = len(knots) - 2
    pick = np.eye(len(fit.coef))[-bends:]
    assert tests["p_nonlinear"].iloc[0] == pytest.approx(stats.chi2.sf(wald(fit, pick), bends), rel=1e-4)
    sites = pooled_sites(design, ["c"])
    assert set(sites.loc[sites["part"] == "site", "site"]) == {"north", "south"}
    assert np.isfinite(sites.loc[sites["part"] == "site", "se"]).all()


def test_some_of_the_patients_are_a_design_of_their_own():
    outcome, covariates, features, site = virtual(np.random.default_rng(6), missing=False)
    design = build_design(outcome, covariates, features, site=site)
    keep = np.arange(design.n) % 3 > 0
    found = fit_columns(design.take_patients(keep).response, design.base[keep], design.features[keep])
    whole = prepare_refit(design, np.zeros(4, dtype=bool), range(4))(keep.astype(float))
    np.testing.assert_allclose(found.fit.coef[:, -1], whole.estimate, atol=1e-5)
    part = design.take_patients(keep).episodes
    back = design.take_patients(np.flatnonzero(keep)[::-1]).in_id_order().episodes
    assert np.bincount(part.patient, part.event).tolist() == design.y[keep].tolist()
    for name in ("patient", "start", "stop", "event", "end", "terminal"):
        np.testing.assert_array_equal(getattr(back, name), getattr(part, name))


def test_patients_left_out_take_their_episodes_with_them():
    """A cohort of every second patient has the episodes counted straight from the outcome of all."""
    from discovery.markers.sensitivity import MAIN, Cohort, sensitivity_board

    outcome, covariates, features, site = virtual(np.random.default_rng(8), missing=False)
    cohort = Cohort(
        outcome=outcome, covariates=covariates, features=features[["a"]], site=site, etiology=None,
        more=covariates[[]], reliable=None,
    )  # fmt: skip
    keep = np.arange(len(outcome.patient_id)) % 2 == 1
    half = cohort.where(keep).outcome
    for place, patient in enumerate(np.flatnonzero(keep)):
        mine = np.sort(half.event_time[half.event_patient == place])
        assert mine.tolist() == np.sort(outcome.event_time[outcome.event_patient == patient]).tolist()
    board = sensitivity_board(cohort, winsor=None).set_index("alternative")
    main = screen(build_design(outcome, covariates, features[["a"]], site=site, winsor=None), permutations=0)
    assert board.at[MAIN, "estimate"] == pytest.approx(main.fit.coef[0, -1], abs=1e-9)
    north = cohort.where((site == "south").to_numpy())
    alone = build_design(north.outcome, north.covariates, north.features, winsor=None)
    assert board.at["without site north", "n"] == alone.n == (site == "south").sum()
    assert np.isfinite(board.at["without site north", "estimate"])
    assert board.at[MAIN, "e_value"] > 1


def test_a_feature_that_one_patient_has_alone_gets_no_error_at_the_estimate():
    outcome, covariates, features, _ = virtual(np.random.default_rng(11), missing=False)
    features = features.assign(alone=np.r_[1.0, np.zeros(len(features) - 1)])
    design = build_design(outcome, covariates, features, winsor=False)
    columns, seen = design.features[:, [0, -1]], design.observed[:, [0, -1]]
    error = fit_columns(design.response, design.base, columns, observed=seen, errors=True).error_at_estimate
    assert 0 < error[0] < 10
    assert np.isnan(error[1])
