"""Landmark analysis against the bias it is there to remove."""

from __future__ import annotations

import numpy as np
import pytest

from discovery.problems import InputError
from discovery.survival.cox import cox_model
from discovery.survival.landmark import landmark


def test_who_stays_and_who_is_counted_where():
    time = [1.0, 2.0, 3.0, 5.0, 6.0, np.nan, 2.5]
    status = [1, 0, 2, 1, 0, 1, 2]
    found = landmark(time, status, 2.5)
    assert found.kept.tolist() == [False, False, True, True, True, False, False]
    assert found.time.tolist() == [0.5, 2.5, 3.5]
    assert found.status.tolist() == [2, 1, 0]
    assert found.flow["n_left_out"].tolist() == [1, 1, 1, 1]
    assert found.flow["n"].tolist() == [6, 5, 4, 3]
    assert "competing event before the landmark" in found.flow["reason"].tolist()


def test_delayed_entry_goes_on_from_the_landmark():
    found = landmark([4.0, 5, 9], [1, 0, 1], 3, entry=[0, 4, 6])
    assert found.entry.tolist() == [0, 1, 3]
    assert found.time.tolist() == [1, 2, 6]


def test_refusals():
    with pytest.raises(InputError, match="nobody is followed beyond it"):
        landmark([1.0, 2], [1, 0], 2)
    with pytest.raises(InputError, match="a time above 0"):
        landmark([1.0, 2], [1, 0], 0)


def test_a_count_in_a_window_is_biased_from_time_zero_and_not_from_the_landmark(full_validity):
    # Truth: no effect. A count over 24 h grows with the hours lived; a third die inside the window. From
    # time 0 the count looks protective in every run; from the landmark the size of the test is nominal.
    runs, n = (1000, 300) if full_validity else (150, 300)
    rng = np.random.default_rng(20261125)
    naive, proper = 0, 0
    for _ in range(runs):
        time = rng.exponential(60, n)
        count = rng.poisson(0.3 * np.minimum(time, 24)).astype(float)
        observed, status = np.minimum(time, 200), (time <= 200).astype(int)
        naive += cox_model(observed, status, count).table()["p_value"][0] < 0.05
        later = landmark(observed, status, 24)
        proper += cox_model(later.time, later.status, count[later.kept]).table()["p_value"][0] < 0.05
    assert naive == runs
    assert proper / runs < 0.05 + 3 * np.sqrt(0.05 * 0.95 / runs)
