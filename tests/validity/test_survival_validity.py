"""Simulations with known truth: level of the tests of groups, coverage of the intervals of curves.

The truth is drawn here; the limits are binomial, 3.5 standard errors wide, around the nominal level. Few
events make asymptotic intervals a little short, which the stated slack allows for. `--validity` runs
ten times as many.
"""

from __future__ import annotations

import numpy as np
import pytest

from discovery.survival.cumulative_incidence import aalen_johansen
from discovery.survival.curves import kaplan_meier, median
from discovery.survival.discrimination import harrell_concordance
from discovery.survival.logrank import grays_test, logrank_test
from discovery.survival.proportional_hazards import proportional_hazards_test
from discovery.survival.restricted_mean import restricted_mean, restricted_mean_difference

pytestmark = pytest.mark.validity
SEED = 20261125
STANDARD_ERRORS = 3.5


def near(rate, nominal, runs, *, slack=0.0):
    return abs(rate - nominal) < slack + STANDARD_ERRORS * np.sqrt(nominal * (1 - nominal) / runs)


def follow(rng, n, *, rate=1.0, entry=False):
    """Exponential times of two causes (rates 1 and .5), uniform censoring, optionally late entry."""
    own, other = rng.exponential(1 / rate, n), rng.exponential(2, n)
    limit = rng.uniform(0.5, 3, n)
    time = np.minimum(np.minimum(own, other), limit)
    status = np.where(limit == time, 0, np.where(own < other, 1, 2))
    came = rng.uniform(-0.5, 0.4, n) if entry else np.full(n, -1.0)
    kept = came < time
    return time[kept], status[kept], came[kept]


def test_level_of_tests_of_groups(full_validity):
    runs = 2000 if full_validity else 200
    rng = np.random.default_rng(SEED)
    hits = dict.fromkeys(["logrank", "peto", "stratified", "entry", "gray", "rmst", "ph"], 0)
    for _ in range(runs):
        time, status, came = follow(rng, 120, entry=True)
        n = len(time)
        group, stratum = rng.integers(0, 3, n), rng.integers(0, 2, n)
        event = (status == 1).astype(int)
        hits["entry"] += logrank_test(time, event, group, entry=came).p_value < 0.05
        time, status, _ = follow(rng, 120)
        group, stratum = rng.integers(0, 3, 120), rng.integers(0, 2, 120)
        event = (status == 1).astype(int)
        hits["logrank"] += logrank_test(time, event, group).p_value < 0.05
        hits["peto"] += logrank_test(time, event, group, test="peto").p_value < 0.05
        hits["stratified"] += logrank_test(time, event, group, stratum=stratum).p_value < 0.05
        hits["gray"] += grays_test(time, status, group).p_value < 0.05
        a, b = (restricted_mean(time[stratum == g], event[stratum == g], 1.0) for g in (0, 1))
        hits["rmst"] += restricted_mean_difference(a, b).p_value < 0.05
        table = proportional_hazards_test(time, event, rng.normal(size=120), transform="rank")
        hits["ph"] += table["p_value"][0] < 0.05
    rates = {name: count / runs for name, count in hits.items()}
    assert all(near(rate, 0.05, runs, slack=0.01) for rate in rates.values()), rates


@pytest.mark.parametrize("entry", [False, True])
def test_coverage_of_curves(full_validity, entry):
    runs, n, at = (4000 if full_validity else 400), 100, 0.7
    rng = np.random.default_rng(SEED)
    truth = np.exp(-1.0 * at)
    incidence = 1 / 1.5 * (1 - np.exp(-1.5 * at))
    names = ["log-log", "log", "plain", "jackknife", "delta", "median"]
    covered = dict.fromkeys(names, 0)
    for _ in range(runs):
        time, status, came = follow(rng, n, entry=entry)
        options = {"entry": came} if entry else {}
        for interval in ("log-log", "log", "plain"):
            curve = kaplan_meier(time, status == 1, interval=interval, **options)
            low, high = curve.interval_at(at)
            covered[interval] += bool(low <= truth <= high)
            if interval == "log-log":
                m = median(curve)
                covered["median"] += not (m.ci_low > np.log(2)) and not (m.ci_high < np.log(2))
        for variance in ("jackknife", "delta"):
            low, high = aalen_johansen(time, status, causes=[1], variance=variance, **options).interval_at(at)
            covered[variance] += bool(low[0] <= incidence <= high[0])
    rates = {name: count / runs for name, count in covered.items()}
    assert all(near(rate, 0.95, runs, slack=0.015) for rate in rates.values()), rates


def test_coverage_of_harrell_c(full_validity):
    # The truth by one sample of 200,000 pairs' worth: the limit of C under this censoring.
    runs, n = (2000 if full_validity else 300), 120
    rng = np.random.default_rng(SEED)

    def draw(size):
        score = rng.normal(size=size)
        time, limit = rng.exponential(np.exp(-0.7 * score)), rng.uniform(0.2, 3, size)
        return np.minimum(time, limit), (time <= limit).astype(int), score

    truth = harrell_concordance(*draw(200_000)).estimate
    covered = 0
    for _ in range(runs):
        c = harrell_concordance(*draw(n))
        covered += c.ci_low <= truth <= c.ci_high
    assert near(covered / runs, 0.95, runs, slack=0.015), covered / runs
