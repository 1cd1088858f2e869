"""Curves, concordance and log-rank beside lifelines in one run, and how the cost grows with n.

python tests/benchmarks/bench_survival.py
"""

from __future__ import annotations

import time
import warnings

import numpy as np

from discovery.survival.cumulative_incidence import aalen_johansen
from discovery.survival.curves import kaplan_meier
from discovery.survival.discrimination import harrell_concordance
from discovery.survival.logrank import logrank_test

PATIENTS = 2000
SIZES = np.array([2000, 16000, 128000])


def best_of(function, repeats=3):
    seconds = []
    for _ in range(repeats):
        start = time.process_time()
        function()
        seconds.append(time.process_time() - start)
    return min(seconds)


def beside_lifelines() -> None:
    from lifelines import AalenJohansenFitter, KaplanMeierFitter
    from lifelines.statistics import multivariate_logrank_test
    from lifelines.utils import concordance_index

    rng, n = np.random.default_rng(1), PATIENTS
    duration, status = rng.exponential(1, n), rng.integers(0, 3, n)
    score, group, event = rng.normal(size=n), rng.integers(0, 3, n), (status == 1).astype(int)
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
    print(f"{n} patients, CPU time    lifelines (ms)    ours (ms)   ratio")
    for name, (theirs, ours) in pairs.items():
        a, b = best_of(theirs), best_of(ours)
        print(f"{name:22s} {1000 * a:16.2f} {1000 * b:12.2f} {a / b:7.1f}")


def growth() -> None:
    rng = np.random.default_rng(2)
    for function in (kaplan_meier, aalen_johansen):
        seconds = []
        for n in SIZES:
            duration, event = rng.exponential(1, n), rng.integers(0, 2, n)
            seconds.append(best_of(lambda d=duration, e=event, f=function: f(d, e), 7))
        slope = np.polyfit(np.log(SIZES), np.log(seconds), 1)[0]
        print(f"{function.__name__}: log-log slope {slope:.2f} over n = {SIZES.tolist()}")


if __name__ == "__main__":
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        beside_lifelines()
        growth()
