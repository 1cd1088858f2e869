"""Patient rows: each number against pandas on the same windows, and reasons for what is missing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.problems import InputError
from discovery.summaries.patient_rows import REASONS, combined_records, patient_rows, running_clock


def windows(patient="P1", visit=1, recording="a", n=40, valid=None, **features):
    rng = np.random.default_rng(7)
    start = 60.0 * np.arange(n)
    table = pd.DataFrame(
        {
            "recording": recording, "patient_id": patient, "visit": visit, "start_s": start,
            "end_s": start + 60, "sampling_site": "RV", "n_beats": 75, "n_accepted": 70,
            "valid": np.ones(n, bool) if valid is None else valid,
            "rv_systolic_pressure": rng.normal(40, 3, n),
            "rv_end_diastolic_pressure": np.linspace(5, 15, n),
            "rv_filling_pattern": "oblique",
        }
    )  # fmt: skip
    return table.assign(**features)


def test_statistics_are_those_of_the_valid_windows():
    valid = np.arange(40) % 5 != 0
    table = windows(valid=valid)
    row = patient_rows(table).iloc[0]
    x = table.loc[valid, "rv_systolic_pressure"]
    assert row["rv_systolic_pressure"] == pytest.approx(x.median())
    assert row["rv_systolic_pressure__iqr"] == pytest.approx(x.quantile(0.75) - x.quantile(0.25))
    assert row["rv_systolic_pressure__p05"] == pytest.approx(x.quantile(0.05))
    assert row["rv_systolic_pressure__p95"] == pytest.approx(x.quantile(0.95))
    assert row["rv_systolic_pressure__n"] == 32
    assert row["rv_systolic_pressure__coverage"] == pytest.approx(0.8)
    assert row["rv_systolic_pressure__reason"] == ""
    assert row["minutes_observed"] == 40
    assert row["minutes_valid"] == 32
    assert row["n_beats"] == 40 * 75


def test_first_worst_and_last_ten_minutes():
    table = windows()
    row = patient_rows(table).iloc[0]
    edp = table["rv_end_diastolic_pressure"].to_numpy()
    assert row["rv_end_diastolic_pressure__baseline"] == pytest.approx(np.median(edp[:10]))
    assert row["rv_end_diastolic_pressure__last"] == pytest.approx(np.median(edp[-10:]))
    assert row["rv_end_diastolic_pressure__worst"] == pytest.approx(np.median(edp[-10:]), abs=1.3)
    assert row["rv_end_diastolic_pressure__worst"] >= row["rv_end_diastolic_pressure__last"]
    # systolic pressure is not monotone in dysfunction, so it has no worst
    assert np.isnan(row["rv_systolic_pressure__worst"])


def test_reasons_for_what_is_missing():
    few = windows(valid=np.arange(40) < 2)
    none = windows(valid=np.zeros(40, bool))
    absent = windows(pa_mean_pressure=np.nan, rv_tau_exponential=np.nan)
    confidence = {"rv_tau_exponential": "none"}
    assert patient_rows(few).iloc[0]["rv_systolic_pressure__reason"] == "few windows"
    assert patient_rows(none).iloc[0]["rv_systolic_pressure__reason"] == "no valid window"
    row = patient_rows(absent, confidence=confidence).iloc[0]
    assert row["pa_mean_pressure__reason"] == "not observed"
    assert row["rv_tau_exponential__reason"] == "rate or line"
    assert np.isnan(row["pa_mean_pressure"])
    for name in ("few windows", "no valid window", "not observed", "rate or line"):
        assert name in REASONS


def test_one_row_a_patient_and_visit_and_an_unknown_visit_is_kept():
    table = pd.concat(
        [windows("P1", 1, "a"), windows("P1", 2, "b"), windows("P2", np.nan, "c"), windows("P1", 1, "d")]
    )
    got = patient_rows(table)
    assert len(got) == 3
    assert got["patient_id"].tolist() == ["P1", "P1", "P2"]
    assert got.iloc[0]["rv_systolic_pressure__n"] == 80
    assert np.isnan(got.iloc[2]["visit"])


def test_recordings_of_a_visit_run_one_after_the_other():
    clock = running_clock(
        np.array(["a", "a", "b", "b"]), np.array([0.0, 60, 0, 60]), np.array([60.0, 120, 60, 120])
    )
    assert clock.tolist() == [0, 60, 120, 180]


def test_record_features_add_up_as_they_should():
    records = pd.DataFrame(
        {
            "rv_systolic_pressure_time_above_threshold": [10.0, 20.0],
            "rv_systolic_pressure_fraction_time_above_threshold": [0.5, 0.25],
            "rv_systolic_pressure_longest_episode_above_threshold": [7.0, 3.0],
            "rv_systolic_pressure_observed_min": [20.0, 80.0],
            "venous_desaturation_episode_count": [1.0, 2.0],
            "venous_desaturation_observed_min": [60.0, 120.0],
        }
    )
    got = combined_records(records)
    assert got["rv_systolic_pressure_time_above_threshold"] == 30
    assert got["rv_systolic_pressure_longest_episode_above_threshold"] == 7
    assert got["rv_systolic_pressure_fraction_time_above_threshold"] == pytest.approx(30 / 100)
    assert got["venous_desaturation_episodes_per_hour"] == 1.0
    assert combined_records(records.iloc[:0]) == {}


def test_an_absent_column_is_named():
    with pytest.raises(InputError, match="patient_id"):
        patient_rows(windows().drop(columns="patient_id"))


def test_the_readme_names_every_statistic_and_reason(root):
    from discovery.summaries.patient_rows import REASONS, STATISTICS

    readme = (root / "README.md").read_text(encoding="utf-8")
    for statistic in STATISTICS:
        assert f"`__{statistic}`" in readme, statistic
    for reason in filter(None, REASONS):
        assert f"`{reason}`" in readme, reason
    for name in ("minutes_observed", "minutes_valid", "n_windows", "n_beats", "n_accepted"):
        assert f"`{name}`" in readme, name


def test_quantiles_and_medians_are_numpys_digit_for_digit():
    from discovery.kernels.ordered import quantiles_of_ordered
    from discovery.summaries.patient_rows import SHARES, _median

    rng = np.random.default_rng(8)
    for size in (1, 2, 3, 4, 5, 8, 21, 22, 100):
        for _ in range(20):
            x = np.round(rng.normal(20, 15, size), rng.integers(0, 15))
            np.testing.assert_array_equal(quantiles_of_ordered(np.sort(x), SHARES), np.quantile(x, SHARES))
            assert _median(x) == np.median(x)
