"""Cox models: residual identities, robust errors with delayed entry, baseline hazards, refusals."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from scipy.stats import chi2

from discovery.kernels.cox_sandwich import score_contributions
from discovery.problems import InputError
from discovery.survival.covariates import design_matrix
from discovery.survival.cox import cox_model, prepare_cox
from discovery.survival.cox_terms import (
    event_terms,
    schoenfeld_residuals,
    term_covariances,
)
from discovery.survival.curves import kaplan_meier, nelson_aalen
from discovery.survival.proportional_hazards import proportional_hazards_test


@pytest.fixture
def rows():
    """60 rows with many ties, delayed entry, weights, three strata and two covariates."""
    rng = np.random.default_rng(17)
    n = 60
    time = rng.integers(4, 15, n).astype(float)
    return {
        "time": time,
        "event": rng.integers(0, 2, n),
        "covariates": pd.DataFrame({"a": rng.normal(size=n), "b": rng.normal(100, 30, n)}),
        "entry": np.minimum(rng.integers(-3, 9, n), time - 1.0),
        "weights": rng.uniform(0.3, 2.5, n),
        "stratum": rng.integers(0, 3, n),
    }


def contributions(rows, beta, ties):
    return score_contributions(
        rows.time, rows.event.astype(float), rows.x, beta, weights=rows.weights, entry=rows.entry,
        stratum=rows.stratum, ties=ties,
    )  # fmt: skip


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_residuals_keep_their_identities(rows, ties):
    fit = cox_model(**rows, ties=ties)
    ready = prepare_cox(**rows)
    beta = fit.coef * ready.spread
    terms = event_terms(ready.rows, beta, ties=ties)
    w = ready.rows.weights
    np.testing.assert_allclose(w @ contributions(ready.rows, beta, ties), 0, atol=1e-6)
    dead, schoenfeld = schoenfeld_residuals(ready.rows, terms)
    np.testing.assert_allclose(w[dead] @ schoenfeld, 0, atol=1e-6)
    information = term_covariances(ready.rows, terms).sum(axis=0)
    inverse = np.linalg.inv(information) / np.outer(ready.spread, ready.spread)
    np.testing.assert_allclose(inverse, fit.model_covariance, rtol=1e-6)


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_score_residuals_are_derivatives_by_the_weights(rows, ties):
    # The definition behind the sandwich. Efron's mean weight of tied deaths moves with each weight too, so
    # the derivative is exact for Breslow ties, and for Efron where no two deaths tie.
    if ties == "efron":
        rows["time"] = rows["time"] + np.linspace(0, 0.5, 60)
    ready = prepare_cox(**rows)
    beta = np.array([0.3, -0.2])
    analytic = contributions(ready.rows, beta, ties)

    def score(weights):
        changed = ready.rows._replace(weights=weights)
        terms = event_terms(changed, beta, ties=ties)
        dead, residual = schoenfeld_residuals(changed, terms)
        return weights[dead] @ residual

    for i in (0, 7, 31, 59):
        step = np.zeros(60)
        step[i] = 1e-6
        w = ready.rows.weights
        numeric = (score(w + step) - score(w - step)) / 2e-6
        np.testing.assert_allclose(analytic[i], numeric, atol=1e-6)


def test_robust_errors_with_entry_do_not_change_when_a_row_is_split(dataset):
    # A patient written as two consecutive rows is the same patient: estimate, model error and the error
    # robust by patient must not move. This is where a library's robust error with entry goes wrong.
    rossi = dataset("rossi.csv")
    columns = ["fin", "age", "prio"]
    whole = cox_model(rossi.week, rossi.arrest, rossi[columns], cluster=rossi.index)
    first = rossi.assign(start=0.0, stop=np.minimum(rossi.week, 20), event=rossi.arrest * (rossi.week <= 20))
    second = rossi[rossi.week > 20].assign(start=20.0)
    second = second.assign(stop=second.week, event=second.arrest)
    both = pd.concat([first, second])
    split = cox_model(both.stop, both.event, both[columns], entry=both.start, cluster=both.index)
    np.testing.assert_allclose(split.coef, whole.coef, atol=1e-8)
    np.testing.assert_allclose(split.model_se, whole.model_se, atol=1e-8)
    np.testing.assert_allclose(split.se, whole.se, atol=1e-8)


def test_robust_errors_without_entry_are_those_of_lifelines():
    from lifelines import CoxPHFitter

    rng = np.random.default_rng(1)
    frame = pd.DataFrame(
        {"x": rng.normal(size=120), "t": rng.permutation(120) + 1.0, "e": rng.integers(0, 2, 120)}
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = CoxPHFitter().fit(frame, "t", "e", robust=True)
    ours = cox_model(frame.t, frame.e, frame[["x"]], robust=True)
    assert ours.se[0] == pytest.approx(theirs.standard_errors_["x"], rel=1e-6)


def test_robust_error_is_honest_about_repeated_rows():
    # Every patient ten times over, clustered: the error of the single copy, not a tenth of its variance.
    rng = np.random.default_rng(4)
    x, time = rng.normal(size=80), rng.exponential(1, 80)
    event = np.ones(80)
    single = cox_model(time, event, x, robust=True, ties="breslow")
    many = np.repeat(np.arange(80), 10)
    repeated = cox_model(time[many], event[many], x[many], cluster=many, ties="breslow")
    assert repeated.se[0] == pytest.approx(single.se[0], rel=1e-6)
    assert repeated.model_se[0] == pytest.approx(single.model_se[0] / np.sqrt(10), rel=1e-6)


def test_baseline_hazard_of_a_null_effect_is_nelson_aalen_or_its_spread_form():
    # With a coefficient of exactly 0, Breslow's hazard is d/n and Efron's 1/n + 1/(n - 1) + ...
    time, event = np.array([1.0, 1, 2, 2, 3, 4]), np.array([1, 1, 1, 1, 0, 1])
    x = np.array([1.0, -1, 1, -1, 0, 0])  # balanced at every event time: the estimate is 0
    for ties, spread in (("breslow", "nelson-aalen"), ("efron", "fleming-harrington")):
        fit = cox_model(time, event, x, ties=ties)
        assert fit.coef[0] == pytest.approx(0, abs=1e-9)
        expected = nelson_aalen(time, event, ties=spread)
        np.testing.assert_allclose(fit.baseline[0].hazard, expected.at(fit.baseline[0].time), atol=1e-9)


def test_predictions_of_strata_follow_their_own_baseline(rows):
    rows.pop("entry")
    fit = cox_model(**rows)
    new = pd.DataFrame({"a": [0.0, 0.0, np.nan], "b": [100.0, 100.0, 90.0]})
    got = fit.survival(new, [6.0, 9.0], stratum=[0, 1, 1])
    assert got[0, 1] != got[1, 1]
    assert np.isnan(got[2]).all()
    with pytest.raises(InputError, match="stratum of every row"):
        fit.survival(new, [6.0])
    with pytest.raises(InputError, match="a stratum of the fit: 0, 1, 2"):
        fit.survival(new, [6.0], stratum=[0, 1, 9])
    assert np.isnan(fit.survival(new.iloc[:1], [1e6], stratum=[0])).all()


def test_stratified_and_separate_baselines_agree_when_coefficients_are_the_same():
    # Two strata that are copies of one another: pooled coefficient and both baselines equal the single fit.
    rng = np.random.default_rng(2)
    x, time, event = rng.normal(size=50), rng.exponential(1, 50), rng.integers(0, 2, 50)
    one = cox_model(time, event, x)
    two = cox_model(np.tile(time, 2), np.tile(event, 2), np.tile(x, 2), stratum=np.repeat([0, 1], 50))
    assert two.coef[0] == pytest.approx(one.coef[0], abs=1e-8)
    for line in two.baseline:
        np.testing.assert_allclose(line.hazard, one.baseline[0].hazard, rtol=1e-7)


def test_missing_covariates_are_left_out_and_counted():
    x = pd.DataFrame({"a": [1.0, 2.0, np.nan, 4.0, 0.5, 3.0], "g": ["u", "v", "u", None, "v", "u"]})
    before = x.copy()
    fit = cox_model([1, 2, 3, 4, 5, 6], [1, 0, 1, 1, 1, 1], x, ties="breslow")
    assert (fit.n, fit.n_left_out) == (4, 2)
    pd.testing.assert_frame_equal(x, before)


def test_table_has_one_row_a_term():
    rng = np.random.default_rng(3)
    fit = cox_model(rng.exponential(1, 80), np.ones(80), rng.normal(size=(80, 2)))
    table = fit.table(outcome="death", model="adjusted")
    assert table["term"].tolist() == ["x1", "x2"]
    assert (table["ci_low"] < table["estimate"]).all()
    assert (table["p_value"] > 0).all()
    assert table["effect_measure"].eq("log hazard ratio").all()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"event": [0, 0, 0, 0]}, "at least one event"),
        ({"covariates": pd.DataFrame({"same": [1.0] * 4})}, "columns that vary"),
        ({"covariates": pd.DataFrame({"a": [1.0, 2, 3, 5], "twice": [2.0, 4, 6, 10]})}, "no combination"),
        ({"covariates": np.full(4, np.nan)}, "without a missing covariate"),
        ({"covariates": np.ones(3)}, "as many rows of covariates as times, 4"),
        ({"ties": "exact"}, "known: efron, breslow"),
        ({"event": [1, 2, 0, 1]}, "0 for censored and 1 for the event"),
        ({"stratum": ["a", None, "a", "a"]}, "a label in every row"),
    ],
)
def test_refusals(change, words):
    arguments = {"time": [1, 2, 3, 4], "event": [1, 1, 0, 1], "covariates": np.array([1.0, 3, 2, 5])} | change
    with pytest.raises(InputError, match=words):
        cox_model(**arguments)


def test_a_monotone_likelihood_has_no_estimate_but_a_reason_and_firth_has_one():
    x = np.array([1.0] * 5 + [0.0] * 5)
    time, event = np.arange(1.0, 11), np.array([1] * 5 + [0] * 5)
    fit = cox_model(time, event, x)
    assert np.isnan(fit.coef).all()
    assert "separates" in fit.note
    firth = cox_model(time, event, x, firth=True)
    assert np.isfinite(firth.coef).all()
    assert firth.coef[0] > 0


def test_profile_limits_are_where_the_likelihood_ratio_meets_its_quantile(dataset):
    # Definition: at a limit, twice the fall of the profile log likelihood is the chi-square quantile.
    lung = dataset("lung.csv").dropna(subset=["ph.ecog"])
    columns = lung[["age", "sex", "ph.ecog"]]
    fit = cox_model(lung.time, lung.status == 2, columns, interval="profile")
    table = fit.table().set_index("term")
    without = cox_model(lung.time, lung.status == 2, columns[["age", "ph.ecog"]])
    assert table.loc["sex", "p_value"] == pytest.approx(
        chi2.sf(2 * (fit.loglik - without.loglik), 1), rel=1e-6
    )

    def profile(value):
        # An offset is a covariate with a fixed coefficient: here by maximising over the others.
        def loss(rest):
            ready = prepare_cox(lung.time, lung.status == 2, columns)
            beta = np.array([rest[0], value * ready.spread[1], rest[1]])
            terms = event_terms(ready.rows, beta, ties="efron")
            eta = ready.rows.x @ beta - terms.top
            return (terms.weight * np.log(terms.s0)).sum() - eta[ready.rows.event].sum()

        return -minimize(loss, np.zeros(2), method="BFGS").fun

    for limit in table.loc["sex", ["ci_low", "ci_high"]]:
        assert 2 * (fit.loglik - profile(limit)) == pytest.approx(chi2.ppf(0.95, 1), abs=1e-4)


def test_firth_is_that_of_firthmodels(dataset):
    from firthmodels import FirthCoxPH

    ovarian = dataset("ovarian.csv")
    x = ovarian[["age", "rx"]].to_numpy(dtype=float)
    theirs = FirthCoxPH(backend="numpy").fit(
        x, (ovarian.fustat.to_numpy() == 1, ovarian.futime.to_numpy(float))
    )
    ours = cox_model(ovarian.futime, ovarian.fustat, x, firth=True)
    np.testing.assert_allclose(ours.coef, theirs.coef_, rtol=1e-4)
    np.testing.assert_allclose(ours.limits, theirs.conf_int(method="pl"), rtol=1e-3)
    assert "profile likelihood, Firth" in ours.method
    with pytest.raises(InputError, match="model errors and Efron ties"):
        cox_model(ovarian.futime, ovarian.fustat, x, firth=True, robust=True)


def test_nullable_columns_are_numbers_with_missing_cells():
    time = pd.Series([1, 2, 3, 4, 5], dtype="Int64")
    event = pd.Series([True, False, True, True, True], dtype="boolean")
    assert kaplan_meier(time, event).estimate[0] == 0.8
    with pytest.raises(InputError, match="1 are not, first at position 1"):
        kaplan_meier(pd.Series([1, None, 3], dtype="Int64"), [1, 0, 1])


def test_proportional_hazards_test_is_a_score_test_of_a_time_dependent_term():
    # Law: the statistic is the score test at theta = 0 of x g(t), so it agrees with the likelihood-ratio
    # test of start-stop rows cut at every event time, to second order.
    rng = np.random.default_rng(12)
    n = 400
    x, time = rng.normal(size=n), rng.exponential(1, n)
    event = np.ones(n)
    test = proportional_hazards_test(time, event, x, transform="identity").set_index("term")
    cuts = np.unique(time)
    parts = []
    for i in range(n):
        stops = cuts[cuts <= time[i]]
        starts = np.concatenate([[0.0], stops[:-1]])
        parts.append(
            np.column_stack([starts, stops, stops == time[i], np.full(len(stops), x[i]), x[i] * stops])
        )
    split = np.concatenate(parts)
    full = cox_model(split[:, 1], split[:, 2], split[:, 3:], entry=split[:, 0])
    null = cox_model(split[:, 1], split[:, 2], split[:, 3:4], entry=split[:, 0])
    ratio = 2 * (full.loglik - null.loglik)
    assert test.loc["x1", "chi2"] == pytest.approx(ratio, rel=0.05, abs=0.05)
    # And the slope is its one-step estimate, per SD of time.
    assert test.loc["x1", "slope"] == pytest.approx(full.coef[1] * time.std(), rel=0.25, abs=0.02)


def test_proportional_hazards_transforms_and_unit():
    rng = np.random.default_rng(5)
    time, event, x = rng.integers(1, 9, 80), rng.integers(0, 2, 80), rng.normal(size=80)
    a = proportional_hazards_test(time, event, x, transform="rank")
    b = proportional_hazards_test(time * 365.25, event, x * 1000, transform="rank")
    np.testing.assert_allclose(a["chi2"], b["chi2"], rtol=1e-8)
    with pytest.raises(InputError, match="event times above 0"):
        proportional_hazards_test(time - 1, np.ones(80), x, transform="log")


def test_design_columns_and_unknown_levels():
    design = design_matrix(pd.DataFrame({"g": ["b", "a", "c"], "x": [1, 2, 3]}))
    assert design.names == ("g=b", "g=c", "x")
    again = design_matrix(pd.DataFrame({"g": ["c", "a"], "x": [0, 1]}), like=design)
    np.testing.assert_array_equal(again.matrix, [[0, 1, 0], [0, 0, 1]])
    with pytest.raises(InputError, match="wanted the columns g=b, g=c, x"):
        design_matrix(pd.DataFrame({"g": ["c"]}), like=design)
    with pytest.raises(InputError, match="known levels: a, b, c"):
        design_matrix(pd.DataFrame({"g": ["d"], "x": [1]}), like=design)
