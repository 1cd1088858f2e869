"""Intervals of AUC, Brier score and Uno's C: jackknife, closed forms, coverage of a known truth."""

from __future__ import annotations

import numpy as np
import pytest

from discovery.survival.accuracy_over_time import accuracy_over_time
from discovery.survival.discrimination import uno_concordance
from discovery.survival.prediction_table import prediction_table

TIMES = (0.3, 0.7, 1.1)


def cohort(rng, n, *, competing=True, digits=None):
    """A score whose exponential is the hazard of the event, another event, uniform censoring."""
    x = rng.normal(size=n)
    own, limit = rng.exponential(np.exp(-x)), rng.uniform(0.3, 3, n)
    other = rng.exponential(3, n) if competing else np.full(n, np.inf)
    time = np.minimum(np.minimum(own, other), limit)
    status = np.where(time == own, 1, np.where(time == other, 2, 0))
    return x, time if digits is None else np.round(time, digits) + 0.01, status


def risks(x):
    return 1 / (1 + np.exp(-(x[:, None] + np.log(TIMES))))


def jackknife(values):
    values = np.asarray(values)
    n = len(values)
    return np.sqrt((n - 1) / n * ((values - values.mean(axis=0)) ** 2).sum(axis=0))


@pytest.mark.parametrize("digits", [None, 1])
@pytest.mark.parametrize("competing", [True, False])
def test_errors_are_those_of_leaving_out_one_patient_after_the_other(digits, competing):
    x, time, status = cohort(np.random.default_rng(1), 150, competing=competing, digits=digits)
    whole = accuracy_over_time(time, status, risks(x), TIMES)
    left = [np.delete(np.arange(150), i) for i in range(150)]
    without = [accuracy_over_time(time[rows], status[rows], risks(x[rows]), TIMES) for rows in left]
    for measure in ("auc", "brier"):
        error = np.sqrt((whole.influence[measure] ** 2).sum(axis=0))
        np.testing.assert_allclose(error, jackknife([found.table[measure] for found in without]), rtol=0.03)
    low, high = whole.table["scaled_low"], whole.table["scaled_high"]
    log_ratio = jackknife([np.log(1 - found.table["scaled"]) for found in without])
    np.testing.assert_allclose(np.log((1 - low) / (1 - high)) / (2 * 1.959964), log_ratio, rtol=0.03)
    area, low, high = whole.integrated("brier")
    assert low < area < high
    wide = np.log(high / (1 - high)) - np.log(low / (1 - low))
    error = jackknife([found.integrated("brier")[0] for found in without])
    assert wide / (2 * 1.959964) * area * (1 - area) == pytest.approx(error, rel=0.03)
    if not competing:
        c = [uno_concordance(time[rows], status[rows], x[rows], horizon=1.1).estimate for rows in left]
        assert uno_concordance(time, status, x, horizon=1.1).se == pytest.approx(jackknife(c), rel=0.03)


def test_without_censoring_the_errors_have_closed_forms():
    """Brier score: of a mean. AUC: DeLong's variance, whose sums are over n - 1 where these are over n."""
    rng = np.random.default_rng(2)
    n = 200
    x, time = rng.normal(size=n), rng.exponential(1, n)
    risk = 1 / (1 + np.exp(-x))
    found = accuracy_over_time(time, np.ones(n), risk[:, None], [0.8])
    case = time <= 0.8
    loss = (case - risk) ** 2
    error = {name: np.sqrt((changes**2).sum()) for name, changes in found.influence.items()}
    assert error["brier"] == pytest.approx(loss.std() / np.sqrt(n), rel=1e-9)
    wins = (risk[case][:, None] > risk[~case]).astype(float)
    by_case, by_control = wins.mean(axis=1), wins.mean(axis=0)
    delong = by_case.var() / case.sum() + by_control.var() / (~case).sum()
    assert error["auc"] == pytest.approx(np.sqrt(delong), rel=1e-9)


def test_uno_and_its_error_do_not_depend_on_blocks(monkeypatch):
    x, time, status = cohort(np.random.default_rng(3), 300, competing=False, digits=1)
    x = np.round(x, 1)  # tied scores
    whole = uno_concordance(time, status, x, horizon=1.1)
    monkeypatch.setattr("discovery.survival.discrimination.BLOCK", 7)
    apart = uno_concordance(time, status, x, horizon=1.1)
    assert (apart.estimate, apart.se) == pytest.approx((whole.estimate, whole.se), rel=1e-10)


