"""The imputation engine: what it may change, what it learns from, and that it refuses in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from discovery.association.design import build_design
from discovery.association.full_fit import fit_all
from discovery.association.outcome_models import fit_columns, standardised_outcome
from discovery.association.regression import least_squares
from discovery.cohort.imputation import complete, plan_imputation
from discovery.cohort.imputed_fits import fit_imputed
from discovery.cohort.outcome_predictors import outcome_columns
from discovery.kernels.normal_tail import draw_below, normal_below, normal_quantile
from discovery.seeds import named_rng
from discovery.study import Outcome
from discovery.study.limits import Limits
from discovery.survival.curves import nelson_aalen


def cohort(n=300, *, kind="continuous", seed=1, site=None, gone=0.25):
    rng = np.random.default_rng(seed)
    ids = np.array([f"p{i:04d}" for i in range(n)])
    index = pd.Index(ids, name="patient_id")
    z = rng.normal(size=n)
    x = 0.5 * z + rng.normal(size=n)
    features = pd.DataFrame(
        {"x": x, "helper": 0.8 * x + 0.6 * rng.normal(size=n), "flag": (x + rng.normal(size=n) > 0) * 1.0},
        index=index,
    )
    pull = 0.5 * x + 0.5 * z
    given = {"name": "out", "label": "out", "kind": kind, "patient_id": ids}
    if kind == "survival":
        time = rng.exponential(size=n) * np.exp(-pull)
        censor = rng.exponential(2, size=n)
        given |= {"time": np.minimum(time, censor), "status": (time <= censor).astype(float)}
    else:
        given["value"] = pull + rng.normal(size=n)
    whole = features.copy()
    for name in ("x", "flag"):
        features.loc[rng.random(n) < gone, name] = np.nan
    sites = None if site is None else pd.Series(np.resize(site, n), index=index, dtype=object)
    return build_design(Outcome(**given), pd.DataFrame({"z": z}, index=index), features, site=sites), whole


def test_normal_distribution_and_its_inverse_against_scipy():
    z = np.array([-37.0, -8.0, -1.96, -0.4, 0.0, 0.3, 2.5, 6.0])
    np.testing.assert_allclose([normal_below(v) for v in z], stats.norm.cdf(z), rtol=1e-12)
    p = np.array([1e-300, 1e-12, 0.001, 0.2, 0.5, 0.9, 0.999999])
    np.testing.assert_allclose([normal_quantile(v) for v in p], stats.norm.ppf(p), rtol=1e-13)


def test_truncated_draws_have_the_moments_of_the_truncated_normal():
    # closed form: mean of N(1, 4) below 0 by scipy.stats.truncnorm
    u = (np.arange(20_000) + 0.5) / 20_000
    got = np.array([draw_below(0.0, 1.0, 2.0, v) for v in u])
    wanted = stats.truncnorm(-np.inf, -0.5, loc=1.0, scale=2.0)
    assert got.max() <= 0
    assert got.mean() == pytest.approx(wanted.mean(), abs=1e-3)
    assert got.std() == pytest.approx(wanted.std(), abs=2e-3)
    assert draw_below(-500.0, 0.0, 1.0, 0.5) == -500.0


def test_known_values_stay_and_matched_values_are_those_of_patients():
    design, _ = cohort()
    plan = plan_imputation(design)
    completed = complete(design, plan, imputations=5, seed=7)
    names = [design.feature_names[j] for j in plan.columns]
    assert set(names) == {"x", "flag"}
    for c, j in enumerate(plan.columns):
        seen = design.observed[:, j]
        known = design.features[seen, j]
        for copy in completed.copies:
            np.testing.assert_array_equal(copy[seen, c], known)
            assert np.isin(copy[~seen, c], known).all()
    # copies differ, and one copy for each percent missing where that is more than asked for
    assert completed.m == int(np.ceil(100 * (1 - design.observed.mean(axis=0)).max()))
    assert (completed.copies[0] != completed.copies[1]).any()


def test_the_order_of_patients_changes_nothing():
    design, _ = cohort()
    turned = np.random.default_rng(3).permutation(design.n)
    again = replace(
        design, patient_id=design.patient_id[turned], base=design.base[turned],
        features=design.features[turned], observed=design.observed[turned], y=design.y[turned],
    )  # fmt: skip
    a = complete(design, plan_imputation(design), imputations=2, seed=1).copies
    b = complete(again, plan_imputation(again), imputations=2, seed=1).copies
    np.testing.assert_array_equal(a[:, turned], b)


@pytest.mark.parametrize("unit", [1000.0, 0.1, 0.1333224])
def test_neither_units_nor_the_order_of_features_change_what_is_imputed(unit):
    rng = np.random.default_rng(11)
    n = 40
    index = pd.Index([f"p{i:03d}" for i in range(n)], name="patient_id")
    grade = rng.integers(0, 9, n).astype(float)  # whole steps: donors on either side are equally far
    x = grade + rng.normal(size=n)
    x[rng.random(n) < 0.2] = np.nan
    y = (rng.random(n) < 0.5).astype(float)
    outcome = Outcome(name="out", label="out", kind="binary", patient_id=index.to_numpy(), value=y)
    weights = rng.multinomial(n, np.full(n, 1 / n), size=20).astype(float)

    def imputed(features):
        design = build_design(outcome, pd.DataFrame(index=index), features)
        done = complete(design, plan_imputation(design), imputations=5, seed=1)
        return [done.copies, *(done.drawn(w, draw) for draw, w in enumerate(weights))]

    one = imputed(pd.DataFrame({"x": x, "grade": grade}, index=index))
    other = imputed(pd.DataFrame({"x": unit * x, "grade": unit * grade}, index=index))
    for a, b in zip(one, other, strict=True):
        np.testing.assert_allclose(a, b, atol=1e-9)
    # twice the same feature, in two units and in either order of columns
    twice = pd.DataFrame({"x": x, "grade": grade, "in other units": unit * grade}, index=index)
    turned = pd.DataFrame({"in other units": grade, "grade": unit * grade, "x": x}, index=index)
    for a, b in zip(imputed(twice), imputed(turned), strict=True):
        np.testing.assert_allclose(a, b, atol=1e-9)


def test_an_imputation_in_a_draw_uses_its_weights_and_its_number():
    design, _ = cohort()
    completed = complete(design, plan_imputation(design), imputations=2, seed=1)
    w = named_rng(1, "w").multinomial(design.n, np.ones(design.n) / design.n).astype(float)
    first = completed.drawn(w, 0)
    np.testing.assert_array_equal(first, completed.drawn(w, 0))
    assert (first != completed.drawn(w, 2)).any()
    c = int(np.flatnonzero(plan_names(design, completed) == "x")[0])
    gone = ~design.observed[:, completed.plan.columns[c]]
    drawn_values = design.features[(w > 0), completed.plan.columns[c]]
    assert np.isin(first[gone, c], drawn_values).all()  # a patient not drawn gives no value away


def plan_names(design, completed):
    return np.array([design.feature_names[j] for j in completed.plan.columns])


def test_conditional_distribution_of_normal_draws_against_the_truth():
    # x given z, y and helper is normal here: its regression from the whole data is the reference
    design, whole = cohort(n=4000, gone=0.3)
    plan = plan_imputation(design, matched=False)
    completed = complete(design, plan, imputations=2, seed=5)
    c = int(np.flatnonzero(plan_names(design, completed) == "x")[0])
    j = int(plan.columns[c])
    scale = design.scaling.table.loc["x"]
    truth = (whole["x"].to_numpy() - scale["mean"]) / scale["sd"]
    gone = ~design.observed[:, j]
    predictors = np.column_stack([design.base, design.y, design.features[:, 1]])
    wanted = least_squares(truth[gone], predictors[gone])
    got = least_squares(completed.copies[0][gone, c], predictors[gone])
    np.testing.assert_allclose(got.coef, wanted.coef, atol=5 * np.max(wanted.se))
    assert got.sigma == pytest.approx(wanted.sigma, rel=0.08)


def test_values_beyond_a_limit_are_drawn_beyond_it_and_the_model_is_that_of_the_whole_data():
    # reference: the fit on the values themselves, before the device cut them off; omitting them gives another
    design, whole = cohort(n=3000, gone=0.0, seed=4)
    cut = float(whole["x"].quantile(0.7))
    features = whole.copy()
    above = pd.DataFrame(np.nan, index=whole.index, columns=["x"])
    above.loc[whole["x"] > cut, "x"] = cut
    features.loc[whole["x"] > cut, "x"] = np.nan
    outcome = Outcome(
        name="out", label="out", kind="continuous", patient_id=design.patient_id, value=design.y
    )
    z = pd.DataFrame({"z": design.base[:, 0]}, index=whole.index)
    limited = build_design(outcome, z, features, winsor=False)
    limits = Limits(below=above.iloc[:, :0], above=above)
    plan = plan_imputation(limited, limits)
    assert plan.n_limited.sum() == (whole["x"] > cut).sum()
    completed = complete(limited, plan, imputations=20, seed=2)
    c = int(np.flatnonzero(plan_names(limited, completed) == "x")[0])
    scale = limited.scaling.table.loc["x"]
    beyond = ~limited.observed[:, plan.columns[c]]
    assert (completed.copies[:, beyond, c] * scale["sd"] + scale["mean"] >= cut - 1e-9).all()
    fits = fit_imputed(limited, completed, which=np.array([c]))
    uncut = build_design(outcome, z, whole, winsor=False)
    reference = fit_columns(
        standardised_outcome(uncut).response,
        uncut.base,
        (whole[["x"]].to_numpy() - scale["mean"]) / scale["sd"],
    )
    assert fits.coef[0, -1] == pytest.approx(reference.fit.coef[0, -1], abs=2 * reference.fit.se[0])
    assert fits.pooled.fmi[0] < 0.5


def test_pooled_fits_without_a_gap_are_the_fits_of_the_screen():
    design, _ = cohort(kind="survival", gone=0.2)
    completed = complete(design, plan_imputation(design), imputations=2, seed=1)
    j = completed.plan.columns
    same = replace(completed, copies=np.repeat(completed.copies[:1], 3, axis=0))
    fits = fit_imputed(design, same)
    x = np.where(design.observed[:, j], design.features[:, j], same.copies[0])
    alone = fit_columns(design.response, design.base, x, observed=np.ones(x.shape, dtype=bool))
    np.testing.assert_allclose(fits.coef, alone.fit.coef, rtol=1e-10)
    np.testing.assert_allclose(fits.se, alone.fit.se, rtol=1e-10)
    # the pooled test is then the likelihood-ratio test
    np.testing.assert_allclose(fits.p_value, alone.p_value, rtol=1e-6)


def test_pooled_episodes_without_a_gap_have_the_p_of_the_score_test_and_the_error_at_the_estimate():
    rng = np.random.default_rng(20261127)
    n = 120
    x, watched = rng.normal(size=(n, 2)), rng.uniform(0.5, 2.0, n)
    number = rng.poisson(watched * np.exp(0.6 * x[:, 0]) * rng.gamma(1.0, 1.0, n))
    whose = np.repeat(np.arange(n), number)
    ids = np.array([f"p{i:04d}" for i in range(n)])
    outcome = Outcome(
        name="out", label="out", kind="recurrent", patient_id=ids, value=number.astype(float), time=watched,
        event_patient=whose, event_time=rng.uniform(size=whose.size) * watched[whose],
    )  # fmt: skip
    gone = np.zeros((n, 2), dtype=bool)
    gone[:30, 0] = gone[110:, 1] = True
    features = pd.DataFrame(np.where(gone, np.nan, x), index=ids, columns=["a", "b"])
    design = build_design(outcome, pd.DataFrame(index=ids), features)
    completed = complete(design, plan_imputation(design), imputations=2, seed=1)
    # two copies that agree, and a feature that lacks some patients in both
    same = replace(completed, copies=np.repeat(completed.copies[:1], 2, axis=0))
    plan, j = same.plan, same.plan.columns
    seen = plan.observed.copy()
    seen[:40, j[1]] = False
    same = replace(same, plan=replace(plan, observed=seen))
    fits = fit_imputed(design, same)
    columns = np.where(seen[:, j], same.copies[0], 0.0)
    alone = fit_columns(design.response, design.base, columns, observed=seen[:, j])
    np.testing.assert_allclose(fits.p_value, alone.p_value, rtol=1e-6)
    np.testing.assert_allclose(fits.coef, alone.fit.coef, rtol=1e-10)
    for c in range(2):
        rows = seen[:, j[c]]
        robust = fit_all(design.take_patients(rows).response, columns[rows, c : c + 1], False)
        error = np.sqrt(robust.covariance[0, 0])
        np.testing.assert_allclose(fits.pooled.se[c], error, rtol=1e-6)
        # of 100 draws, an SD is known to 7 %
        np.testing.assert_allclose(fits.se[c], error, rtol=0.3)
        half = stats.t.ppf(0.975, fits.spread.df[c]) * fits.se[c]
        np.testing.assert_allclose([fits.ci_low[c], fits.ci_high[c]], fits.coef[c, -1] + [-half, half])
    # the strong effect: the variance without it is the larger
    strongest = np.abs(alone.fit.z).argmax()
    assert fits.pooled.se[strongest] < 0.95 * abs(alone.fit.coef[strongest, -1] / alone.fit.z[strongest])
    again = fit_imputed(design, same, which=np.array([1]), shift=0.5, spread=None)
    np.testing.assert_allclose(again.se, fits.se[1:], rtol=1e-9)


def test_outcome_as_predictor_is_event_and_cumulative_hazard():
    # Nelson-Aalen by hand on four patients without ties: 1/4, 1/4 + 0, + 1/2, ...
    ids = np.array(["a", "b", "c", "d"])
    index = pd.Index(ids, name="patient_id")
    outcome = Outcome(
        name="o", label="o", kind="survival", patient_id=ids,
        time=np.array([1.0, 2.0, 3.0, 4.0]), status=np.array([1.0, 0.0, 1.0, 0.0]),
    )  # fmt: skip
    features = pd.DataFrame({"f": [1.0, 2.0, 3.0, 5.0]}, index=index)
    # two events are too few for the covariate
    design = build_design(outcome, pd.DataFrame({"z": [0.0, 1.0, 0.0, 2.0]}, index=index), features)
    got = outcome_columns(design)
    for column, wanted in zip(got.T, ([1, 0, 1, 0], [0.25, 0.25, 0.75, 0.75])):
        wanted = np.array(wanted, dtype=float)
        np.testing.assert_allclose(column, (wanted - wanted.mean()) / wanted.std())


def test_cumulative_hazard_with_delayed_entry_and_ties_is_that_of_the_survival_wing():
    # survival.curves.nelson_aalen, itself checked against published values (SV12)
    rng = np.random.default_rng(3)
    n = 80
    entry = rng.uniform(0, 3, n).round(1)
    time = entry + 0.1 + rng.exponential(2, n).round(1)
    status = rng.integers(0, 2, n).astype(float)
    ids = np.array([f"p{i:02d}" for i in range(n)])
    index = pd.Index(ids, name="patient_id")
    outcome = Outcome(
        name="o", label="o", kind="survival", patient_id=ids, time=time, status=status, entry=entry
    )
    design = build_design(
        outcome, pd.DataFrame(index=index), pd.DataFrame({"f": rng.normal(size=n)}, index=index)
    )
    curve = nelson_aalen(time, status, entry=entry)
    wanted = curve.at(time) - curve.at(entry)
    np.testing.assert_allclose(
        outcome_columns(design)[:, 1], (wanted - wanted.mean()) / wanted.std(), atol=1e-12
    )


def test_with_covariates_the_cumulative_hazard_is_the_patients_own():
    # reference: Breslow's sums, event by event, with the coefficient of statsmodels' stratified Cox model
    rng = np.random.default_rng(5)
    n = 150
    site, z = rng.integers(0, 2, n), rng.normal(size=n)
    entry = rng.uniform(0, 0.5, n)
    time = entry + rng.exponential(size=n) * np.exp(-0.7 * z - 0.5 * site)
    status = (rng.random(n) < 0.7).astype(float)
    ids = np.array([f"p{i:03d}" for i in range(n)])
    index = pd.Index(ids, name="patient_id")
    outcome = Outcome(
        name="o", label="o", kind="survival", patient_id=ids, time=time, status=status, entry=entry
    )
    sites = pd.Series(np.array(["A", "B"])[site], index=index, dtype=object)
    features = pd.DataFrame({"f": rng.normal(size=n)}, index=index)
    got = outcome_columns(build_design(outcome, pd.DataFrame({"z": z}, index=index), features, site=sites))
    cox = sm.PHReg(time, z[:, None], status=status, entry=entry, strata=site).fit()
    rate, wanted = np.exp(cox.params[0] * z), np.zeros(n)
    for i in np.flatnonzero(status):
        at_risk = (entry < time[i]) & (time[i] <= time) & (site == site[i])
        wanted[at_risk] += rate[at_risk] / rate[at_risk].sum()
    np.testing.assert_allclose(got[:, 1], (wanted - wanted.mean()) / wanted.std(), atol=1e-5)


def test_a_count_as_predictor_is_its_number_and_what_the_covariates_expect():
    # reference: statsmodels' negative binomial regression with log exposure as offset
    rng = np.random.default_rng(4)
    n = 400
    z, watched = rng.normal(size=n), rng.uniform(0.5, 3.0, n)
    y = rng.poisson(watched * np.exp(0.5 * z) * rng.gamma(2.0, 0.5, n)).astype(float)
    ids = np.array([f"p{i:03d}" for i in range(n)])
    index = pd.Index(ids, name="patient_id")
    outcome = Outcome(name="o", label="o", kind="count", patient_id=ids, value=y, exposure=watched)
    features = pd.DataFrame({"f": rng.normal(size=n)}, index=index)
    got = outcome_columns(build_design(outcome, pd.DataFrame({"z": z}, index=index), features))
    model = sm.NegativeBinomial(y, sm.add_constant(z), exposure=watched).fit(disp=0)
    wanted = np.log((y + 1) / (model.predict() + 1))
    np.testing.assert_allclose(got[:, 0], (wanted - wanted.mean()) / wanted.std(), atol=2e-4)
    assert got.shape == (n, 1)


def test_episodes_as_predictors_are_their_number_for_one_expected_and_the_event_that_ends_them():
    # by hand: at risk 3, 2, 2 at the episodes 1, 2.5, 3; at risk 1 at the death at 5
    ids = np.array(["a", "b", "c"])
    index = pd.Index(ids, name="patient_id")
    outcome = Outcome(
        name="o", label="o", kind="recurrent", patient_id=ids, value=np.array([2.0, 0.0, 1.0]),
        time=np.array([4.0, 2.0, 5.0]), status=np.array([0.0, 0.0, 1.0]),
        event_patient=np.array([0, 0, 2]), event_time=np.array([1.0, 3.0, 2.5]),
    )  # fmt: skip
    features = pd.DataFrame({"f": [1.0, 2.0, 4.0]}, index=index)
    got = outcome_columns(build_design(outcome, pd.DataFrame(index=index), features))
    rate = np.log(np.array([3, 1, 2]) / np.array([7 / 3, 4 / 3, 7 / 3]))
    for column, wanted in zip(got.T, (rate, [0, 0, 1], [0, 0, 1]), strict=True):
        wanted = np.array(wanted, dtype=float)
        np.testing.assert_allclose(column, (wanted - wanted.mean()) / wanted.std(), atol=1e-12)


def test_an_event_that_only_patients_without_the_value_had_teaches_nothing():
    rng = np.random.default_rng(8)
    index = pd.Index([f"p{i:03d}" for i in range(80)], name="patient_id")
    event = np.arange(80) < 3
    x = np.where(event | (np.arange(80) % 9 == 0), np.nan, rng.normal(size=80))
    outcome = Outcome(
        name="out", label="out", kind="binary", patient_id=index.to_numpy(), value=event.astype(float)
    )
    design = build_design(outcome, pd.DataFrame(index=index), pd.DataFrame({"x": x}, index=index))
    done = complete(design, plan_imputation(design, matched=False), imputations=400, seed=3)
    # nothing but an intercept can be learned: a t draw of the known values' spread about their mean
    known = int((~np.isnan(x)).sum())
    spread = np.sqrt((1 + 1 / known) * (known - 1) / (known - 3))
    assert done.copies[:, event, 0].std() == pytest.approx(spread, rel=0.1)  # 1,200 draws


def test_what_cannot_be_imputed_is_said():
    design, _ = cohort(site=["A", "B", "C"], gone=0.1)
    observed = design.observed.copy()
    observed[design.site == "B", 0] = False  # x: never at site B
    observed[:, 2] &= np.arange(design.n) % 2 == 0  # flag: more than 40 % missing
    plan = plan_imputation(replace(design, observed=observed))
    assert plan.reason[0] == "never measured at site B: patients there left out, not imputed"
    assert not plan.observed[design.site == "B", 0].any()
    assert plan.observed[design.site != "B", 0].all()
    assert plan.reason[2].startswith("not imputed: 5")
    assert 2 not in plan.columns
    flat = plan_imputation(replace(design, features=np.ones_like(design.features)))
    known = int(design.observed[:, 0].sum())
    assert flat.reason[0] == f"not imputed: all {known} patients with a value have the same"
    few = np.zeros(design.n, dtype=bool)
    few[:20] = True
    small = plan_imputation(
        replace(
            design, patient_id=design.patient_id[few], base=np.random.default_rng(0).normal(size=(20, 8)),
            features=design.features[few], observed=observed[few] | (np.arange(20)[:, None] > 4),
            y=design.y[few], site=None,
        )
    )  # fmt: skip
    assert "too few for 9 predictors" in small.reason[0]


def test_a_model_without_solution_is_taken_out_and_said(monkeypatch):
    import discovery.kernels.chained as chained

    whole = chained.impute_columns

    def first_fails(*arguments):
        failed = whole(*arguments)
        if failed.size == 2:
            failed[0] = 1
        return failed

    monkeypatch.setattr(chained, "impute_columns", first_fails)
    design, _ = cohort()
    plan = plan_imputation(design)
    completed = complete(design, plan, imputations=2, seed=1)
    lost = int(plan.columns[0])
    assert completed.plan.reason[lost] == "not imputed: its imputation model has no solution"
    assert lost not in completed.plan.columns
    np.testing.assert_array_equal(completed.plan.observed[:, lost], design.observed[:, lost])
    assert design.feature_names[lost] in completed.plan.notes[-1]


def test_regressions_of_the_chain_are_least_squares_on_the_rows_that_teach_them():
    """Products over all rows, kept up with every redrawn cell, less the rows without a value: after passes
    over columns with many gaps they must still give numpy's least squares on the current values."""
    from discovery.kernels.chained import (
        GONE,
        LEFT,
        SEEN,
        _choose,
        _keep_up,
        _normal_equations,
        _of,
        _sorted_by_role,
        _start,
    )

    rng = np.random.default_rng(11)
    x, fixed = rng.normal(size=(90, 6)) + 3, rng.normal(size=(90, 2))
    role = np.where(rng.random(x.shape) < 0.3, GONE, SEEN).astype(np.int8)
    role[:5, 2] = LEFT
    weights = rng.integers(0, 4, 90).astype(float)
    columns = np.arange(6)
    neighbours = np.array([[(j + 1) % 6, (j + 2) % 6, -1] for j in columns])
    place, rows, whole = _start(x, fixed, weights, columns, neighbours)
    across = rows.T.copy()
    _, untaught, drawn = _sorted_by_role(role, weights, columns)
    for turn in range(50):
        j = turn % 6
        chosen = np.empty(6, dtype=np.int64)
        k = _choose(2, place, neighbours[j], chosen)
        gram, right = np.zeros((k, k)), np.empty(k)
        own = place[j]
        squares = _normal_equations(whole, rows, _of(untaught, j), weights, own, chosen[:k], gram, right)
        w = weights * (role[:, j] == SEEN)
        z = np.column_stack([np.ones(90), fixed, x[:, neighbours[j][:2]]])
        np.testing.assert_allclose(np.tril(gram), np.tril(z.T * w @ z), rtol=1e-11, atol=1e-11)
        np.testing.assert_allclose(right, z.T @ (w * x[:, j]), rtol=1e-11, atol=1e-11)
        assert squares == pytest.approx(w @ x[:, j] ** 2, rel=1e-12)
        gone = role[:, j] == GONE
        x[gone, j] = rng.normal(size=int(gone.sum())) * 5
        _keep_up(whole, rows, across, x[:, j], _of(drawn, j), weights, own)


