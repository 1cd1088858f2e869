"""What the published-model records say about relaxation, and how far the time constants may be believed.

The records' truth holds no time constant. Their ventricle relaxes along half a cosine of its elastance
(Regazzoni 2020), so while both valves are closed the pressure is that cosine at a fixed volume and follows no
exponential. Shown here with the volume of the records and scipy's general optimiser; then each time
constant is held against an independent fit, and the exponential one against the same beats with a
relaxation of known time constant put in.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit, minimize_scalar

from discovery.beats import measure

RECORDS = (
    "pub01_normal", "pub02_fast", "pub03_pah_adapted", "pub05_weak", "pub07_slow_relax", "pub10_slow_hr",
)  # fmt: skip
RATE = 250.0
TAU_MS, ASYMPTOTE_MMHG = (5.0, 200.0), (-40.0, 30.0)  # beyond these the feature is missing by definition


class Fall:
    """Relaxation of the sixth beat: the stretch in which both valves are closed, and the fit window."""

    def __init__(self, record, row):
        self.pressure, self.volume = record["rvp"].to_numpy(), record["rv_volume"].to_numpy()
        self.onset = row["first_onset"] + 5 * 60.0 / row["hr"]
        flow = record["pv_flow"].to_numpy() > 0.5
        begin = int(self.onset * RATE) + int(0.15 * RATE)
        closed = begin + int(np.argmax(~flow[begin:]))
        filling = self.volume > self.volume[closed + 2] + 0.05
        self.closed, self.opened = closed + 1, closed + 2 + int(np.argmax(filling[closed + 2 :]))
        slope = np.gradient(self.pressure, 1 / RATE)
        self.steepest = closed + int(slope[closed : closed + int(0.4 * RATE)].argmin())
        below = self.pressure[self.steepest :] <= row["edp"] + 2.0
        self.window = slice(self.steepest, self.steepest + int(np.argmax(below)))
        self.both_closed = slice(self.steepest, self.opened)

    @property
    def after_opening(self) -> float:
        """Share of the fit window in which the tricuspid valve is open."""
        return max(self.window.stop - self.opened, 0) / (self.window.stop - self.window.start)


@pytest.fixture(scope="module")
def falls(model, truth):
    return {name: Fall(model(name), truth.loc[name]) for name in RECORDS}


@pytest.fixture(scope="module")
def windows(model):
    return {name: measure(model(name)["rvp"], RATE, site="RV").windows.iloc[0] for name in RECORDS}


def exponential(pressure):
    """tau (ms) and asymptote of the best exponential, over all tau up to 100 s."""
    t = np.arange(pressure.size) / RATE

    def rest(log_tau):
        basis = np.column_stack([np.exp(-t / np.exp(log_tau)), np.ones(t.size)])
        left = pressure - basis @ np.linalg.lstsq(basis, pressure, rcond=None)[0]
        return float(left @ left)

    grid = np.linspace(np.log(0.002), np.log(100.0), 400)
    best = grid[int(np.argmin([rest(x) for x in grid]))]
    tau = np.exp(minimize_scalar(rest, bounds=(best - 0.05, best + 0.05), method="bounded").x)
    basis = np.column_stack([np.exp(-t / tau), np.ones(t.size)])
    return 1e3 * tau, np.linalg.lstsq(basis, pressure, rcond=None)[0][1]


def weiss(pressure):
    t = np.arange(pressure.size) / RATE
    return -1e3 / np.polyfit(t, np.log(pressure), 1)[0]


@pytest.mark.parametrize("name", RECORDS)
def test_the_fall_is_the_cosine_of_the_elastance_at_a_fixed_volume(name, falls, truth):
    """P = (ESV - V0) (Emin + (Ees - Emin) (1 + cos(pi s / relaxation)) / 2), every number from truth.csv."""
    fall, row = falls[name], truth.loc[name]
    inside = np.arange(fall.closed, fall.opened)
    assert np.ptp(fall.volume[inside]) < 0.1
    s = inside / RATE - fall.onset - row["contraction_s"]
    elastance = row["e_min"] + (row["ees"] - row["e_min"]) * 0.5 * (
        1 + np.cos(np.pi * s / row["relaxation_s"])
    )
    # valves of the model leak a little as they close: 2 % of the systolic pressure
    expected = (row["esv"] - row["v0"]) * elastance
    np.testing.assert_allclose(fall.pressure[inside], expected, atol=0.02 * row["rvsp"])


@pytest.mark.parametrize("name", RECORDS)
def test_no_exponential_describes_it(name, falls, capsys):
    """Fitted without any bound, the time constant or the asymptote lies beyond what a ventricle can have,
    and the local time constant, -dP / d(dP/dt), falls by more than half within the fit."""
    fall = falls[name]
    tau, asymptote = exponential(fall.pressure[fall.both_closed])
    p = fall.pressure[fall.both_closed]
    slope, bend = np.gradient(p, 1 / RATE), np.gradient(np.gradient(p, 1 / RATE), 1 / RATE)
    third = max(p.size // 3, 3)
    early, late = (-slope[part].mean() / bend[part].mean() for part in (slice(1, third), slice(-third, -2)))
    with capsys.disabled():
        print(
            f"\n{name}: both valves closed for {1e3 * p.size / RATE:.0f} ms of the fall, best exponential "
            f"{tau:.0f} ms towards {asymptote:.0f} mmHg; {100 * fall.after_opening:.0f} % of the fit window "
            "lies after the tricuspid valve opened",
            end="",
        )
    outside = not (TAU_MS[0] < tau < TAU_MS[1]) or not (ASYMPTOTE_MMHG[0] < asymptote < ASYMPTOTE_MMHG[1])
    assert outside
    assert not (0.5 < late / early < 2.0)


@pytest.mark.parametrize("name", RECORDS)
def test_zero_asymptote_within_five_percent_and_its_bias_without_volume(name, falls, windows, capsys):
    """Against the logarithm's slope by numpy in the same window of one beat; the bias is against the stretch
    in which both valves are closed, which pressure alone does not know. It is stated, and below 15 %."""
    fall, found = falls[name], float(windows[name]["rv_tau_weiss"])
    same, closed = weiss(fall.pressure[fall.window]), weiss(fall.pressure[fall.both_closed])
    with capsys.disabled():
        print(
            f"\n{name}: zero-asymptote tau {found:.1f} ms, {100 * (found / same - 1):+.1f} % off the "
            f"independent fit, bias {100 * (found / closed - 1):+.1f} % against the closed valves",
            end="",
        )
    assert found == pytest.approx(same, rel=0.05)
    assert found == pytest.approx(closed, rel=0.15)


@pytest.mark.parametrize("name", RECORDS)
def test_free_asymptote_as_an_independent_fit_or_missing_where_that_is_out_of_bounds(name, falls, windows):
    """scipy's curve_fit in the same window of one beat. Two records get a value; most of their window lies
    after the tricuspid valve opened, so that it says nothing of the ventricle (the registry's caution)."""
    fall, found = falls[name], float(windows[name]["rv_tau_exponential"])
    y = fall.pressure[fall.window]
    t = np.arange(y.size) / RATE
    best, _ = curve_fit(
        lambda t, size, tau, rest: size * np.exp(-t / tau) + rest, t, y, p0=(y[0], 0.1, 0.0), maxfev=20000
    )
    tau, asymptote = 1e3 * best[1], best[2]
    assert tau == pytest.approx(exponential(y)[0], rel=1e-3)
    if TAU_MS[0] < tau < TAU_MS[1] and ASYMPTOTE_MMHG[0] < asymptote < ASYMPTOTE_MMHG[1]:
        assert found == pytest.approx(tau, rel=0.05)
        assert fall.after_opening > 0.5
    else:
        assert np.isnan(found)


def with_relaxation(record, row, tau_s, asymptote, rate=1000.0):
    """The record at `rate`, every fall exponential from its steepest point on until it meets diastole.

    The steepest point is taken at the same phase of every beat: the slope there is so flat that its own
    minimum wanders by samples.
    """
    from scipy.interpolate import CubicSpline

    p = record["rvp"].to_numpy()
    t = np.arange(p.size) / RATE
    time = np.arange(0.0, t[-1], 1 / rate)
    out = CubicSpline(t, p)(time)
    cycle = 60.0 / row["hr"]
    slope = np.gradient(out, 1 / rate)
    starts = np.arange(row["first_onset"], time[-1] - cycle, cycle)
    places = [(round(start * rate), round((start + cycle) * rate)) for start in starts]
    phase = round(float(np.median([slope[a:b].argmin() for a, b in places])))
    for a, b in places:
        fall = a + phase
        lowest = fall + int(out[fall:b].argmin())
        floor = out[fall:b].copy()
        floor[: lowest - fall] = out[lowest]
        since = np.arange(b - fall) / rate
        out[fall:b] = np.maximum((out[fall] - asymptote) * np.exp(-since / tau_s) + asymptote, floor)
    return out, rate


@pytest.mark.parametrize("name", RECORDS)
@pytest.mark.parametrize("tau_ms", [30.0, 50.0, 80.0])
def test_known_time_constants_put_into_these_beats_are_found_within_five_percent(
    name, tau_ms, model, truth, capsys
):
    """Everything else of the beat stays: upstroke, ejection, filling, rate. Truth by construction.

    A low pressure with a fast fall leaves fewer than six samples, even at 1000 a second: then missing.
    """
    said = []
    for asymptote in (-3.0, 0.0):
        pressure, rate = with_relaxation(model(name), truth.loc[name], tau_ms / 1e3, asymptote)
        window = measure(pressure, rate, site="RV").windows.iloc[0]
        if window["tau_samples"] < 6:
            assert np.isnan(window["rv_tau_exponential"])
            said.append("too few samples")
            continue
        found = float(window["rv_tau_exponential"])
        assert found == pytest.approx(tau_ms, rel=0.05)
        assert window["rv_relaxation_asymptote"] == pytest.approx(asymptote, abs=0.3)
        said.append(f"{100 * (found / tau_ms - 1):+.2f} % at {asymptote:g} mmHg")
    with capsys.disabled():
        print(f"\n{name}, {tau_ms:.0f} ms: {', '.join(said)}", end="")
    assert window["tau_samples"] >= 6  # with an asymptote of 0 there always are
    assert float(window["rv_tau_weiss"]) == pytest.approx(tau_ms, rel=0.05)
