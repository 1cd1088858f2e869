"""One refit against lifelines, statsmodels and scikit-learn fits of the same weighted data."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest

from discovery.association.kinds import kind_of
from discovery.markers.refit import OutcomeRefit


def draw_weights(n, seed=1):
    rng = np.random.default_rng(seed)
    return np.bincount(rng.integers(0, n, n), minlength=n).astype(float)


def pairwise_c(time, event, stratum, weights, score):
    later = (time[None, :] > time[:, None]) | ((time[None, :] == time[:, None]) & (event[None, :] == 0))
    pair = later & (event[:, None] == 1) & (stratum[None, :] == stratum[:, None])
    pair = pair * weights[:, None] * weights[None, :]
    same = score[:, None] == score[None, :]
    return (pair * ((score[:, None] > score[None, :]) + 0.5 * same)).sum() / pair.sum()


def test_survival_gain_and_z_equal_lifelines_and_a_pair_count(planted_design):
    from lifelines import CoxPHFitter

    design = planted_design("survival", 1, missing=0.1)
    w = draw_weights(design.n)
    got = OutcomeRefit(design, np.zeros(12, dtype=bool))(w, np.column_stack([w, np.ones(design.n)]))
    for j in (0, 5):
        seen = design.observed[:, j]
        table = pd.DataFrame(design.base, columns=["a", "b"]).assign(
            x=design.features[:, j], time=design.time, event=design.event, site=design.stratum, w=w
        )
        drawn = table[seen & (w > 0)]
        fits = {}
        for columns in (["a", "b"], ["a", "b", "x"]):
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # lifelines warns of weights that are not robust
                model = CoxPHFitter().fit(
                    drawn[[*columns, "time", "event", "site", "w"]],
                    "time",
                    "event",
                    weights_col="w",
                    strata=["site"],
                    fit_options={"precision": 1e-12, "r_precision": 1e-14},
                )
            fits[len(columns)] = model, table[columns].to_numpy() @ model.params_.to_numpy()
        lr = 2 * (fits[3][0].log_likelihood_ - fits[2][0].log_likelihood_)
        assert abs(got.z[j]) == pytest.approx(np.sqrt(lr), rel=1e-6)
        assert got.estimate[j] == pytest.approx(fits[3][0].params_["x"], abs=1e-7)
        for column, weights in enumerate((w, np.ones(design.n))):
            parts = (design.time[seen], design.event[seen], design.stratum[seen], weights[seen])
            c = [pairwise_c(*parts, fits[k][1][seen]) for k in (2, 3)]
            assert got.gain[j, column] == pytest.approx(c[1] - c[0], abs=1e-9)
            assert got.base[j, column] == pytest.approx(c[0], abs=1e-9)


def test_binary_gain_equals_statsmodels_and_scikit_learn(planted_design):
    import statsmodels.api as sm
    from sklearn.metrics import roc_auc_score

    design = planted_design("binary", 2, n=300, missing=0.1)
    w = draw_weights(design.n)
    got = OutcomeRefit(design, np.zeros(12, dtype=bool))(w, np.column_stack([w, np.ones(design.n)]))
    for j in (0, 7):
        seen = design.observed[:, j]
        y, fit_w = design.y[seen], w[seen]
        base = sm.add_constant(design.base[seen])
        full = np.column_stack([base, design.features[seen, j]])
        fits = [
            sm.GLM(y, x, family=sm.families.Binomial(), freq_weights=fit_w).fit(tol=1e-12)
            for x in (base, full)
        ]
        assert got.z[j] == pytest.approx(
            np.sign(fits[1].params[-1]) * np.sqrt(2 * (fits[1].llf - fits[0].llf)), abs=1e-5
        )
        for column, weights in enumerate((fit_w, None)):
            auc = [roc_auc_score(y, x @ f.params, sample_weight=weights) for x, f in zip((base, full), fits)]
            assert got.gain[j, column] == pytest.approx(auc[1] - auc[0], abs=1e-9)


def test_continuous_gain_equals_scikit_learn(planted_design):
    from sklearn.linear_model import LinearRegression
    from sklearn.metrics import r2_score

    design = planted_design("continuous", 3, missing=0.1)
    w = draw_weights(design.n)
    refit = OutcomeRefit(design, np.zeros(12, dtype=bool))
    got = refit(w, np.column_stack([w, np.ones(design.n)]))
    for j in (0, 11):
        seen = design.observed[:, j]
        y, base = design.y[seen], design.base[seen]
        full = np.column_stack([base, design.features[seen, j]])
        predictions = [LinearRegression().fit(x, y, sample_weight=w[seen]).predict(x) for x in (base, full)]
        for column, weights in enumerate((w[seen], None)):
            r2 = [r2_score(y, f, sample_weight=weights) for f in predictions]
            assert got.gain[j, column] == pytest.approx(r2[1] - r2[0], abs=1e-9)


@pytest.mark.parametrize("kind", ["survival", "binary", "continuous"])
def test_unit_weights_are_the_screen_itself(planted_design, screened, kind):
    design = planted_design(kind, 4, missing=0.05)
    found = screened(design)
    got = OutcomeRefit(design, found.firth)(np.ones(design.n))
    np.testing.assert_allclose(got.z, found.fit.z, rtol=1e-8, atol=1e-8)
    np.testing.assert_allclose(got.estimate, found.fit.coef[:, -1], rtol=1e-8, atol=1e-8)


@pytest.mark.parametrize("kind", ["survival", "binary"])
@pytest.mark.parametrize(("firth", "within"), [(False, 1e-5), (True, 3e-4)])
def test_how_far_from_its_end_a_draw_may_stop(planted_design, kind, firth, within):
    """`within` standard errors; the penalty's iterations are scoring steps, which close in slowly."""
    design = planted_design(kind, 4)
    plan = kind_of(kind).plan(design.response, design.base, design.features, design.observed)
    weights = draw_weights(design.n)
    exact, draw = (kind_of(kind).screen(plan, weights, firth=firth, draw=flag) for flag in (False, True))
    np.testing.assert_allclose(draw.z, exact.z, atol=1e-5)
    assert (np.abs(draw.coef[:, -1] - exact.coef[:, -1]) <= within * exact.se).all()


