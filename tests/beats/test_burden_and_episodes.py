"""Burden, trend, variability and desaturation against slow obvious versions and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import theilslopes

from discovery.beats.burden import burden, minute_medians, trend_slope
from discovery.beats.respiration import breathing, end_expiratory, respiratory_swing
from discovery.beats.saturation import venous_desaturation
from discovery.beats.variability import alternans, longest_regular_run, nonrespiratory_sd
from discovery.problems import InputError

SERIES = st.lists(st.floats(0, 40), min_size=2, max_size=40)


def dense(time, value, level, above):
    """Time, area and longest stay by very fine steps along the straight lines."""
    t = np.linspace(time[0], time[-1], 200001)
    x = np.interp(t, time, value)
    depth = x - level if above else level - x
    step = t[1] - t[0]
    runs = np.diff(np.flatnonzero(np.diff(np.r_[0, (depth > 0).astype(int), 0])))[::2]
    return (depth > 0).mean() * (t[-1] - t[0]), np.maximum(depth, 0).sum() * step, max(runs, default=0) * step


@given(st.lists(st.integers(0, 80), min_size=2, max_size=40), st.integers(5, 35), st.booleans())
def test_burden_agrees_with_fine_steps(halves, whole, above):
    """Values are halves and the level a quarter off, for fine steps cannot see a touch of the level."""
    values, level = [0.5 * v for v in halves], whole + 0.25
    t, x = np.arange(len(values), dtype=float), np.asarray(values)
    got = burden(t, x, level, above=above, max_gap_min=1.0)
    time, area, longest = dense(t, x, level, above)
    slack = 0.002 * (len(values) + 1)
    assert got.time_min == pytest.approx(time, abs=slack)
    assert got.area == pytest.approx(area, abs=0.01 * len(values) + 1e-6)
    assert got.longest_min == pytest.approx(longest, abs=slack)
    assert got.observed_min == pytest.approx(len(values) - 1)


@given(SERIES, st.floats(5, 35), st.floats(-10, 10))
def test_burden_depends_on_depth_alone(values, level, shift):
    t, x = np.arange(len(values), dtype=float), np.asarray(values)
    a = burden(t, x, level, max_gap_min=1.0)
    b = burden(t, x + shift, level + shift, max_gap_min=1.0)
    assert a.area == pytest.approx(b.area, abs=1e-6)
    both = (
        burden(t, x, level, max_gap_min=1).time_min + burden(t, x, level, above=False, max_gap_min=1).time_min
    )
    assert both <= a.observed_min + 1e-9


def test_gaps_are_neither_and_end_an_episode():
    t = np.array([0.0, 1, 2, 3, 10, 11, 12])
    got = burden(t, np.full(7, 20.0), 16.0, max_gap_min=2.0)
    assert (got.observed_min, got.time_min, got.longest_min) == (5.0, 5.0, 3.0)
    nothing = burden(np.array([0.0]), np.array([20.0]), 16.0)
    assert nothing.observed_min == 0
    assert np.isnan([nothing.time_min, nothing.fraction, nothing.time_weighted_average]).all()
    exact = burden(np.arange(5.0), np.full(5, 16.0), 16.0, max_gap_min=1)
    assert exact.time_min == 0  # strictly beyond


def test_a_touch_of_the_level_ends_an_episode():
    got = burden(np.arange(4.0), np.array([0.0, 0.0, 5.0, 0.0]), 5.0, above=False, max_gap_min=1)
    assert (got.time_min, got.longest_min) == (3.0, 2.0)


def test_trend_is_theil_sen_and_breaks_are_respected():
    rng = np.random.default_rng(4)
    t = np.arange(240.0)
    x = 0.05 * t + rng.normal(0, 1, t.size)
    assert trend_slope(t, x) == pytest.approx(60 * theilslopes(x, t).slope, rel=1e-12)
    stepped = x + np.where(t >= 120, 9.0, 0.0)
    assert trend_slope(t, stepped) > 1.4 * trend_slope(t, x)
    assert trend_slope(t, stepped, breaks_min=np.array([120.0])) == pytest.approx(3.0, abs=0.6)
    assert np.isnan(trend_slope(t[:20], x[:20]))
    assert np.isnan(trend_slope(np.r_[0.0, 1, 2, 100], np.arange(4.0) * 2))


def test_a_long_trend_is_averaged_first_and_stays_the_same():
    rng = np.random.default_rng(4)
    t = np.arange(6000.0)
    x = 0.01 * t + rng.normal(0, 1, t.size)
    assert trend_slope(t, x) == pytest.approx(0.6, abs=0.01)


def test_minute_medians_are_medians():
    rng = np.random.default_rng(0)
    t = np.sort(rng.uniform(0, 600, 300))
    x = rng.normal(size=300)
    x[::17] = np.nan
    minute, middle = minute_medians(t, x)
    for m, value in zip(minute, middle):
        inside = x[(t >= 60 * (m - 0.5)) & (t < 60 * (m + 0.5))]
        assert value == pytest.approx(np.nanmedian(inside))


@given(
    st.lists(st.tuples(st.sampled_from([55.0, 59.9, 60.0, 70.0, np.nan]), st.integers(1, 90)), max_size=12)
)
def test_desaturation_agrees_with_a_walk_through_the_samples(pieces):
    x = np.concatenate([np.full(n, v) for v, n in pieces]) if pieces else np.empty(0)
    count, seconds, area = 0, 0.0, 0.0
    run, depth, gap = 0, 0.0, 0
    for v in [*x.tolist(), 99.0]:
        if np.isnan(v):
            gap += 1
            continue
        if gap > 5 or not v < 60:
            if run >= 60:
                count, seconds, area = count + 1, seconds + run, area + depth
            run, depth = 0, 0.0
        gap = 0
        if v < 60:
            run, depth = run + 1, depth + (60 - v) / 60
    got = venous_desaturation(x, 1.0)
    assert got.count == count
    if got.observed_min > 0:
        assert got.duration_min == pytest.approx(seconds / 60)
        assert got.area_percent_min == pytest.approx(area)
    else:
        assert np.isnan(got.duration_min)


def test_rate_and_swing_of_known_breathing():
    rng = np.random.default_rng(6)
    t = np.cumsum(rng.normal(0.7, 0.03, 90))
    for rate in (0.15, 0.25, 0.4):
        x = 5 + 2 * np.sin(2 * np.pi * rate * t) + 0.01 * t + rng.normal(0, 0.1, t.size)
        assert breathing(t, x).rate_hz == pytest.approx(rate, abs=0.01)
        assert 2.8 < respiratory_swing(t, x) < 4.4


def test_end_expiration_ignores_a_slow_drift_and_names_a_wrong_mode():
    t = np.arange(0, 60, 0.8)
    breath = np.sin(2 * np.pi * 0.25 * t)
    chosen = end_expiratory(5 + breath + 0.2 * t, "spontaneous", time_s=t)
    assert chosen.sum() == t.size // 4
    assert breath[chosen].min() > 0.5
    assert breath[end_expiratory(5 + breath - 0.2 * t, "positive_pressure", time_s=t)].max() < -0.5
    assert end_expiratory(5 + breath, "unknown").all()
    with pytest.raises(InputError, match="did you mean 'spontaneous'"):
        end_expiratory(breath, "spontaneus")


def test_what_is_left_without_breathing():
    rng = np.random.default_rng(9)
    t = np.arange(0, 60, 0.75)
    noise = rng.normal(0, 0.5, t.size)
    baseline = 4 + 2 * np.sin(2 * np.pi * 0.25 * t)
    left = nonrespiratory_sd(t, 30 + 5 * np.sin(2 * np.pi * 0.25 * t + 1) + noise, baseline)
    assert left == pytest.approx(noise.std(ddof=1), rel=0.12)


def test_alternans_needs_sixteen_beats_and_survives_breathing():
    k = np.arange(40)
    x = 30 + np.where(k % 2, 1.5, -1.5) + 2 * np.sin(2 * np.pi * 0.2 * k)
    found = alternans(x)
    assert found.amplitude == pytest.approx(3.0, abs=0.15)
    assert np.isnan(alternans(x[:15]).amplitude)
    assert not alternans(x, respiratory_to_heart_rate=0.52).detected


def test_the_longest_regular_run():
    rr = np.array([800.0] * 10 + [400.0] + [810.0] * 20)
    usable = np.ones(31, dtype=bool)
    usable[10] = False
    assert longest_regular_run(rr, usable) == slice(11, 31)
    assert longest_regular_run(np.where(np.arange(31) % 2, 600.0, 1000.0), np.ones(31, bool)) == slice(0, 0)
