"""Curves and concordance against lifelines in one run: at least as fast, at sizes a cohort has."""

from __future__ import annotations

import time
import warnings

import numpy as np
import pytest

from discovery.survival.cumulative_incidence import aalen_johansen
from discovery.survival.curves import kaplan_meier
from discovery.survival.discrimination import harrell_concordance
from discovery.survival.logrank import logrank_test


def best_of(function, repeats=3):
    seconds = []
    for _ in range(repeats):
        start = time.process_time()
        function()
        seconds.append(time.process_time() - start)
    return min(seconds)


@pytest.fixture(scope="module")
def cohort():
    rng = np.random.default_rng(1)
    n = 2000
    return rng.exponential(1, n), rng.integers(0, 3, n), rng.normal(size=n), rng.integers(0, 3, n)


def test_at_least_as_fast_as_lifelines(cohort):
    from lifelines import AalenJohansenFitter, KaplanMeierFitter
    from lifelines.statistics import multivariate_logrank_test
    from lifelines.utils import concordance_index

    duration, status, score, group = cohort
    event = (status == 1).astype(int)
    harrell_concordance(duration, event, score)  # compiled before the clock starts
    pairs = {
        "Kaplan-Meier": (
            lambda: KaplanMeierFitter().fit(duration, event),
            lambda: kaplan_meier(duration, event),
        ),
        "Aalen-Johansen": (
            lambda: AalenJohansenFitter().fit(duration, status, 1),
            lambda: aalen_johansen(duration, status, causes=[1]),
        ),
        "concordance": (
            lambda: concordance_index(duration, -score, event),
            lambda: harrell_concordance(duration, event, score),
        ),
        "log-rank": (
            lambda: multivariate_logrank_test(duration, group, event),
            lambda: logrank_test(duration, event, group),
        ),
    }
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        ratios = {name: best_of(theirs) / best_of(ours) for name, (theirs, ours) in pairs.items()}
    assert min(ratios.values()) > 1, ratios


def test_cost_grows_like_n():
    sizes = np.array([2000, 16000, 128000])
    rng = np.random.default_rng(2)
    for function in (kaplan_meier, aalen_johansen):
        seconds = []
        for n in sizes:
            duration, event = rng.exponential(1, n), rng.integers(0, 2, n)
            seconds.append(best_of(lambda d=duration, e=event, f=function: f(d, e), 7))
        slope = np.polyfit(np.log(sizes), np.log(seconds), 1)[0]
        # Sorting is n log n and large arrays leave the cache: 1.1 on a quiet machine.
        assert slope < 1.25, (function.__name__, seconds)
