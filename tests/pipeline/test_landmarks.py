"""Outcomes judged from a landmark: arithmetic, refusals in words, immortal time taken out (known truth)."""

from __future__ import annotations

import shutil
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from discovery.association.design import build_design
from discovery.association.screen import screen
from discovery.pipeline.check import check
from discovery.pipeline.landmarks import at_landmark
from discovery.problems import InputError
from discovery.study import Outcome


def outcome(time, status):
    ids = np.arange(len(time)).astype(str)
    return Outcome(name="o", kind="survival", label="o", patient_id=ids, time=time, status=status)


def test_times_start_at_the_landmark_and_reasons_are_counted():
    time = np.array([1.0, 2, 5, 9, np.nan, 12])
    status = np.array([1.0, 2, 0, 1, 1, 0])
    found = at_landmark(outcome(time, status), 5)
    np.testing.assert_array_equal(found.time, [np.nan, np.nan, np.nan, 4, np.nan, 7])
    reasons = {reason: int(gone.sum()) for reason, gone in found.left_out}
    assert reasons == {
        "event before the landmark at 5": 1,
        "competing event before the landmark at 5": 1,
        "follow-up ended before the landmark at 5": 1,
    }
    np.testing.assert_array_equal(found.known, [False, False, False, True, False, True])
    with pytest.raises(InputError, match="an event after the landmark"):
        at_landmark(outcome(time, np.array([1.0, 2, 0, 0, 1, 0])), 5)


@pytest.mark.parametrize(("landmark", "words"), [("90000", "nobody is followed"), ("-3", "a time above 0")])
def test_a_landmark_that_leaves_nobody_is_refused(root, tmp_path, landmark, words):
    shutil.copytree(root / "cohorts" / "rotterdam", tmp_path / "cohort")
    path = tmp_path / "cohort" / "study.toml"
    text = path.read_text(encoding="utf-8").replace("unit =", f"landmark = {landmark}\nunit =")
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words):
        check(tmp_path / "cohort")


def test_a_count_over_a_window_protects_from_time_0_and_not_from_the_landmark():
    # A useless count collects as long as a patient lives within the window of 1: immortal time.
    rng = np.random.default_rng(5)
    n = 800
    time = rng.exponential(2.5, n)
    end = rng.uniform(2, 6, n)
    seen, status = np.minimum(time, end), (time <= end).astype(float)
    count = rng.poisson(8 * np.minimum(seen, 1.0)).astype(float)
    whole = outcome(seen, status)
    covariates = pd.DataFrame(index=pd.Index(whole.patient_id))
    features = pd.DataFrame({"count": count}, index=covariates.index)

    def z(version):
        table = screen(build_design(version, covariates, features), permutations=0).table
        row = table[table["feature"] == "count"].iloc[0]
        return row["estimate"], row["p_value"]

    naive, naive_p = z(whole)
    assert naive < -0.3
    assert naive_p < 1e-10
    landmarked, p = z(at_landmark(whole, 1.0))
    assert abs(landmarked) < 0.12
    assert p > 0.01
    assert replace(whole).landmark is None
