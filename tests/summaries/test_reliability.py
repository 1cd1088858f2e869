"""Reliability: a published worked example, a closed form, and the simulation of the methods page."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.summaries.reliability import (
    SEPARATE_SEGMENTS,
    SEPARATE_VISITS,
    WITHIN_SESSION,
    averaged_reliability,
    intraclass_correlation,
    pair_reliability,
    reliability_table,
)

# Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428, table 2: six subjects, four judges; ICC(1,1) = .17.
SHROUT_FLEISS = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], dtype=float
)


def test_icc_of_the_published_example():
    who = np.repeat(np.arange(6), 4)
    icc, low, high = intraclass_correlation(SHROUT_FLEISS.ravel(), who)
    assert round(icc, 2) == 0.17
    assert low < icc < high
    assert round(averaged_reliability(icc, 4), 2) == 0.44  # their ICC(1,4)


def test_icc_with_unequal_numbers_recovers_the_truth():
    rng = np.random.default_rng(1)
    count = rng.integers(2, 6, 3000)
    who = np.repeat(np.arange(3000), count)
    value = rng.normal(0, 1, 3000)[who] + rng.normal(0, np.sqrt(0.5), who.size)
    assert intraclass_correlation(value, who)[0] == pytest.approx(1 / 1.5, abs=0.02)


def test_interval_of_a_correlation_covers():
    rng = np.random.default_rng(2)
    hits = 0
    for _ in range(600):
        true = rng.normal(0, 1, 40)
        _r, low, high = pair_reliability(true + rng.normal(0, 0.7, 40), true + rng.normal(0, 0.7, 40))
        hits += low <= 1 / 1.49 <= high
    assert 0.93 <= hits / 600 <= 0.97  # 95 % within three Monte Carlo errors


def windows_of(rng, patients, visits, windows, day_sd, noise_sd, correlation, hours_apart=None):
    """Windows with a patient's level, a level of the day, and autocorrelated noise inside the session."""
    rows = []
    for patient in range(patients):
        level = rng.normal(0, 1)
        for visit in range(visits):
            day = level + rng.normal(0, day_sd)
            e = rng.normal(0, noise_sd)
            for w in range(windows):
                e = correlation * e + rng.normal(0, noise_sd * np.sqrt(1 - correlation**2))
                start = 60.0 * w
                if hours_apart is not None and w >= windows // 2:
                    start += 3600.0 * hours_apart
                rows.append(
                    (f"P{patient}", visit + 1, f"{patient}-{visit}", start, start + 60.0, True, day + e)
                )
    names = ["patient_id", "visit", "recording", "start_s", "end_s", "valid", "rv_systolic_pressure"]
    return pd.DataFrame(rows, columns=names)


def test_separate_visits_tell_the_truth_and_windows_of_one_do_not():
    """Day-to-day spread and autocorrelation: one session says far more than another day confirms."""
    rng = np.random.default_rng(3)
    table = windows_of(rng, 800, 2, 30, 0.6, 1.3, 0.8)
    across = reliability_table(table, ["rv_systolic_pressure"]).iloc[0]
    within = reliability_table(table[table["visit"] == 1], ["rv_systolic_pressure"]).iloc[0]
    session = table.groupby(["patient_id", "visit"])["rv_systolic_pressure"].median()
    truth = 1.0 / session.groupby("visit").var().mean()  # the patients' variance is 1
    assert across["source"] == SEPARATE_VISITS
    assert across["reliability"] == pytest.approx(truth, abs=0.06)
    assert across["usable_for_correction"]
    assert across["low"] == (across["reliability"] < 0.6)
    assert within["source"] == WITHIN_SESSION
    assert within["reliability"] > across["reliability"] + 0.25
    assert not within["usable_for_correction"]
    assert within["note"]


def test_segments_an_hour_apart_stand_in_for_visits():
    rng = np.random.default_rng(4)
    table = windows_of(rng, 300, 1, 40, 0.0, 0.8, 0.5, hours_apart=2)
    got = reliability_table(table, ["rv_systolic_pressure"]).iloc[0]
    assert got["source"] == SEPARATE_SEGMENTS
    assert got["usable_for_correction"]
    half = table.assign(late=table["start_s"] > 3600)
    means = half.groupby(["patient_id", "late"])["rv_systolic_pressure"].median().unstack()
    assert got["reliability"] == pytest.approx(np.corrcoef(means[False], means[True])[0, 1])


def test_more_than_two_visits_use_the_intraclass_correlation():
    rng = np.random.default_rng(5)
    got = reliability_table(windows_of(rng, 400, 4, 5, 0.7, 0.2, 0.0), ["rv_systolic_pressure"]).iloc[0]
    assert "ICC(1)" in got["method"]
    assert got["reliability"] == pytest.approx(1 / (1 + 0.49 + 0.04 / 5 * 1.4), abs=0.06)


def test_too_few_patients_say_so():
    rng = np.random.default_rng(6)
    got = reliability_table(windows_of(rng, 9, 2, 3, 0.5, 0.5, 0.0), ["rv_systolic_pressure"]).iloc[0]
    assert np.isnan(got["reliability"])
    assert "fewer than 10 patients" in got["note"]
    assert not got["usable_for_correction"]
