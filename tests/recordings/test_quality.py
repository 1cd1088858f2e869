"""Faults planted in a signal are counted exactly; flushes and shifts are found and measured."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import TransferFunction, lsim

from discovery.recordings.assessment import Assessor, assess
from discovery.recordings.beat_quality import level_shift, level_shifts, template_correlation, whip_index
from discovery.recordings.flush import read_ringing
from discovery.recordings.line_dynamics import damping_class, damping_from_ratio, step_overshoot, usable
from discovery.recordings.loops import flat_samples
from discovery.recordings.recording import Channel


@pytest.fixture(scope="module")
def ventricle(shared):
    path = shared / "waveforms" / "published_model" / "pub01_normal.csv.gz"
    return np.tile(pd.read_csv(path)["rvp"].to_numpy()[:7400], 3)  # 37 beats of 0.8 s, three times


def channel(samples, rate=250.0, start=0.0):
    return Channel("rv", "p", "mmHg", rate, start, np.asarray(samples, dtype=float))


def test_planted_spikes_are_counted_once_each(ventricle):
    samples = ventricle.copy()
    places = np.array([300, 1100, 2100, 2103, 5000])  # 2100 and 2103 are 12 ms apart: one spike
    samples[places] += 40.0
    windows = assess(channel(samples)).windows
    assert windows["sq_spike_rate"].iloc[0] == pytest.approx(3 * 6)
    assert windows["sq_spike_rate"].iloc[2] == pytest.approx(1 * 6)
    assert (windows["sq_spike_rate"].drop([0, 2]) == 0).all()
    assert (assess(channel(ventricle)).windows["sq_spike_rate"] == 0).all()


def test_missing_flat_and_held_shares(ventricle):
    samples = ventricle.copy()
    samples[2500:3750] = np.nan  # half of window 1
    samples[5000:5500] = 12.0  # 2 s of window 2
    samples[7500:10000] = np.minimum(samples[7500:10000], 18.0)
    samples[7500:10000][0] = 18.0
    samples = np.minimum(samples, np.where(np.arange(samples.size) >= 7500, 18.0, np.inf))
    windows = assess(channel(samples[:10000])).windows
    assert windows["missing_fraction"].iloc[1] == pytest.approx(0.5)
    assert windows["sq_flatline_fraction"].iloc[2] == pytest.approx(0.2, abs=0.005)
    assert windows["sq_flatline_fraction"].iloc[0] == 0.0


def test_rails_are_learned_from_repeated_clipping_below_the_record_maximum(ventricle):
    samples = np.minimum(ventricle, 15.0)
    samples[20000] = 40.0  # one stray sample makes another record maximum
    result = assess(channel(samples))
    assert 15.0 in result.rails
    held = np.mean(ventricle >= 15.0)
    assert result.windows["sq_saturation_fraction"].mean() == pytest.approx(held, abs=0.01)
    clean = assess(channel(ventricle + np.random.default_rng(0).normal(0, 0.2, ventricle.size)))
    assert clean.windows["sq_saturation_fraction"].max() == 0.0


@given(st.lists(st.sampled_from([0.0, 0.1, 0.15, 0.3, 2.0, float("nan")]), max_size=60), st.integers(1, 9))
@settings(max_examples=200, deadline=None)
def test_flat_samples_agree_with_the_slow_definition(values, length):
    x = np.array(values)
    slow = np.zeros(x.size, dtype=bool)
    for i in range(x.size - length + 1):
        part = x[i : i + length]
        if np.isfinite(part).all() and np.ptp(part) < 0.2:
            slow[i : i + length] = True
    np.testing.assert_array_equal(flat_samples(x, length, 0.2), slow)


def flushed(pressure, natural, damping, rate, rng, bag=300.0):
    """4 s through an ideal line with the valve open from 0.5 to 1.5 s; sampled at `rate`."""
    t = np.arange(0, 4, 1 / 2000)
    p = np.where((t > 0.5) & (t < 1.5), bag, np.interp(t, np.arange(pressure.size) / 250.0, pressure))
    w = 2 * np.pi * natural
    y = lsim(TransferFunction([w * w], [1, 2 * damping * w, w * w]), p - p[0], t)[1] + p[0]
    seen = np.interp(np.arange(0, 4, 1 / rate), t, y)
    return seen + rng.normal(0, 0.3, seen.size)


@pytest.mark.parametrize(("rate", "tolerance"), [(125.0, 0.07), (250.0, 0.06), (500.0, 0.06)])
@pytest.mark.parametrize(
    ("natural", "damping"), [(8, 0.2), (10, 0.15), (12, 0.25), (15, 0.3), (14.7, 0.11), (25, 0.3)]
)
def test_a_simulated_flush_gives_back_its_line(ventricle, natural, damping, rate, tolerance):
    rng = np.random.default_rng(4)
    found = []
    for k in range(8):
        seen = flushed(ventricle[750 + 18 * k :], natural, damping, rate, rng)
        damped, ratio = read_ringing(seen[int(1.5 * rate) :], rate)
        found.append((damped / np.sqrt(1 - ratio**2), ratio))
    middle = np.median(found, axis=0)
    assert middle[0] == pytest.approx(natural, rel=0.04)
    assert middle[1] == pytest.approx(damping, abs=tolerance)


def test_flushes_in_a_record_are_found_and_their_line_classed(ventricle):
    rng = np.random.default_rng(9)
    base = ventricle[:5000] + rng.normal(0, 0.2, 5000)
    flush = flushed(ventricle[750:], 14.7, 0.11, 250.0, rng)
    result = assess(channel(np.concatenate([base, flush, base, flush, base])))
    assert [round(each.end_s - each.start_s) for each in result.flushes] == [1, 1]
    assert result.n_flushes_read == 2
    assert result.natural_hz == pytest.approx(14.7, abs=0.3)
    assert result.damping == pytest.approx(0.11, abs=0.03)
    assert result.damping_class == "under"
    states = result.line_state_at(np.array([10.0, 20.9, 21.3, 44.9, 60.0]))
    assert list(states) == ["", "flush", "flush", "flush", ""]


def test_a_systole_cut_off_at_the_ceiling_is_no_flush(shared):
    table = pd.read_csv(shared / "waveforms" / "published_model" / "pub03_pah_adapted.csv.gz")
    clipped = np.minimum(table["rvp"].to_numpy() + 60.0, 100.0)
    result = assess(channel(clipped))
    assert result.flushes == ()
    assert result.windows["sq_saturation_fraction"].min() > 0.1


@pytest.mark.parametrize(("natural", "damping"), [(10.0, 0.15), (12.0, 0.25), (20.0, 0.2)])
def test_the_whip_index_of_a_ringing_step_has_a_closed_form(natural, damping):
    """After a step of size A the extremes lie (-1)^k A r^k from its end, r = exp(-pi z / sqrt(1 - z^2)).

    Rebound (k = 2) less second dip (k = 3) over A is r^2 + r^3.
    """
    rate, w = 2000.0, 2 * np.pi * natural
    t = np.arange(0, 0.5, 1 / rate)
    step = np.where(t < 0.1, 30.0, 5.0)
    y = lsim(TransferFunction([w * w], [1, 2 * damping * w, w * w]), step - 30.0, t)[1] + 30.0
    fall = int(np.argmin(np.diff(y)))
    r = step_overshoot(damping)
    assert whip_index(y, rate, fall, 25.0) == pytest.approx(r**2 + r**3, rel=0.01)


def test_a_dip_and_plateau_has_no_second_dip():
    t = np.arange(0, 0.6, 1 / 250)
    beat = np.where(
        t < 0.1, 30.0, 8.0 - 6.0 * np.exp(-((t - 0.16) ** 2) / 0.001) + 22 * np.exp(-(t - 0.1) / 0.01)
    )
    assert whip_index(beat, 250.0, 25, 25.0) == pytest.approx(0.0, abs=0.01)
    assert np.isnan(whip_index(beat, 250.0, 148, 25.0))
    assert np.isnan(whip_index(beat, 250.0, 25, 0.0))


def test_a_transducer_that_moves_is_a_level_shift_and_breathing_is_not(ventricle):
    moved = ventricle.copy()
    moved[11000:] += 7.4
    (shift,) = assess(channel(moved)).shifts
    assert shift.at_s == pytest.approx(44.0, abs=3.0)
    assert shift.shift == pytest.approx(7.4, abs=0.1)
    t = np.arange(ventricle.size) / 250.0
    breathing = ventricle + 4.0 * np.sign(np.sin(2 * np.pi * t / 5.0))
    assert assess(channel(breathing)).shifts == ()
    assert level_shift({"a": 40.0, "b": 8.0}, {"a": 47.0, "b": 8.0}) is None
    assert level_shifts(np.arange(4.0), {"a": np.zeros(4)}, np.zeros(4)) == []


def test_template_correlation_singles_out_the_odd_beat():
    shape = np.sin(np.linspace(0, np.pi, 200))
    rng = np.random.default_rng(3)
    beats = shape + rng.normal(0, 0.01, (12, 200))
    beats[5] = np.cos(np.linspace(0, 3 * np.pi, 200))
    beats[6] = 7.0
    found = template_correlation(beats)
    assert found[5] < 0.5
    assert np.isnan(found[6])
    assert np.delete(found, [5, 6]).min() > 0.99
    assert np.isnan(template_correlation(beats[:2])).all()


def test_gates_and_classes_follow_the_table_of_part_5():
    assert damping_class(15.0, 0.3) == "under"  # dP/dt max 24 to 27 % too high there
    assert damping_class(15.0, 0.5) == "adequate"  # 9 to 11 %
    assert damping_class(40.0, 0.2) == "adequate"
    assert damping_class(5.0, 0.95) == "over"
    assert damping_class(np.nan, np.nan) == ""
    nothing = {"mean": True, "levels": False, "diastole": False, "derivative": False, "strict": False}
    assert usable(8.0, 0.6) == nothing
    assert usable(12.0, 0.3) == {**nothing, "levels": True}
    assert usable(20.0, 0.2)["diastole"]
    assert usable(np.nan, 0.3)["levels"] is None
    assert np.isnan(damping_from_ratio(1.2))


@pytest.mark.parametrize("rate", [125.0, 250.0])
@pytest.mark.parametrize("size", [777, 20011])
def test_the_assessment_is_the_same_however_the_record_is_cut(shared, rate, size):
    raw = [
        np.fromfile(shared / "waveforms" / "real" / f"{name}.dat", "<i2") / 100.0
        for name in ("dev13", "dev17")
    ]
    samples = np.repeat(np.tile(np.concatenate(raw), 2), int(rate / 125))
    samples[:700] = np.nan
    samples[9000:12000] = np.nan
    whole, cut = Assessor(rate), Assessor(rate)
    whole.add(samples)
    for k in range(0, samples.size, size):
        cut.add(samples[k : k + size])
    a, b = whole.finish(), cut.finish()
    pd.testing.assert_frame_equal(a.windows, b.windows, check_exact=True)
    pd.testing.assert_frame_equal(a.segments, b.segments, check_exact=True)
    pd.testing.assert_frame_equal(a.events, b.events, check_exact=True)
    for name, values in a.cycles.__dict__.items():
        np.testing.assert_array_equal(values, getattr(b.cycles, name))
    assert repr(a.flushes) == repr(b.flushes)


def test_times_count_from_the_start_of_the_channel(ventricle):
    samples = ventricle.copy()
    samples[5000:5400] = 300.0
    samples[13000:] += 7.0
    early, late = assess(channel(samples)), assess(channel(samples, start=1000.0))
    assert [each.start_s for each in late.flushes] == [each.start_s + 1000.0 for each in early.flushes] != []
    assert [each.at_s for each in late.shifts] == [each.at_s + 1000.0 for each in early.shifts] != []
    np.testing.assert_allclose(late.windows["start_s"], early.windows["start_s"] + 1000.0)
    np.testing.assert_allclose(late.cycles.start, early.cycles.start + 1000.0)
    assert late.site_at(np.array([1030.0]))[0] == early.site_at(np.array([30.0]))[0] == "RV"


@pytest.mark.parametrize("samples", [np.empty(0), np.array([5.0]), np.full(40, np.nan), np.arange(10.0)])
def test_too_little_to_say_anything(samples):
    result = assess(channel(samples))
    assert len(result.cycles) == 0
    assert (result.windows["sampling_site"] == "undetermined").all()
