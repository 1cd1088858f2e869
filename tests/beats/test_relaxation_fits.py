"""Fits against scipy's general optimiser, laws of shift and scale, and noise of known size."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import curve_fit, minimize

from discovery.beats.relaxation_fits import (
    exponential_tau,
    half_time,
    logistic_tau,
    regression_tau,
    single_beat_pmax,
    sinusoid_pmax,
    weiss_tau,
)

T = np.arange(20) * 0.004


@pytest.mark.parametrize("seed", range(8))
def test_exponential_is_the_least_squares_solution(seed):
    rng = np.random.default_rng(seed)
    p = 18 * np.exp(-T / 0.03) - 1 + rng.normal(0, 0.2, T.size)
    best, _ = curve_fit(lambda t, a, tau, b: a * np.exp(-t / tau) + b, T, p, p0=(18, 0.03, 0))
    got = exponential_tau(T, p)
    assert got.tau_ms == pytest.approx(1e3 * best[1], rel=1e-5)
    assert got.asymptote_mmhg == pytest.approx(best[2], abs=1e-4)


@pytest.mark.parametrize("seed", range(8))
def test_logistic_is_the_least_squares_solution(seed):
    rng = np.random.default_rng(seed)
    p = 36 / (1 + np.exp(T / 0.015)) + 2 + rng.normal(0, 0.2, T.size)
    best, _ = curve_fit(lambda t, a, tau, b: a / (1 + np.exp(t / tau)) + b, T, p, p0=(36, 0.015, 2))
    got = logistic_tau(T, p)
    assert got.tau_ms == pytest.approx(1e3 * best[1], rel=1e-5)


@pytest.mark.parametrize("seed", range(5))
def test_raised_cosine_reaches_the_best_cost(seed):
    """No start of a general optimiser inside the same bounds finds a lower cost."""
    rng = np.random.default_rng(seed)
    t = np.concatenate([np.arange(0, 0.08, 0.004), np.arange(0.36, 0.44, 0.004)])
    p = 5 + 30 * (1 - np.cos(2 * np.pi * (t + 0.01) / 0.48)) + rng.normal(0, 0.3, t.size)
    got = single_beat_pmax(t, p, 5.0)

    def cost(x):
        return ((p - 5 - x[0] * (1 - np.cos(2 * np.pi * (t - x[2]) / x[1]))) ** 2).sum()

    least = min(
        minimize(
            cost, (30, d, s), bounds=[(0, 500), (0.2, 1.5), (-0.1, 0.1)], method="L-BFGS-B"
        ).fun
        for d in (0.35, 0.5, 0.7)
        for s in (-0.05, 0.0, 0.05)
    )  # fmt: skip
    ours = (1 - got.r2) * ((p - p.mean()) ** 2).sum()
    assert ours <= least * (1 + 1e-6)
    assert got.pmax_mmhg == pytest.approx(65, rel=0.1)


@settings(deadline=None, max_examples=40)
@given(st.floats(0.012, 0.12), st.floats(-8, 6), st.floats(-5, 5), st.floats(0.5, 3))
def test_tau_does_not_move_with_offset_or_gain(tau, asymptote, offset, gain):
    p = 20 * np.exp(-T / tau) + asymptote
    plain = exponential_tau(T, p)
    moved = exponential_tau(T, gain * p + offset, least_r2=0.5)
    assert plain.tau_ms == pytest.approx(1e3 * tau, rel=1e-4)
    if np.isfinite(moved.tau_ms):
        assert moved.tau_ms == pytest.approx(plain.tau_ms, rel=1e-4)


def test_noise_of_single_and_of_averaged_beats():
    """The figures of the dictionary: quartiles 22 to 49 ms for one beat, 28 to 33 for twenty (true 30)."""
    rng = np.random.default_rng(11)
    t = np.arange(6) * 0.004

    def quartiles(beats):
        taus = []
        for _ in range(1500):
            p = 13 * np.exp(-t / 0.030) + rng.normal(0, 0.3 / np.sqrt(beats), t.size)
            taus.append(exponential_tau(t, p, least_r2=0.0).tau_ms)
        return np.nanpercentile(taus, [25, 75])

    one, twenty = quartiles(1), quartiles(20)
    assert one[0] == pytest.approx(22, abs=2.5)
    assert 38 < one[1] < 52
    assert twenty[0] == pytest.approx(28, abs=1)
    assert twenty[1] == pytest.approx(33, abs=1)


def test_bounds_and_poor_fits_are_missing_with_a_note():
    rng = np.random.default_rng(0)
    assert exponential_tau(T[:5], T[:5]).note == "too few samples"
    assert np.isnan(exponential_tau(T, 20 - 30 * T).tau_ms)  # a straight line has no time constant
    assert exponential_tau(T, 10 + rng.normal(0, 1, T.size)).tau_ms != exponential_tau(T, T).tau_ms
    rising = exponential_tau(T, 5 - 4 * np.exp(-T / 0.03))
    assert np.isnan(rising.tau_ms)
    assert rising.note
    below = single_beat_pmax(T, 4 + 28 * (1 - np.cos(2 * np.pi * T / 0.5)), 4.0, systolic_pressure=80.0)
    assert np.isnan(below.pmax_mmhg)
    assert below.note == "below the systolic pressure"


def test_closed_forms():
    assert half_time(T, 20 * np.exp(-T / 0.03)) == pytest.approx(30 * np.log(2), rel=0.01)
    assert np.isnan(half_time(T, 10 + 0 * T))
    p = 30 * np.exp(-T / 0.04) - 3
    got = regression_tau(p, -(p + 3) / 0.04)
    assert (got.tau_ms, got.asymptote_mmhg) == (pytest.approx(40), pytest.approx(-3))
    assert weiss_tau(T, 12 * np.exp(-T / 0.05)).tau_ms == pytest.approx(50)
    t = np.concatenate([np.arange(0, 0.09, 0.004), np.arange(0.4, 0.5, 0.004)])
    assert sinusoid_pmax(t, 30 + 25 * np.sin(2 * np.pi * t / 0.6 - 1.2)).pmax_mmhg == pytest.approx(
        55, rel=1e-4
    )


def test_the_falling_piece_is_never_laid_on_a_second_hump():
    """Samples of two humps of 0.2 s would fit a short period to the last bit; one beat has one hump."""
    t = np.concatenate([np.linspace(0.02, 0.07, 14), np.linspace(0.33, 0.39, 16)])
    pressure = 5 + 35 * (1 - np.cos(2 * np.pi * t / 0.2))
    got = single_beat_pmax(t, pressure, 5.0)
    assert t[-1] <= got.shift_s + got.period_s