def test_rows_are_listed_by_what_they_do_for_each_column():
    from discovery.kernels.chained import ABOVE, BELOW, GONE, LEFT, SEEN, _of, _sorted_by_role

    rng = np.random.default_rng(12)
    role = rng.integers(0, 5, (70, 4)).astype(np.int8)
    weights = rng.integers(0, 3, 70).astype(float)
    columns = np.array([3, 0, 2])
    teach, untaught, drawn = _sorted_by_role(role, weights, columns)
    for c, j in enumerate(columns):
        own = role[:, j]
        np.testing.assert_array_equal(_of(teach, c), np.flatnonzero((own == SEEN) & (weights > 0)))
        off = np.isin(own, [GONE, LEFT]) & (weights > 0)
        np.testing.assert_array_equal(_of(untaught, c), np.flatnonzero(off))
        np.testing.assert_array_equal(_of(drawn, c), np.flatnonzero(np.isin(own, [GONE, BELOW, ABOVE])))


@pytest.mark.parametrize("kind", ["plain", "ties", "outlier", "one value", "not finite", "none"])
def test_known_rows_stand_in_the_order_of_a_stable_sort(kind):
    from discovery.kernels.chained import _by_prediction

    rng = np.random.default_rng(13)
    expected = rng.normal(size=400)
    known = np.flatnonzero(rng.random(400) < 0.7)
    if kind == "ties":
        expected = expected.round(1)
    elif kind == "outlier":
        expected[known[7]] = 1e9
    elif kind == "one value":
        expected[:] = 2.0
    elif kind == "not finite":
        expected[known[[3, 50]]] = np.nan, -np.inf
    elif kind == "none":
        known = known[:0]
    predicted = np.empty(400)
    order = np.empty((3, 401), dtype=np.int64)
    want = known[np.argsort(expected[known], kind="stable")]
    np.testing.assert_array_equal(_by_prediction(known, expected, predicted, order), want)
    np.testing.assert_array_equal(predicted[: known.size], expected[want])
