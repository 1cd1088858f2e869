"""The usability gates follow from what a line, a digitiser and noise do to a clean pressure."""

from __future__ import annotations

import numpy as np
import pytest

from discovery.beats.degradation import degradation_table, degraded, through_line
from discovery.recordings.line_dynamics import second_order_gain, usable

KEYS = (
    "rv_systolic_pressure", "rv_end_diastolic_pressure", "rv_minimum_diastolic_pressure", "rv_mean_pressure",
    "rv_dpdt_max", "rv_dpdt_min", "rv_systolic_duration", "rv_systolic_form_factor",
)  # fmt: skip


@pytest.fixture(scope="module")
def table(model):
    pressure = model("pub03_pah_adapted")["rvp"].to_numpy()
    return degradation_table(pressure, 250.0, KEYS, np.random.default_rng(1))


def rows(table, factor, key):
    return table[(table["factor"] == factor) & (table["feature"] == key)]


@pytest.mark.parametrize("line", [(10.0, 0.2), (15.0, 0.5), (25.0, 0.9)])
@pytest.mark.parametrize("frequency", [2.0, 8.0, 14.0])
def test_the_line_has_the_gain_of_its_formula(line, frequency):
    t = np.arange(0, 10, 1e-3)
    x = np.sin(2 * np.pi * frequency * t)
    y = through_line(x, 1000.0, *line)[5000:]
    assert np.abs(y).max() == pytest.approx(second_order_gain(frequency, *line), rel=0.01)


def test_lines_that_pass_a_gate_keep_its_features(table):
    """dP/dt within about 15 %, systolic pressure within 1 mmHg: the promise of the gates."""
    for row in table[table["factor"] == "line"].itertuples():
        gate = usable(row.natural_hz, row.damping)
        if row.feature == "rv_dpdt_max" and gate["derivative"]:
            assert abs(row.error_share) < 0.16, row
        if row.feature == "rv_systolic_pressure" and gate["levels"]:
            assert abs(row.error) < 1.0, row
        if row.feature == "rv_mean_pressure":
            assert abs(row.error) < 0.3, row


def test_an_underdamped_line_steepens_and_a_better_one_does_not(table):
    lines = rows(table, "line", "rv_dpdt_max").set_index(["natural_hz", "damping"])["error_share"]
    assert lines[(10.0, 0.2)] > 0.15
    assert lines[(10.0, 0.2)] > lines[(20.0, 0.2)] > lines[(40.0, 0.2)]
    assert abs(lines[(40.0, 0.5)]) < 0.03


def test_levels_need_no_fast_sampling_and_slopes_do(table):
    for key in ("rv_systolic_pressure", "rv_end_diastolic_pressure"):
        errors = rows(table, "sampling rate", key)
        assert errors.loc[errors["value"] >= 125, "error"].abs().max() < 0.6, key
    slopes = rows(table, "sampling rate", "rv_dpdt_max").set_index("value")["error_share"]
    assert np.isnan(slopes[60.0])  # not given at that rate
    assert slopes.loc[[125.0, 200.0, 250.0, 500.0]].abs().max() < 0.04


def test_steps_and_noise_cost_levels_little(table):
    for factor, most in (("step", 0.3), ("noise", 0.8)):
        for key in ("rv_systolic_pressure", "rv_mean_pressure"):
            assert rows(table, factor, key)["error"].abs().max() < most, (factor, key)


def test_degrading_does_what_it_says():
    x = np.sin(np.arange(1000) / 50)
    y, rate = degraded(x, 250.0, to_hz=125.0, step_mmhg=0.25)
    assert rate == 125.0
    np.testing.assert_allclose(y / 0.25, np.round(y / 0.25))
    same, _ = degraded(x, 250.0)
    np.testing.assert_array_equal(same, x)
