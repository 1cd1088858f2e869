"""Filters against scipy's own, the published gains of the dictionary, and gaps."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, savgol_filter, sosfiltfilt

from discovery.beats.filters import (
    curvature_window,
    derivative,
    derivative_gain,
    derivative_window,
    level_cutoff_hz,
    level_filter,
)

# Gain of the derivative filter at 10, 20 and 30 Hz as the reference dictionary prints it.
GAINS = {250: (0.999, 0.988, 0.943), 1000: (0.998, 0.975, 0.890), 125: (0.998, 0.970, 0.869)}


@pytest.mark.parametrize("rate", GAINS)
def test_gains_of_the_dictionary(rate):
    for frequency, gain in zip((10, 20, 30), GAINS[rate]):
        assert derivative_gain(frequency, rate) == pytest.approx(gain, abs=6e-4)


def test_windows_of_the_dictionary():
    assert [derivative_window(r) for r in (125, 200, 250, 500, 1000)] == [5, 7, 7, 15, 31]
    assert [curvature_window(r) for r in (125, 250, 1000)] == [7, 13, 51]
    assert [level_cutoff_hz(r) for r in (60, 100, 250)] == [24, 40, 40]


@pytest.mark.parametrize("order", [1, 2])
@pytest.mark.parametrize("rate", [125.0, 250.0, 1000.0])
def test_derivative_is_scipys_savitzky_golay(order, rate):
    x = np.random.default_rng(0).normal(size=400)
    window = derivative_window(rate) if order == 1 else curvature_window(rate)
    expected = savgol_filter(x, window, 3, deriv=order, delta=1 / rate, mode="interp")
    np.testing.assert_allclose(derivative(x, rate, order=order), expected, rtol=1e-9, atol=1e-6 * rate**order)


def test_a_cubic_is_differentiated_exactly():
    t = np.arange(100) / 250
    x = 1 + 2 * t - 3 * t**2 + 4 * t**3
    np.testing.assert_allclose(derivative(x, 250.0), 2 - 6 * t + 12 * t**2, atol=1e-9)


@pytest.mark.parametrize("rate", [125.0, 250.0])
def test_the_level_filter_keeps_phase_and_what_is_slow(rate):
    t = np.arange(0, 4, 1 / rate)
    for frequency, least, most in ((2, 0.999, 1.0001), (10, 0.98, 1.001), (40, 0.4, 0.6)):
        x = np.sin(2 * np.pi * frequency * t)
        y = level_filter(x, rate)
        inside = slice(int(rate), -int(rate))
        gain = (x[inside] @ y[inside]) / (x[inside] @ x[inside])
        assert least < gain < most
        quadrature = np.cos(2 * np.pi * frequency * t)
        assert abs(quadrature[inside] @ y[inside]) / (x[inside] @ x[inside]) < 0.01


def test_gaps_stay_gaps_and_reach_no_further_than_the_filter():
    x = np.sin(np.arange(1000) / 20)
    holes = x.copy()
    holes[400:450] = np.nan
    level, slope = level_filter(holes, 250.0), derivative(holes, 250.0)
    assert np.isnan(level[400:450]).all()
    assert np.isfinite(level[:400]).all()
    assert np.isnan(slope[397:453]).all()
    assert np.isfinite(slope[:396]).all()
    np.testing.assert_allclose(level[:380], level_filter(x, 250.0)[:380], atol=2e-3)
    assert np.isnan(derivative(np.full(3, 1.0), 250.0)).all()
    assert np.isnan(level_filter(np.full(50, np.nan), 250.0)).all()


@pytest.mark.parametrize("rate", [60.0, 250.0, 1000.0])
@pytest.mark.parametrize("n", [16, 17, 1000])
def test_the_level_filter_is_scipys_forward_backward_filter_to_the_last_bit(rate, n):
    x = np.random.default_rng(n).normal(20.0, 8.0, n)
    expected = sosfiltfilt(butter(2, level_cutoff_hz(rate), fs=rate, output="sos"), x)
    np.testing.assert_array_equal(level_filter(x, rate), expected)
