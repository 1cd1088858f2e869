"""The signature on open cohorts and on cohorts with known truth; decision curves in closed form."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.association.design import build_design
from discovery.markers.net_benefit import net_benefit, share_by_horizon, share_of_class
from discovery.markers.signature import MODELS, SignatureSearch
from discovery.markers.signature_judged import (
    BETTER,
    NO_BETTER,
    _corrected_slope,
    _Judge,
    signature_of,
)
from discovery.study import Outcome
from discovery.survival.prediction_table import usual_horizon


def simulated(rng, n, effects, kind, p=20, missing=0.0):
    x = rng.normal(size=(n, p))
    z = rng.normal(size=n)
    eta = 0.5 * z + x[:, : len(effects)] @ np.asarray(effects, float)
    ids = np.array([f"p{k:05d}" for k in range(n)])
    parts: dict = {}
    if kind == "survival":
        time, censored = rng.exponential(np.exp(-eta)), rng.exponential(1.5, n)
        parts = {"time": np.minimum(time, censored), "status": (time <= censored).astype(float)}
    elif kind == "binary":
        parts = {"value": (rng.random(n) < 1 / (1 + np.exp(-eta))).astype(float)}
    else:
        parts = {"value": eta + rng.normal(size=n)}
    x[rng.random(x.shape) < missing] = np.nan
    outcome = Outcome(name="y", kind=kind, label="y", patient_id=ids, **parts)
    covariates = pd.DataFrame({"z": z}, index=ids)
    return outcome, covariates, pd.DataFrame(x, index=ids, columns=[f"f{k:02d}" for k in range(p)])


@pytest.mark.parametrize("kind", ["survival", "binary", "continuous"])
def test_planted_markers_are_found_and_the_corrected_value_is_that_of_new_patients(kind):
    rng = np.random.default_rng(11)
    outcome, covariates, features = simulated(rng, 500, [0.8, -0.6, 0.5], kind, missing=0.05)
    design = build_design(outcome, covariates, features)
    found = signature_of(design, seed=1, draws=40)
    assert found.verdict == BETTER
    assert {"f00", "f01", "f02"} <= {design.feature_names[k] for k in found.fit.markers}
    row = found.performance.set_index("model").loc["signature"]
    assert row["corrected"] < row["apparent"]

    more = simulated(np.random.default_rng(12), 20_000, [0.8, -0.6, 0.5], kind)
    new = build_design(*more, scaling=design.scaling, coding=design.coding)
    first = 0 if kind == "survival" else 1
    columns = np.column_stack([new.base, new.features[:, list(found.fit.markers)]])
    score = columns @ found.fit.coef[first:]
    from discovery.kernels.concordance import auc, concordance, explained_variance

    if kind == "survival":
        truth = concordance(new.time, new.event, score).value[0]
    elif kind == "binary":
        truth = auc(new.y, score).value[0]
    else:
        old = design.y
        y = (new.y - old.mean()) / old.std(ddof=1)
        truth = explained_variance(y, score + found.fit.coef[0]).value[0]
    assert row["corrected"] == pytest.approx(truth, abs=0.06)


@pytest.mark.parametrize("kind", ["survival", "binary", "continuous"])
def test_calibration_slopes_are_those_of_a_general_package_and_corrected_by_the_patients_left_out(kind):
    design = build_design(*simulated(np.random.default_rng(21), 200, [0.6], kind, p=5))
    judge = _Judge(SignatureSearch(design).design)
    rng = np.random.default_rng(1)
    scores = np.column_stack([design.features[:, 0], 0.3 * design.features[:, 0], np.zeros(200)])
    rows = rng.random(200) < 0.6
    slope, se = judge.slopes(scores, rows.astype(float))
    if kind == "survival":
        from lifelines import CoxPHFitter

        table = pd.DataFrame({"x": scores[rows, 0], "t": design.time[rows], "e": design.event[rows]})
        fit = CoxPHFitter().fit(table, "t", "e")
        want = fit.params_["x"], fit.standard_errors_["x"]
    else:
        from statsmodels.api import OLS, Logit

        y, x = judge.design.y[rows], np.column_stack([np.ones(rows.sum()), scores[rows, 0]])
        fit = Logit(y, x).fit(disp=0) if kind == "binary" else OLS(y, x).fit()
        want = fit.params[1], fit.bse[1]
    assert slope[0] == pytest.approx(want[0], rel=1e-3)
    assert se[0] == pytest.approx(want[1], rel=2e-2)
    assert slope[1] == pytest.approx(slope[0] / 0.3, rel=1e-6)
    assert np.isnan(slope[2])
    assert np.isnan(se[2])
    # .368 of 1.2 and .632 of (4 x .8 + 1 x .3) / 5 = .7, NaN left out; half-width 1.96 x .1
    got = _corrected_slope(1.2, 0.1, np.array([0.8, 0.3, np.nan]), np.array([0.5, 1.0, np.nan]))
    np.testing.assert_allclose(got, np.array([0.884, 0.884 - 0.196, 0.884 + 0.196]), atol=1e-5)
    assert np.isnan(_corrected_slope(np.nan, np.nan, np.array([0.8]), np.array([0.5]))).all()


def test_calibration_slopes_of_separated_patients_are_penalised_not_lost():
    outcome, covariates, features = simulated(np.random.default_rng(3), 120, [0.0], "binary", p=5)
    design = build_design(outcome, covariates, features)
    judge = _Judge(design)
    slope, _ = judge.slopes(np.column_stack([design.y + 0.1 * design.base[:, 0]] * 3), np.ones(120))
    assert np.isfinite(slope).all()
    assert (slope > 3).all()


def test_a_feature_that_separates_the_outcome_is_said_to_have_no_part():
    """Its likelihood has no maximum; before, the next feature was called the best marker without a word."""
    outcome, covariates, features = simulated(np.random.default_rng(5), 150, [0.9], "binary")
    features["leak"] = 5.0 * outcome.value + np.linspace(0, 1, 150)
    found = signature_of(
        build_design(outcome, covariates, features), seed=1, draws=10, labels={"leak": "Made of it"}
    )
    assert "leak" not in set(found.terms["term"])
    assert "Made of it separates the outcome and had no part in the search" in found.sentence
    plain = signature_of(build_design(outcome, covariates, features.drop(columns="leak")), seed=1, draws=10)
    assert "no part" not in plain.sentence


def test_a_barred_feature_enters_no_signature_and_no_best_single_marker():
    """One that nearly copies the outcome leads the search; barred, all is as if it had not been measured."""
    outcome, covariates, features = simulated(np.random.default_rng(5), 200, [0.9], "continuous")
    features["copy"] = outcome.value + 0.05 * np.random.default_rng(6).normal(size=200)
    design = build_design(outcome, covariates, features)
    let_in = signature_of(design, seed=1, draws=10)
    assert let_in.terms.set_index("term").loc["copy", "role"] == "marker"
    assert let_in.performance.set_index("model").loc["best single marker", "corrected"] > 0.9
    found = signature_of(design, seed=1, draws=10, barred=["copy"], labels={"copy": "Nearly it"})
    plain = signature_of(build_design(outcome, covariates, features.drop(columns="copy")), seed=1, draws=10)
    pd.testing.assert_frame_equal(
        found.performance.drop(columns="note"), plain.performance.drop(columns="note")
    )
    notes = found.performance.set_index("model")["note"]
    assert notes["base model"] == ""
    assert notes["best single marker"] == notes["signature"] == "no part in the search: copy (suspected leak)"
    assert (plain.performance["note"] == "").all()
    assert list(found.terms["term"]) == list(plain.terms["term"])
    assert "Nearly it is a suspected leak and had no part in the search; such a feature" in found.sentence
    assert found.sentence.endswith("only if the study file names it in freeze.")
    assert "suspected" not in let_in.sentence + plain.sentence


def test_a_barred_feature_that_separates_is_named_once():
    outcome, covariates, features = simulated(np.random.default_rng(5), 150, [0.9], "binary")
    features["leak"] = 5.0 * outcome.value + np.linspace(0, 1, 150)
    design = build_design(outcome, covariates, features)
    assert signature_of(design, seed=1, draws=4, barred=["leak"]).sentence.count("leak had") == 0
    assert signature_of(design, seed=1, draws=4, barred=["leak"]).sentence.count("no part") == 1


def test_the_slope_of_an_overfitted_signature_is_said_to_be_below_one():
    """The mean over cohorts of what is said is that of 10,000 new patients, well below 1."""
    said, true = [], []
    for seed in range(5):
        rng = np.random.default_rng([31, seed])
        design = build_design(*simulated(rng, 90, [0.5, 0.4], "binary"))
        found = signature_of(design, seed=seed, draws=25)
        more = simulated(rng, 10_000, [0.5, 0.4], "binary")
        new = build_design(*more, scaling=design.scaling, coding=design.coding)
        score = np.column_stack([new.base, new.features[:, list(found.fit.markers)]]) @ found.fit.coef[1:]
        said.append(found.performance.set_index("model").loc["signature", "calibration_slope"])
        true.append(_Judge(new).slopes(score[:, None], np.ones(new.n))[0][0])
    assert np.mean(said) == pytest.approx(np.mean(true), abs=0.2)
    assert np.mean(said) < 0.9


@pytest.mark.parametrize("kind", ["survival", "binary", "continuous"])
def test_noise_is_no_better_than_the_base_model(kind):
    said = []
    for seed in range(6):
        design = build_design(*simulated(np.random.default_rng(seed), 120, [0.0], kind))
        said.append(signature_of(design, seed=seed, draws=30))
    assert sum(s.verdict == BETTER for s in said) <= 1
    none = [s for s in said if not s.fit.markers]
    assert all("base model alone" in s.sentence for s in none)
    assert all(s.verdict == NO_BETTER for s in none)


def test_correlated_siblings_enter_once():
    rng = np.random.default_rng(5)
    outcome, covariates, features = simulated(rng, 300, [0.9], "binary", p=6)
    for k in range(4):
        features[f"copy{k}"] = features["f00"] + 0.2 * rng.normal(size=300)
    design = build_design(outcome, covariates, features)
    fit = SignatureSearch(design)(np.ones(design.n), np.random.default_rng(0))
    family = {"f00", *(f"copy{k}" for k in range(4))}
    assert len(family & {design.feature_names[k] for k in fit.markers}) == 1


def test_published_discrimination_of_breast_masses(root):
    """Street, Wolberg & Mangasarian 1993 report 97 % accuracy in cross-validation on these 569 masses."""
    from discovery.association.design import design_of
    from discovery.study import read_study

    study = read_study(root / "cohorts" / "wdbc" / "study.toml")
    design = design_of(study, study.outcomes[0])
    found = signature_of(design, seed=3, draws=20)
    table = found.performance.set_index("model")
    assert list(table.index) == list(MODELS)
    assert table.loc["signature", "corrected"] > 0.985
    assert table.loc["signature", "gain_over_single_low"] > 0


def test_decision_curves_are_judged_where_the_study_says_or_at_the_usual_horizon():
    design = build_design(*simulated(np.random.default_rng(2), 150, [0.6], "survival"))
    usual = signature_of(design, seed=9, draws=2).benefit
    assert set(usual["horizon"]) == {usual_horizon(design.time, design.event)}
    stated = signature_of(design, seed=9, draws=2, horizon=0.3).benefit
    assert set(stated["horizon"]) == {0.3}
    # fewer patients have had the event by an earlier time, and fewer are there to be gained
    assert stated["net_benefit"].max() < usual["net_benefit"].max()


def test_the_same_seed_gives_the_same_table_with_any_number_of_workers():
    design = build_design(*simulated(np.random.default_rng(2), 150, [0.6], "survival"))
    one, two = (signature_of(design, seed=9, draws=8, workers=k) for k in (1, 2))
    pd.testing.assert_frame_equal(one.performance, two.performance)
    pd.testing.assert_frame_equal(one.benefit, two.benefit)


@pytest.mark.parametrize("kind", ["survival", "binary", "continuous"])
def test_another_order_of_the_rows_gives_the_same_signature(kind):
    outcome, covariates, features = simulated(np.random.default_rng(5), 150, [0.6, 0.4], kind, missing=0.1)
    site = pd.Series(np.resize(["north", "south", "west"], 150), index=covariates.index)
    order = np.random.default_rng(6).permutation(150)
    rows = build_design(outcome, covariates, features, site=site)
    turned = build_design(
        outcome.in_order(order), covariates.iloc[order], features.iloc[order], site=site.iloc[order]
    )
    assert list(rows.patient_id) != list(turned.patient_id)
    one, other = (signature_of(design, seed=9, draws=8) for design in (rows, turned))
    for table in ("terms", "performance", "benefit"):
        pd.testing.assert_frame_equal(getattr(one, table), getattr(other, table), rtol=1e-6)
    assert one.sentence == other.sentence


def test_the_equation_gives_the_score():
    outcome, covariates, features = simulated(np.random.default_rng(4), 200, [0.9, 0.7], "binary")
    design = build_design(outcome, covariates, features, winsor=None)
    found = signature_of(design, seed=1, draws=5)
    terms = found.terms.set_index("term")
    row = pd.concat([covariates, features], axis=1).iloc[7]
    score = found.fit.coef[0] + sum(
        t["coefficient"] * (row[name] - t["mean"]) / t["sd"] for name, t in terms.iterrows()
    )
    assert score == pytest.approx(found.fit.score[7], rel=1e-9)
    assert all(name in found.equation for name in terms.index)
    written = found.equation.replace("−", "-").replace("×", "*")
    names = {name: float(row[name]) for name in terms.index}
    assert eval(written, {"__builtins__": {}}, names) == pytest.approx(score, abs=0.02)


def test_the_equation_names_the_limits_of_its_markers():
    outcome, covariates, features = simulated(np.random.default_rng(4), 200, [0.9, 0.7], "binary")
    found = signature_of(build_design(outcome, covariates, features), seed=1, draws=5)
    assert "values outside are pulled in to: " in found.equation


def test_a_mean_below_zero_is_added_in_the_equation():
    outcome, covariates, features = simulated(np.random.default_rng(4), 200, [0.9, 0.7], "binary")
    found = signature_of(build_design(outcome, covariates, features - 2), seed=1, draws=5)
    name = features.columns[found.fit.markers[0]]
    mean = found.terms.set_index("term").loc[name, "mean"]
    assert mean < 0
    assert f"({name} + {-mean:.4g}) / " in found.equation
    assert "-" not in found.equation + found.sentence


def test_too_few_patients_or_another_kind_have_no_signature():
    outcome, covariates, features = simulated(np.random.default_rng(4), 40, [0.9], "binary")
    assert signature_of(build_design(outcome, covariates, features), seed=1) is None


def test_net_benefit_in_closed_form():
    """Everybody: prevalence - (1 - prevalence) odds. A perfect model: prevalence, at any threshold."""
    y = np.array([1.0] * 30 + [0.0] * 70)
    table = net_benefit({"perfect": y.copy()}, share_of_class(y), [0.2, 0.5])
    found = table.set_index(["model", "threshold"])["net_benefit"]
    assert found["perfect", 0.2] == pytest.approx(0.3)
    assert found["everybody", 0.2] == pytest.approx(0.3 - 0.7 * 0.25)
    assert found["everybody", 0.5] == pytest.approx(0.3 - 0.7)
    assert found["nobody", 0.5] == 0


def test_net_benefit_of_survival_without_censoring_is_that_of_the_class():
    rng = np.random.default_rng(6)
    time, risk = rng.exponential(1, 200), rng.random(200)
    by = share_by_horizon(time, np.ones(200), 0.7)
    survival = net_benefit({"m": risk}, by, [0.1, 0.4])
    classes = net_benefit({"m": risk}, share_of_class((time <= 0.7).astype(float)), [0.1, 0.4])
    pd.testing.assert_frame_equal(survival, classes, rtol=1e-9)
