"""Measuring plain arrays: what a user sees, laws that features obey, and input that must be mended."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from discovery.beats import measure
from discovery.beats.measuring import onto_grid
from discovery.beats.options import Options
from discovery.beats.piece import BEAT_KEYS
from discovery.beats.registry import FEATURES
from discovery.problems import InputError


@pytest.fixture(scope="module")
def noisy(drawn):
    t, p, _ = drawn(rate=250.0, seconds=120.0, peak=40.0)
    return p + 1.5 * np.sin(2 * np.pi * 0.25 * t) + np.random.default_rng(2).normal(0, 0.2, p.size)


@pytest.fixture(scope="module")
def plain(noisy):
    return measure(noisy, 250.0, site="RV")


def test_the_contract_columns_come_first(plain):
    first = ["t_ed", "t_dpdt_max", "accepted", "reason", "sampling_site"]
    assert list(plain.beats.columns[:5]) == first
    assert set(BEAT_KEYS) <= set(plain.beats.columns)
    assert plain.beats["accepted"].mean() > 0.95
    assert ((plain.beats["reason"] == "") == plain.beats["accepted"]).all()


def test_the_input_is_not_changed(noisy):
    before = noisy.copy()
    measure(noisy, 250.0)
    np.testing.assert_array_equal(noisy, before)


@settings(deadline=None, max_examples=8)
@given(offset=st.floats(-9, 9))
def test_offset_free_features_do_not_move_with_the_zero(noisy, plain, offset):
    """Everything the registry calls offset-free, in beats and in windows."""
    moved = measure(noisy + offset, 250.0, site="RV")
    both = (plain.beats["accepted"] & moved.beats["accepted"]).to_numpy()
    assert both.sum() > 100
    windows = np.isfinite(moved.windows["rv_systolic_pressure"].to_numpy())
    for key, feature in FEATURES.items():
        if not feature.offset_free or feature.applies_to:
            continue
        if key in plain.beats.columns and not key.startswith("sq_"):
            a, b = (m.beats[key].to_numpy()[both] for m in (plain, moved))
            np.testing.assert_allclose(a, b, rtol=1e-5, atol=1e-5, err_msg=key)
        elif key in plain.windows.columns and feature.level == "ensemble":
            a, b = (m.windows[key].to_numpy(dtype=float)[windows] for m in (plain, moved))
            np.testing.assert_allclose(a, b, rtol=1e-3, atol=1e-4, err_msg=key)


def test_levels_move_by_the_offset_and_ratios_with_raw_pressure_change(noisy, plain):
    moved = measure(noisy + 5.0, 250.0, site="RV")
    for key in ("rv_systolic_pressure", "rv_end_diastolic_pressure", "rv_epad", "rv_mean_pressure"):
        np.testing.assert_allclose(moved.accepted[key] - plain.accepted[key], 5.0, atol=1e-6)
    assert (moved.accepted["rvedp_rvsp_ratio"] > plain.accepted["rvedp_rvsp_ratio"]).all()
    shift = moved.windows["rv_relaxation_asymptote"] - plain.windows["rv_relaxation_asymptote"]
    np.testing.assert_allclose(shift, 5.0, atol=0.05)
    assert (moved.windows["rv_tau_weiss"] > plain.windows["rv_tau_weiss"]).all()


@pytest.mark.parametrize("gain", [0.7, 1.6])
def test_gain_scales_pressures_and_leaves_times(noisy, plain, gain):
    scaled = measure(gain * noisy, 250.0, site="RV")
    a, b = plain.accepted, scaled.accepted
    assert len(a) == len(b)
    for key in ("rv_developed_pressure", "rv_dpdt_max", "rv_pulse_pressure", "rv_mean_pressure"):
        np.testing.assert_allclose(b[key], gain * a[key], rtol=1e-6)
    for key in ("rr_interval", "rv_systolic_duration", "rv_time_to_dpdt_max", "rv_dpdt_ratio"):
        np.testing.assert_allclose(b[key], a[key], rtol=1e-6)
    np.testing.assert_allclose(b["rv_phase_plane_area"], gain**2 * a["rv_phase_plane_area"], rtol=1e-6)
    np.testing.assert_allclose(
        scaled.windows["rv_systolic_form_factor"], plain.windows["rv_systolic_form_factor"], rtol=1e-4
    )


@pytest.mark.parametrize("rate", [125.0, 200.0, 500.0, 1000.0])
def test_the_sampling_rate_moves_features_little(drawn, rate):
    """Against 2000 samples a second, noise-free; the size of each error is that of the filter there."""
    _, fine, _ = drawn(rate=2000.0, seconds=30.0)
    reference = measure(fine, 2000.0, site="RV").accepted.median(numeric_only=True)
    got = measure(fine[:: round(2000 / rate)], rate, site="RV").accepted.median(numeric_only=True)
    assert abs(got["rv_systolic_pressure"] - reference["rv_systolic_pressure"]) < 0.1
    assert abs(got["rv_end_diastolic_pressure"] - reference["rv_end_diastolic_pressure"]) < 0.4
    assert abs(got["rv_minimum_diastolic_pressure"] - reference["rv_minimum_diastolic_pressure"]) < 0.3
    assert got["rv_dpdt_max"] == pytest.approx(reference["rv_dpdt_max"], rel=0.04)
    assert got["rv_systolic_duration"] == pytest.approx(reference["rv_systolic_duration"], abs=8)
    assert got["rv_mean_pressure"] == pytest.approx(reference["rv_mean_pressure"], abs=0.05)


def test_sampling_rate_and_line_decide_what_is_given(noisy):
    slow = measure(noisy[::5], 50.0, site="RV")
    assert slow.beats["rv_dpdt_max"].isna().all()
    assert slow.confidence["rv_systolic_pressure"] == "none"
    at125 = measure(noisy[::2], 125.0, site="RV")
    assert at125.confidence["rv_dpdt_max"] == "low"
    assert at125.confidence["rv_tau_exponential"] == "none"
    assert at125.windows["rv_tau_exponential"].isna().all()
    poor = measure(noisy, 250.0, site="RV", line=(10.0, 0.4))
    assert poor.beats["rv_dpdt_max"].isna().all()
    assert poor.beats["rv_minimum_diastolic_pressure"].isna().all()
    assert poor.beats["rv_systolic_pressure"].notna().all()
    good = measure(noisy, 250.0, site="RV", line=(40.0, 0.3))
    assert good.confidence["rv_dpdt_max"] == "sure"
    assert measure(noisy, 250.0, site="RV", micromanometer=True).confidence["rv_pmax"] == "sure"


def test_missing_samples_cost_their_beats_only(noisy, plain):
    gappy = noisy.copy()
    gappy[250 * 40 : 250 * 43] = np.nan
    got = measure(gappy, 250.0, site="RV")
    kept = got.accepted
    assert not ((kept["t_dpdt_max"] > 40) & (kept["t_dpdt_max"] < 43)).any()
    far = plain.accepted[(plain.accepted["t_ed"] < 35) | (plain.accepted["t_ed"] > 48)]
    same = kept[(kept["t_ed"] < 35) | (kept["t_ed"] > 48)]
    np.testing.assert_allclose(same["rv_systolic_pressure"], far["rv_systolic_pressure"], atol=1e-3)


def test_known_amplitude_of_breathing_and_of_alternation(drawn):
    onsets = np.arange(0.3, 119.5, 0.8)
    peaks = 38.0 + np.where(np.arange(onsets.size) % 2, 2.0, -2.0)
    t, p, _ = drawn(seconds=120.0, onsets=onsets, peaks=peaks)
    window = measure(p + 2.0 * np.sin(2 * np.pi * 0.2 * t), 250.0, site="RV").windows.iloc[0]
    assert window["respiratory_rate"] == pytest.approx(12.0, abs=0.3)
    assert window["pulsus_alternans_amplitude"] == pytest.approx(4.0, abs=0.5)
    swing = window["rv_minimum_diastolic_pressure_respiratory_swing"]
    assert 3.4 < swing <= 4.2  # a swing of 4, seen at one beat in 0.8 s


def test_end_expiration_is_high_or_low_as_the_mode_says(noisy):
    free = measure(noisy, 250.0, site="RV", ventilation="spontaneous").windows
    blown = measure(noisy, 250.0, site="RV", ventilation="positive_pressure").windows
    unknown = measure(noisy, 250.0, site="RV").windows
    key = "rv_end_diastolic_pressure"
    assert (free[key] > unknown[key] + 0.8).all()
    assert (blown[key] < unknown[key] - 0.8).all()


def test_flow_values_are_the_nearest_within_six_hours(model):
    record = model("pub01_normal")
    spots = [(-5 * 3600.0, 4.0), (10.0, 5.0), (50000.0, 9.0)]
    got = measure(record["rvp"], 250.0, pa=record["pap"], site="RV", cardiac_output=spots)
    assert got.windows["cardiac_output"].iloc[0] == 5.0
    late = measure(record["rvp"], 250.0, site="RV", cardiac_output=[(1e6, 5.0)])
    assert late.windows["cardiac_output"].isna().all()


def test_saturation_brings_its_episodes(noisy):
    svo2 = np.full(120, 72.0)
    svo2[30:95] = 55.0
    record = measure(noisy, 250.0, site="RV", svo2=svo2).record
    assert record["venous_desaturation_episode_count"] == 1
    assert record["venous_desaturation_duration"] == pytest.approx(65 / 60)
    assert record["venous_desaturation_area"] == pytest.approx(5 * 65 / 60)


def test_pulmonary_pressure_alone(model):
    got = measure(None, 250.0, pa=model("pub01_normal")["pap"], site="PA")
    assert got.beats["accepted"].mean() > 0.9
    assert (got.accepted["sampling_site"] == "PA").all()
    assert got.beats["rv_systolic_pressure"].isna().all()
    assert got.windows["pa_fractional_time_to_half_area"].notna().all()


def test_the_site_decides_what_is_measured(real):
    """dev01: ventricle, artery, ventricle, artery, wedge, artery in one lumen (labels by eye)."""
    got = measure(real("dev01"), 125.0).accepted
    rv, pa = got["rv_systolic_pressure"].notna(), got["pa_systolic_pressure"].notna()
    assert not (rv & pa).any()
    assert (rv == (got["sampling_site"] == "RV")).all()
    early = got[got["t_ed"] < 110]
    assert early["rv_systolic_pressure"].notna().mean() > 0.98


def test_venous_pressure_and_ecg_give_its_waves(drawn):
    rate, seconds = 250.0, 60.0
    t, p, onsets = drawn(rate=rate, seconds=seconds)
    cvp, ecg = np.full(t.size, 6.0), np.zeros(t.size)
    for start in onsets:
        r = start - 0.06
        ecg += np.exp(-0.5 * ((t - r) / 0.012) ** 2)
        cvp += 3.0 * np.exp(-0.5 * ((t - r + 0.09) / 0.03) ** 2)  # a wave to 9
        cvp += 2.0 * np.exp(-0.5 * ((t - r - 0.4) / 0.05) ** 2)  # v wave to 8
    got = measure(p, rate, cvp=cvp, ecg=ecg, site="RV").accepted
    assert got["cvp_a_wave"].median() == pytest.approx(9.0, abs=0.15)
    assert got["cvp_v_wave"].median() == pytest.approx(8.0, abs=0.15)
    assert got["cvp_y_descent"].median() == pytest.approx(2.0, abs=0.2)


def test_every_fault_is_listed_at_once(noisy):
    with pytest.raises(InputError) as caught:
        measure(noisy.reshape(2, -1), -5, pa=["x"], site="RVV", ventilation="odd", widow_s=60)
    text = str(caught.value)
    for words in (
        "one-dimensional",
        "samples a second",
        "an array of numbers",
        "did you mean 'RV'",
        "window_s",
    ):
        assert words in text
    with pytest.raises(InputError, match="both pressure and pa are missing"):
        measure(None, 250.0)
    with pytest.raises(InputError) as caught:
        Options(ventilation="spontanous", window_s=5, height_cm=1, pawp=[1, 2, 3])
    assert len(caught.value.problems) == 4
    assert "did you mean 'spontaneous'?" in str(caught.value)


@pytest.mark.parametrize(
    "values", [np.full(1000, np.nan), np.zeros(10), np.array([5.0]), np.full(5000, 7.0), np.arange(3.0)]
)
@pytest.mark.parametrize("site", ["auto", "RV"])
def test_records_without_beats_give_empty_tables(values, site):
    got = measure(values, 125.0, site=site)
    assert not got.beats["accepted"].any() if len(got.beats) else True
    assert {"t_ed", "t_dpdt_max", "accepted", "reason", "sampling_site"} <= set(got.beats.columns)


def test_another_grid_keeps_what_both_can_carry():
    t = np.arange(0, 20, 1 / 500)
    slow = onto_grid(np.sin(2 * np.pi * 3 * t), 500.0, 125.0, 2500)
    np.testing.assert_allclose(slow[50:-50], np.sin(2 * np.pi * 3 * np.arange(2500) / 125)[50:-50], atol=2e-3)
    aliased = onto_grid(np.sin(2 * np.pi * 110 * t), 500.0, 125.0, 2500)
    assert np.abs(aliased[50:-50]).max() < 0.1
    short = onto_grid(np.ones(10), 125.0, 125.0, 20)
    assert np.isnan(short[10:]).all()


def test_sites_from_a_table_and_their_faults(noisy):
    table = pd.DataFrame({"start_s": [0.0, 60.0], "end_s": [60.0, 120.0], "sampling_site": ["RV", "wedge"]})
    got = measure(noisy, 250.0, site=table)
    assert got.accepted["t_dpdt_max"].max() < 60
    assert (got.beats.loc[got.beats["t_dpdt_max"] > 61, "reason"] != "").all()
    with pytest.raises(InputError, match="do not overlap"):
        measure(noisy, 250.0, site=table.assign(end_s=[90.0, 120.0]))
    with pytest.raises(InputError, match="sampling_site"):
        measure(noisy, 250.0, site=table[["start_s", "end_s"]])
