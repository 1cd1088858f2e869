"""Predictions for patients left out: closed forms, one-cause limits, known truth, an open cohort."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.metrics import roc_auc_score

from discovery.problems import InputError
from discovery.survival.accuracy_over_time import accuracy_over_time
from discovery.survival.curves import kaplan_meier
from discovery.survival.discrimination import time_dependent_auc
from discovery.survival.predicted_risk import fold_codes, out_of_fold_risk, risk_by
from discovery.survival.prediction_error import brier_score
from discovery.survival.prediction_table import prediction_table


def draws(n=400, seed=5):
    rng = np.random.default_rng(seed)
    x = rng.normal(size=n)
    time, other, end = rng.exponential(np.exp(-x)), rng.exponential(3.0, n), rng.uniform(0.5, 3, n)
    observed = np.minimum(np.minimum(time, other), end)
    status = np.where(observed == time, 1, np.where(observed == other, 2, 0))
    return x, observed, status


def test_one_cause_is_the_brier_score_and_auc_of_the_single_event_functions():
    x, time, status = draws()
    event = (status == 1).astype(float)
    times = np.array([0.3, 0.7, 1.1])
    risk = 1 / (1 + np.exp(-x[:, None] - times))
    found = accuracy_over_time(time, event, risk, times).table
    brier = brier_score(time, event, 1 - risk, times)
    np.testing.assert_allclose(found["brier"], brier["brier"], rtol=1e-12)
    np.testing.assert_allclose(found["brier_reference"], brier["brier_reference"], rtol=1e-9)
    for k, t in enumerate(times):
        auc = time_dependent_auc(time, event, risk[:, k], [t])["auc"].iloc[0]
        assert found["auc"].iloc[k] == pytest.approx(auc, rel=1e-12)


def test_without_censoring_it_is_the_plain_mean_square_and_area_with_competing_events():
    rng = np.random.default_rng(8)
    n = 300
    x = rng.normal(size=n)
    time, status = rng.exponential(1, n), np.where(rng.random(n) < 0.6, 1, 2)
    risk = np.clip(0.5 + 0.2 * x, 0, 1)[:, None]
    found = accuracy_over_time(time, status, risk, [0.8]).table
    case = (time <= 0.8) & (status == 1)
    assert found["brier"].iloc[0] == pytest.approx(((case - risk[:, 0]) ** 2).mean(), rel=1e-12)
    assert found["auc"].iloc[0] == pytest.approx(roc_auc_score(case, risk[:, 0]), rel=1e-12)


def test_censoring_is_undone_by_the_weights():
    # The same patients with and without independent censoring: close to each other in a large sample.
    rng = np.random.default_rng(4)
    n = 20_000
    x = rng.normal(size=n)
    time, status = rng.exponential(np.exp(-0.7 * x)), np.where(rng.random(n) < 0.7, 1, 2)
    end = rng.exponential(1.2, n)
    risk = np.clip(0.45 + 0.15 * x, 0, 1)[:, None]
    whole = accuracy_over_time(time, status, risk, [0.9]).table.iloc[0]
    observed, known = np.minimum(time, end), np.where(time <= end, status, 0)
    seen = accuracy_over_time(observed, known, risk, [0.9]).table.iloc[0]
    assert seen["brier"] == pytest.approx(whole["brier"], abs=0.005)
    assert seen["auc"] == pytest.approx(whole["auc"], abs=0.01)


def test_risks_without_covariates_are_the_incidence_curve():
    _, time, status = draws()
    event = (status == 1).astype(int)
    none = np.empty((len(time), 0))
    risk = risk_by(time, event, none, none[:1], np.array([0.5, 1.0]))
    km = kaplan_meier(time, event).at([0.5, 1.0])
    np.testing.assert_allclose(risk[0], 1 - km, atol=0.004)  # exp(-hazard) against the product
    both = risk_by(time, status, none, none[:1], np.array([0.5, 1.0]))
    assert (both < risk).all()  # who dies of the other cause cannot have the event any more


def test_risks_with_competing_events_have_the_known_truth():
    rng = np.random.default_rng(12)
    n = 6000
    x = rng.normal(size=n)
    mine, other = np.exp(0.8 * x), 0.5 * np.exp(-0.4 * x)
    time = rng.exponential(1 / (mine + other))
    status = np.where(rng.random(n) < mine / (mine + other), 1, 2)
    at = np.array([[-1.0], [0.0], [1.5]])
    risk = risk_by(time, status, x[:, None], at, np.array([0.6]))[:, 0]
    a, b = np.exp(0.8 * at[:, 0]), 0.5 * np.exp(-0.4 * at[:, 0])
    np.testing.assert_allclose(risk, a / (a + b) * (1 - np.exp(-0.6 * (a + b))), atol=0.015)


def test_folds_hold_like_shares_of_every_status():
    status = np.array([0] * 50 + [1] * 30 + [2] * 20)
    fold = fold_codes(status, 10, np.random.default_rng(1))
    for code, size in ((0, 5), (1, 3), (2, 2)):
        np.testing.assert_array_equal(np.bincount(fold[status == code], minlength=10), size)


def test_noise_does_not_look_useful_to_patients_left_out():
    rng = np.random.default_rng(3)
    n = 250
    time, end = rng.exponential(1, n), rng.uniform(0.3, 2, n)
    noise = rng.normal(size=(n, 15))
    observed, event = np.minimum(time, end), (time <= end).astype(int)
    found = prediction_table(observed, event, {"noise": noise}, np.random.default_rng(1)).table
    c = found.loc[found["measure"] == "Harrell C", "estimate"].iloc[0]
    slope = found.loc[found["measure"] == "calibration slope", "estimate"].iloc[0]
    assert c < 0.57  # fitted and judged on the same patients it would be above .65
    assert slope < 0.6
    brier = found[found["measure"] == "integrated Brier score"].set_index("model")["estimate"]
    assert brier["noise"] > brier["everybody at one risk"]


def test_a_useful_covariate_is_useful_and_calibrated():
    x, time, status = draws(n=900)
    found = prediction_table(time, status, {"base": x[:, None]}, np.random.default_rng(1))
    table = found.table.set_index("measure")
    assert table.loc["Harrell C", "estimate"] > 0.65
    ratio = table.loc["observed / expected risk"]
    assert ratio["ci_low"] < 1 < ratio["ci_high"]
    assert "Uno C" not in table.index  # competing events
    assert (table.loc["AUC at", "estimate"] > 0.6).all()
    assert (found.groups["n"] >= 20).all()


def test_delayed_entry_leaves_what_can_be_said():
    x, time, status = draws()
    entry = time * 0.2
    found = prediction_table(
        time, (status == 1).astype(int), {"x": x[:, None]}, np.random.default_rng(0), entry=entry
    )
    assert set(found.table["measure"]) == {
        "Harrell C", "observed / expected risk", "calibration slope", "mean calibration error",
    }  # fmt: skip


def test_too_few_events_are_refused_in_words():
    x, time, status = draws(n=30)
    with pytest.raises(InputError, match="20 events or more"):
        prediction_table(time, (status == 1) & (time < 0.1), {"x": x[:, None]}, np.random.default_rng(0))


def test_out_of_fold_risks_are_the_same_for_the_same_generator():
    x, time, status = draws(n=120)
    a, b = (
        out_of_fold_risk(time, status, x[:, None], [0.5], np.random.default_rng(9), repeats=2)
        for _ in range(2)
    )
    np.testing.assert_array_equal(a, b)