def test_the_table_gives_intervals_and_says_of_what():
    x, time, status = cohort(np.random.default_rng(4), 250, competing=False)
    table = prediction_table(time, status, {"x": x[:, None]}, np.random.default_rng(1)).table
    measures = ["AUC at", "Brier score at", "integrated Brier score", "scaled Brier score", "Uno C"]
    rows = table[table["measure"].isin(measures)]
    assert set(rows["measure"]) == set(measures)
    assert ((rows["ci_low"] < rows["estimate"]) & (rows["estimate"] < rows["ci_high"])).all()
    assert rows["method"].str.endswith("interval given these predictions, from the patients' influence").all()


def test_a_perfect_order_has_no_interval_and_says_why():
    time = np.linspace(0.01, 2, 120)
    risk = np.tile(np.linspace(1, 0, 120)[:, None], 2)
    found = accuracy_over_time(time, np.ones(120), risk, [0.5, 1.0]).table
    assert (found["auc"] == 1).all()
    assert found[["auc_low", "auc_high"]].isna().all(axis=None)
    table = prediction_table(time, np.ones(120), {"x": -time[:, None]}, np.random.default_rng(1)).table
    perfect = table[(table["measure"] == "AUC at") & (table["estimate"] == 1)]
    assert len(perfect)
    assert set(perfect["note"]) == {"no interval: the estimate is at the end of its scale"}


def test_coverage_given_the_predictions(full_validity):
    # Truth: the same risks judged in 100,000 patients without censoring; risks wrong on purpose.
    runs, n, at = (2000 if full_validity else 300), 150, [0.4, 0.9]
    rng = np.random.default_rng(20261126)

    def draw(size, *, censored):
        x = rng.normal(size=size)
        own, other = rng.exponential(np.exp(-0.8 * x)), rng.exponential(2, size)
        limit = rng.uniform(0.2, 3, size) if censored else np.full(size, 50.0)
        time = np.minimum(np.minimum(own, other), limit)
        status = np.where(time == own, 1, np.where(time == other, 2, 0))
        return time, status, 1 / (1 + np.exp(-(0.5 * x[:, None] + np.log(at))))

    truth = accuracy_over_time(*draw(100_000, censored=False), at)
    covered = dict.fromkeys(["auc", "brier", "scaled", "integrated"], 0.0)
    for _ in range(runs):
        found = accuracy_over_time(*draw(n, censored=True), at)
        for name in ("auc", "brier", "scaled"):
            low, high = found.table[f"{name}_low"], found.table[f"{name}_high"]
            covered[name] += ((low <= truth.table[name]) & (truth.table[name] <= high)).mean()
        _, low, high = found.integrated("brier")
        covered["integrated"] += low <= truth.integrated("brier")[0] <= high
    rates = {name: count / runs for name, count in covered.items()}
    near = 0.015 + 3.5 * np.sqrt(0.95 * 0.05 / runs)
    assert all(abs(rate - 0.95) < near for rate in rates.values()), rates


def test_coverage_of_uno_c(full_validity):
    # Truth: the share of ordered pairs led before the horizon in 20,000 patients without censoring.
    runs, n, horizon = (2000 if full_validity else 300), 150, 1.2
    rng = np.random.default_rng(20261127)

    def draw(size, last):
        x = rng.normal(size=size)
        time, limit = rng.exponential(np.exp(-0.7 * x)), rng.uniform(0.2, last, size)
        return np.minimum(time, limit), (time <= limit).astype(int), x

    x = rng.normal(size=20_000)
    truth = uno_concordance(rng.exponential(np.exp(-0.7 * x)), np.ones(20_000), x, horizon=horizon).estimate
    covered = 0
    for _ in range(runs):
        found = uno_concordance(*draw(n, 3), horizon=horizon)
        covered += found.ci_low <= truth <= found.ci_high
    assert abs(covered / runs - 0.95) < 0.015 + 3.5 * np.sqrt(0.95 * 0.05 / runs), covered / runs
