"""Fine-Gray regression: limits in which it is a Cox model, laws, simulation with known truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.problems import InputError
from discovery.survival.cox import cox_model
from discovery.survival.fine_gray import fine_gray
from discovery.survival.logrank import grays_test


def subdistribution_sample(rng, n, log_ratio, *, censoring=None):
    """Fine & Gray's own scheme: F1(t|x) = 1 - (1 - p (1 - exp(-t)))^exp(x b), the rest of cause 2."""
    x = rng.normal(size=n)
    ratio, p = np.exp(log_ratio * x), 0.5
    share = 1 - (1 - p) ** ratio
    first = rng.random(n) < share
    u = rng.random(n) * share
    of_first = -np.log(1 - (1 - (1 - u) ** (1 / ratio)) / p)
    time = np.where(first, of_first, rng.exponential(1, n))
    status = np.where(first, 1, 2)
    if censoring is not None:
        limit = rng.exponential(censoring, n)
        status = np.where(limit < time, 0, status)
        time = np.minimum(time, limit)
    return time, status, x


def test_without_competing_events_it_is_a_cox_model():
    rng = np.random.default_rng(1)
    x, time, event = rng.normal(size=150), rng.integers(1, 30, 150), rng.integers(0, 2, 150)
    fit = fine_gray(time, event, x, variance="censoring known")
    cox = cox_model(time, event, x, ties="breslow", robust=True)
    assert fit.coef[0] == pytest.approx(cox.coef[0], abs=1e-8)
    assert fit.se[0] == pytest.approx(cox.se[0], abs=1e-8)
    assert fit.loglik == pytest.approx(cox.loglik)
    # With nobody kept on artificially, the estimate of censoring does not enter.
    full = fine_gray(time, event, x)
    assert full.se[0] == pytest.approx(fit.se[0], abs=1e-12)


def test_without_censoring_competing_events_just_stay():
    # Closed form: the risk set keeps them for good, so it is a Cox model with their times moved to the end.
    rng = np.random.default_rng(2)
    time, status, x = subdistribution_sample(rng, 200, 0.5)
    fit = fine_gray(time, status, x)
    moved = np.where(status == 2, time.max() + 1, time)
    cox = cox_model(moved, status == 1, x, ties="breslow", robust=True)
    assert fit.coef[0] == pytest.approx(cox.coef[0], abs=1e-8)
    assert fit.se[0] == pytest.approx(cox.se[0], abs=1e-8)


def test_unit_and_shift_of_a_covariate():
    rng = np.random.default_rng(3)
    time, status, x = subdistribution_sample(rng, 150, 0.4, censoring=2.0)
    a, b = fine_gray(time, status, x), fine_gray(time * 365, status, x * 1e4 + 5e5)
    assert b.coef[0] * 1e4 == pytest.approx(a.coef[0], rel=1e-7)
    assert b.se[0] * 1e4 == pytest.approx(a.se[0], rel=1e-7)


def test_its_score_statistic_is_near_grays_test(dataset):
    mgus2 = dataset("mgus2.csv")
    male = (mgus2["sex"] == "M").astype(float)
    wald = fine_gray(mgus2.etime, mgus2.event, male, cause=2).wald_chi2
    assert wald == pytest.approx(grays_test(mgus2.etime, mgus2.event, male, cause=2).statistic, rel=0.03)


def test_estimate_error_and_coverage_on_simulated_truth(full_validity):
    # Truth: log subdistribution hazard ratio 0.5. Binomial limits of 95 % coverage, 3 standard errors wide.
    runs, n = (1000, 200) if full_validity else (120, 200)
    rng = np.random.default_rng(20261125)
    estimates, covered, errors = [], 0, []
    for _ in range(runs):
        fit = fine_gray(*subdistribution_sample(rng, n, 0.5, censoring=1.5))
        estimates.append(fit.coef[0])
        errors.append(fit.se[0])
        covered += abs(fit.coef[0] - 0.5) < 1.96 * fit.se[0]
    spread = np.std(estimates)
    assert np.mean(estimates) == pytest.approx(0.5, abs=0.02 + 3 * spread / np.sqrt(runs))
    assert np.mean(errors) / spread == pytest.approx(1, abs=0.08 + 3 / np.sqrt(2 * runs))
    assert covered / runs > 0.95 - 0.015 - 3 * np.sqrt(0.95 * 0.05 / runs)


def test_refusals():
    with pytest.raises(InputError, match="at least one event of the cause"):
        fine_gray([1, 2, 3], [2, 2, 0], [1.0, 2, 3])
    with pytest.raises(InputError, match="columns that vary"):
        fine_gray([1, 2, 3], [1, 2, 0], pd.DataFrame({"same": [1.0, 1, 1]}))
    with pytest.raises(InputError, match="known: event at risk, event first"):
        fine_gray([1, 2, 3], [1, 2, 0], [1.0, 2, 3], censoring_ties="later")


def test_missing_covariates_are_counted():
    rng = np.random.default_rng(5)
    time, status, x = subdistribution_sample(rng, 60, 0.4, censoring=2.0)
    x[:4] = np.nan
    fit = fine_gray(time, status, x)
    assert (fit.n, fit.n_left_out) == (56, 4)
    assert fit.coef[0] == pytest.approx(fine_gray(time[4:], status[4:], x[4:]).coef[0])
