"""Discrimination, prediction error and calibration: closed forms, slow versions, known truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from discovery.problems import InputError
from discovery.survival.calibration import calibration_at
from discovery.survival.curves import kaplan_meier
from discovery.survival.discrimination import harrell_concordance, time_dependent_auc, uno_concordance
from discovery.survival.prediction_error import brier_score, integrated_brier_score
from discovery.survival.prediction_table import round_horizon, usual_horizon

rows = st.lists(st.tuples(st.integers(1, 9), st.integers(0, 1), st.integers(0, 4)), min_size=2, max_size=25)
quick = settings(max_examples=60, deadline=None)


def slow_harrell(time, event, score):
    right = pairs = 0.0
    for i in range(len(time)):
        for j in range(len(time)):
            if event[i] and (time[j] > time[i] or (time[j] == time[i] and not event[j])):
                pairs += 1
                right += (score[i] > score[j]) + 0.5 * (score[i] == score[j])
    return right / pairs if pairs else np.nan


@quick
@given(rows)
def test_harrell_is_the_double_loop_and_uno_without_censoring_is_harrell(data):
    time, event, score = map(np.array, zip(*data))
    expected = slow_harrell(time, event, score)
    assert harrell_concordance(time, event, score).estimate == pytest.approx(expected, nan_ok=True)
    everybody = np.ones(len(time))
    uno = uno_concordance(time, everybody, score, horizon=100, weight_time="before")
    assert uno.estimate == pytest.approx(slow_harrell(time, everybody, score), nan_ok=True)


def test_error_of_harrell_against_the_bootstrap():
    rng = np.random.default_rng(2)
    n = 200
    score = rng.normal(size=n)
    time, limit = rng.exponential(np.exp(-0.7 * score)), rng.exponential(1.5, n)
    observed, event = np.minimum(time, limit), time <= limit
    found = harrell_concordance(observed, event, score)
    draws = [
        harrell_concordance(observed, event, score, weights=rng.multinomial(n, np.full(n, 1 / n))).estimate
        for _ in range(300)
    ]
    assert found.se == pytest.approx(np.std(draws), rel=0.15)
    assert found.ci_low < found.estimate < found.ci_high


def test_uno_does_not_move_with_censoring_while_harrell_does():
    # Known truth: the score orders late events badly and early ones well, so censoring raises Harrell's C.
    rng = np.random.default_rng(3)
    n = 20000
    score = rng.normal(size=n)
    time = np.where(
        rng.random(n) < 0.5, rng.exponential(0.3 * np.exp(-1.5 * score)), 1 + rng.exponential(1, n)
    )
    limit = rng.exponential(1.2, n)
    observed, event = np.minimum(time, limit), time <= limit
    truth = uno_concordance(time, np.ones(n), score, horizon=1.8).estimate
    uno = uno_concordance(observed, event, score, horizon=1.8).estimate
    harrell = harrell_concordance(observed, event, score, horizon=1.8).estimate
    assert uno == pytest.approx(truth, abs=0.012)
    assert harrell > truth + 0.02


def test_auc_without_censoring_is_the_rank_statistic():
    from scipy.stats import mannwhitneyu

    rng = np.random.default_rng(4)
    time, score = rng.permutation(80) + 1.0, rng.integers(0, 6, 80)
    table = time_dependent_auc(time, np.ones(80), score, [20.5, 50.5])
    for t, value in zip([20.5, 50.5], table["auc"]):
        case = time <= t
        u = mannwhitneyu(score[case], score[~case]).statistic
        assert value == pytest.approx(u / (case.sum() * (~case).sum()))


def test_auc_without_cases_or_controls_is_unknown():
    table = time_dependent_auc([1.0, 2, 3], [1, 1, 1], [3, 2, 1], [0.5, 2.5, 3.5])
    assert np.isnan(table["auc"][[0, 2]]).all()
    assert table["auc"][1] == 1
    with pytest.raises(InputError, match="ascending times"):
        time_dependent_auc([1.0, 2], [1, 1], [1, 2], [2, 1])


def test_brier_without_censoring_is_a_mean_square():
    rng = np.random.default_rng(5)
    time, predicted = rng.exponential(1, 60), rng.random((60, 2))
    table = brier_score(time, np.ones(60), predicted, [0.3, 0.9])
    for k, t in enumerate([0.3, 0.9]):
        assert table["brier"][k] == pytest.approx((((time > t) - predicted[:, k]) ** 2).mean())
    # Kaplan-Meier for everybody: the variance of a coin.
    share = (time > 0.3).mean()
    assert table["brier_reference"][0] == pytest.approx(share * (1 - share))
    assert brier_score(time, np.ones(60), kaplan_meier(time, np.ones(60)).at([0.3]), [0.3])["scaled"][0] == 0


def test_brier_with_censoring_is_right_on_average():
    rng = np.random.default_rng(6)
    n = 40000
    rate = np.exp(rng.normal(size=n) * 0.8)
    time, limit = rng.exponential(1 / rate), rng.exponential(2, n)
    survival = np.exp(-rate * 0.7)[:, None]
    complete = brier_score(time, np.ones(n), survival, [0.7])["brier"][0]
    censored = brier_score(np.minimum(time, limit), time <= limit, survival, [0.7])["brier"][0]
    assert censored == pytest.approx(complete, abs=0.004)


def test_prediction_refusals():
    with pytest.raises(InputError, match=r"one row a patient and one column a time, \(3, 1\)"):
        brier_score([1.0, 2, 3], [1, 0, 1], np.ones((2, 1)), [1.5])
    with pytest.raises(InputError, match="probabilities from 0 to 1"):
        brier_score([1.0, 2, 3], [1, 0, 1], [1.2], [1.5])
    with pytest.raises(InputError, match="before the last follow-up, 3"):
        brier_score([1.0, 2, 3], [1, 0, 1], [0.5], [3.0])
    with pytest.raises(InputError, match="two ascending times"):
        integrated_brier_score([1.0, 2, 3], [1, 0, 1], [0.5], [1.0])
    with pytest.raises(InputError, match="2 finite scores"):
        uno_concordance([1.0, 2], [1, 1], [1.0, np.nan], horizon=2)


# Calibration


def weibull_cohort(rng, n, *, distortion=1.0, shift=0.0):
    x = rng.normal(size=n)
    hazard = np.exp(0.8 * x - 1)
    time, limit = rng.exponential(1 / hazard), rng.exponential(3, n)
    risk = 1 - np.exp(-np.exp(distortion * np.log(hazard) + shift))
    return np.minimum(time, limit), (time <= limit).astype(int), risk


def test_true_risks_are_calibrated():
    found = calibration_at(*weibull_cohort(np.random.default_rng(1), 4000), 1.0)
    assert found.observed_expected_low < 1 < found.observed_expected_high
    assert found.slope_low < 1 < found.slope_high
    assert found.mean_error < 0.02
    assert ((found.groups["ci_low"] <= found.groups["predicted"])
            & (found.groups["predicted"] <= found.groups["ci_high"])).mean() >= 0.7  # fmt: skip
    assert found.groups["n"].sum() == 4000


def test_too_extreme_risks_have_a_slope_below_one():
    found = calibration_at(*weibull_cohort(np.random.default_rng(2), 4000, distortion=2.0, shift=1.0), 1.0)
    assert found.slope == pytest.approx(0.5, abs=0.05)
    assert found.slope_high < 1
    assert found.mean_error > 0.05


def test_risks_half_as_large_show_in_the_ratio_and_the_curve():
    time, status, risk = weibull_cohort(np.random.default_rng(3), 4000)
    found = calibration_at(time, status, risk / 2, 1.0)
    assert found.observed_expected == pytest.approx(2, abs=0.12)
    middle = np.interp(0.15, found.curve["risk"], found.curve["observed"])
    assert middle == pytest.approx(0.30, abs=0.03)


def test_competing_events_use_the_incidence():
    rng = np.random.default_rng(4)
    n = 5000
    time = rng.exponential(1 / 1.5, n)
    status = np.where(rng.random(n) < 1 / 3, 1, 2)
    risk = np.full(n, (1 - np.exp(-1.5)) / 3)
    found = calibration_at(time, status, risk, 1.0)
    assert found.observed_expected == pytest.approx(1, abs=0.06)
    assert np.isnan(found.slope)
    assert found.curve.empty
    assert len(found.groups) == 1


def test_calibration_refusals():
    with pytest.raises(InputError, match="2 probabilities from 0 to 1"):
        calibration_at([1.0, 2], [1, 0], [0.2, 1.2], 1)
    with pytest.raises(InputError, match="within follow-up, up to 2"):
        calibration_at([1.0, 2], [1, 0], [0.2, 0.2], 3)


def test_the_horizon_is_a_round_time_or_else_the_median_of_the_events():
    assert usual_horizon(np.arange(1.0, 501), np.ones(500)) == 400  # marks of 100; nobody beyond 500
    time, event = np.linspace(10, 1150, 30), np.ones(30)
    assert usual_horizon(time, event) == 400  # 17 beyond 500; of the marks of 200, 20 beyond 400
    few = time[:15]
    assert np.isnan(round_horizon(few, event[:15]))
    assert usual_horizon(few, event[:15]) == np.median(few)
    assert np.isnan(usual_horizon(time, np.zeros(30)))