@pytest.mark.parametrize("kind", ["survival", "binary", "continuous"])
def test_a_feature_with_gaps_is_judged_as_if_only_its_patients_were_there(planted_design, of_patients, kind):
    design = planted_design(kind, 5, missing=0.2)
    w = draw_weights(design.n)
    j = 3
    seen = design.observed[:, j]
    alone = of_patients(design, seen).take_features(np.array([j]))
    # outcome units differ: the whole design standardises a continuous outcome over all patients
    whole = OutcomeRefit(design, np.zeros(12, dtype=bool))(w)
    part = OutcomeRefit(alone, np.zeros(1, dtype=bool))(w[seen])
    assert part.z[0] == pytest.approx(whole.z[j], rel=1e-7)
    assert part.gain[0, 0] == pytest.approx(whole.gain[j, 0], abs=1e-9)


def test_a_covariate_that_does_not_vary_in_a_draw_leaves_the_rest_of_the_base_model(planted_design):
    from dataclasses import replace

    design = planted_design("binary", 6, sites=1)
    rare = np.zeros(design.n)
    rare[:4] = 1.0
    term = replace(design.terms[0], name="rare", covariate="rare")
    wider = replace(design, base=np.column_stack([design.base, rare]), terms=(*design.terms, term))
    w = draw_weights(design.n)
    w[:4] = 0.0
    firth = np.zeros(12, dtype=bool)
    np.testing.assert_allclose(
        OutcomeRefit(wider, firth)(w).gain, OutcomeRefit(design, firth)(w).gain, atol=1e-9
    )


def test_without_covariates_the_gain_is_over_chance(planted_design):
    from dataclasses import replace

    from discovery.kernels.concordance import auc

    design = planted_design("binary", 7, sites=1)
    bare = replace(design, base=design.base[:, :0], terms=())
    got = OutcomeRefit(bare, np.zeros(12, dtype=bool))(np.ones(design.n))
    single = auc(design.y, design.features).value
    np.testing.assert_allclose(got.gain[:, 0], np.abs(single - 0.5), atol=1e-12)


def test_other_kinds_are_refused_in_words(planted_design):
    from dataclasses import replace

    from discovery.problems import InputError

    with pytest.raises(InputError, match="survival, binary, continuous"):
        OutcomeRefit(replace(planted_design("binary", 8), kind="graded"), np.zeros(12, dtype=bool))


def test_a_prepared_outcome_travels_to_another_process(planted_design):
    import pickle

    refit = OutcomeRefit(planted_design("survival", 9), np.zeros(12, dtype=bool))
    w = draw_weights(refit.design.n)
    copy = pickle.loads(pickle.dumps(refit))
    assert copy(w).gain.tobytes() == refit(w).gain.tobytes()


def test_after_a_competing_event_a_patient_stays_comparable(planted_design):
    from dataclasses import replace

    design = planted_design("survival", 10, sites=1)
    status = np.where((design.event == 1) & (np.arange(design.n) % 3 == 0), 2.0, design.event)
    competing = replace(design, status=status, event=(status == 1).astype(float))
    got = OutcomeRefit(competing, np.zeros(12, dtype=bool))(np.ones(design.n))
    # the models see a competing event as censoring, the pairs see it as never having the event
    models = OutcomeRefit(replace(competing, status=competing.event), np.zeros(12, dtype=bool))
    censored = models(np.ones(design.n))
    np.testing.assert_array_equal(got.estimate, censored.estimate)
    free_until = np.where(status == 2, np.inf, design.time)
    one = np.zeros(design.n, dtype=int)
    from discovery.kernels.cox import screen_cox

    coef = screen_cox(design.time, competing.event, design.base, design.features[:, [4]]).coef[0]
    base = screen_cox(design.time, competing.event, design.base[:, :1], design.base[:, 1:]).coef[0]
    scores = (design.base @ base, design.base @ coef[:2] + design.features[:, 4] * coef[2])
    c = [pairwise_c(free_until, competing.event, one, np.ones(design.n), s) for s in scores]
    assert got.gain[4, 0] == pytest.approx(c[1] - c[0], abs=1e-9)
    assert not np.allclose(got.gain, censored.gain)
