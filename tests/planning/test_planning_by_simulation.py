"""Closed forms of planning against what happens in simulated studies."""

from __future__ import annotations

import numpy as np
import pytest

from discovery.kernels.cox import screen_cox
from discovery.kernels.logistic import screen_logistic
from discovery.planning.events import (
    events_for_marker,
    patients_for_correlation,
    patients_for_logistic_marker,
)

STUDIES = 400
LIMIT = 4 * np.sqrt(0.8 * 0.2 / STUDIES)


def p_value(fit) -> np.ndarray:
    from scipy.stats import norm

    return 2 * norm.sf(np.abs(fit.z))


@pytest.mark.parametrize("reliability", [1.0, 0.7])
def test_cox_marker_is_found_as_often_as_planned(reliability):
    rng = np.random.default_rng(21)
    n = round(events_for_marker(1.35, reliability=reliability))  # nobody is censored: events are patients
    found = 0
    for _ in range(STUDIES):
        true = rng.normal(size=n)
        seen = np.sqrt(reliability) * true + np.sqrt(1 - reliability) * rng.normal(size=n)
        time = rng.exponential(np.exp(-np.log(1.35) * true))
        found += p_value(screen_cox(time, np.ones(n), None, seen[:, None]))[0] < 0.05
    assert abs(found / STUDIES - 0.8) < LIMIT + 0.03


def test_logistic_marker_is_found_as_often_as_planned():
    rng = np.random.default_rng(22)
    n = round(patients_for_logistic_marker(1.4, 0.4))
    found = 0
    for _ in range(STUDIES):
        x = rng.normal(size=n)
        y = (rng.random(n) < 1 / (1 + np.exp(-(np.log(0.4 / 0.6) + np.log(1.4) * x)))).astype(float)
        found += p_value(screen_logistic(y, None, x[:, None]))[0] < 0.05
    assert abs(found / STUDIES - 0.8) < LIMIT + 0.03


def test_correlation_is_found_as_often_as_planned():
    from scipy.stats import pearsonr

    rng = np.random.default_rng(23)
    n = round(patients_for_correlation(0.3))
    found = 0
    for _ in range(STUDIES):
        x = rng.normal(size=n)
        y = 0.3 * x + np.sqrt(1 - 0.09) * rng.normal(size=n)
        found += pearsonr(x, y).pvalue < 0.05
    assert abs(found / STUDIES - 0.8) < LIMIT
