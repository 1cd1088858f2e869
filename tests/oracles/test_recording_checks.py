"""The rows of hemodynamic_checks.csv about units, lines, quality and sampling site."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from discovery.recordings.assessment import assess
from discovery.recordings.beat_quality import level_shift
from discovery.recordings.line_dynamics import (
    damping_from_ratio,
    second_order_gain,
    step_overshoot,
    undamped_frequency,
)
from discovery.recordings.migration import Levels, site_after_step
from discovery.recordings.recording import Channel
from discovery.recordings.units import PASCAL_PER_MMHG, PRESSURE, conversion


@pytest.fixture(scope="module")
def row(shared):
    table = pd.read_csv(shared / "hemodynamic_checks.csv", keep_default_na=False).set_index("check_id")

    def get(check_id):
        found = table.loc[check_id]
        return json.loads(found["inputs"]), json.loads(found["expected"]), float(found["tolerance"])

    return get


def near(got, expected, tolerance):
    assert got == pytest.approx(expected, abs=tolerance, rel=0)


@pytest.mark.parametrize("check_id", ["U01", "U02"])
def test_mmhg_to_kpa(row, check_id):
    given, expected, tolerance = row(check_id)
    near(given["mmHg"] / conversion("kPa", "rv")[1], expected, tolerance)
    assert pytest.approx(133.322387415, abs=1e-9) == PASCAL_PER_MMHG


def test_kpa_and_water_to_mmhg(row):
    given, expected, tolerance = row("U03")
    near(given["kPa"] * conversion("kPa", "rv")[1], expected, tolerance)
    given, expected, tolerance = row("U04")
    near(given["cmH2O"] * conversion("cm[H2O]", "cvp")[1], expected, tolerance)
    given, expected, tolerance = row("U05")
    near(given["height_cm"] * PRESSURE["cmH2O"], expected, tolerance)
    given, expected, tolerance = row("P15")
    near(-given["transducer_raised_cm"] * PRESSURE["cmH2O"], expected, tolerance)


def test_frequency_and_ratio_read_from_paper(row):
    given, expected, tolerance = row("G01")
    near(given["paper_speed_mm_s"] / given["period_mm"], expected, tolerance)
    given, expected, tolerance = row("G02")
    near(given["smaller_mm"] / given["larger_mm"], expected, tolerance)
    given, expected, tolerance = row("G08")
    near(1000.0 / given["peak_interval_ms"], expected, tolerance)


@pytest.mark.parametrize("check_id", ["G03", "G05"])
def test_damping_from_half_cycles(row, check_id):
    given, expected, tolerance = row(check_id)
    near(damping_from_ratio(given["amplitude_ratio"], excursions="half-cycle"), expected, tolerance)


def test_damping_from_full_cycles_overshoot_frequency_and_gain(row):
    given, expected, tolerance = row("G04")
    near(damping_from_ratio(given["amplitude_ratio"], excursions="full cycle"), expected, tolerance)
    given, expected, tolerance = row("G06")
    near(step_overshoot(given["damping_coefficient"]), expected, tolerance)
    given, expected, tolerance = row("G07")
    near(undamped_frequency(given["damped_frequency_hz"], given["damping_coefficient"]), expected, tolerance)
    given, expected, tolerance = row("G10")
    gain = second_order_gain(
        given["frequency_hz"], given["natural_frequency_hz"], given["damping_coefficient"]
    )
    near(gain, expected, tolerance)


def test_flatline_and_saturation(row):
    given, expected, tolerance = row("Q01")
    flat = np.full(2 * given["fs_hz"], 12.3)
    windows = assess(Channel("rv", "p", "mmHg", given["fs_hz"], 0.0, flat)).windows
    near(windows["sq_flatline_fraction"].item(), expected, tolerance)
    given, expected, tolerance = row("Q02")
    t = np.arange(given["fs_hz"]) / given["fs_hz"]
    clipped = np.minimum(100 * np.sin(2 * np.pi * t), 60.0)
    within = clipped[clipped > -30]  # the part beyond -30 mmHg counts as saturated by its own rule
    windows = assess(Channel("rv", "p", "mmHg", given["fs_hz"], 0.0, clipped)).windows
    beyond = 1 - within.size / clipped.size
    near(windows["sq_saturation_fraction"].item() - beyond, expected, tolerance)


def test_level_shift(row):
    given, expected, tolerance = row("Q03")
    found = level_shift(given["before"], given["after"])
    assert found is not None
    near(found.shift, expected["shift_mmHg"], tolerance)
    near(found.pulse_change, expected["pulse_pressure_change"], tolerance)
    near(found.water_cm, expected["equivalent_cm_water"], tolerance)


@pytest.mark.parametrize("check_id", ["Q04", "Q05"])
def test_sampling_site_after_a_step(row, check_id):
    given, expected, _ = row(check_id)

    def levels(values):
        slope = values.get("normalised_diastolic_slope", np.nan)
        return Levels(values["max"], values["min"], slope, values.get("pulse_pressure", np.nan))

    assert site_after_step(levels(given["before"]), levels(given["after"])) == expected
