"""The sampling site on pressures whose chamber is known: a published circulation model, and made ones."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.signal import TransferFunction, lsim

from discovery.recordings.assessment import Assessor, assess
from discovery.recordings.migration import Levels, site_after_step
from discovery.recordings.recording import Channel

MODELS = (
    "pub01_normal",
    "pub02_fast",
    "pub03_pah_adapted",
    "pub05_weak",
    "pub07_slow_relax",
    "pub10_slow_hr",
)
LINES = (None, (25.0, 0.3), (12.0, 0.25), (10.0, 0.15), (8.0, 0.2), (5.0, 0.9))


@pytest.fixture(scope="module")
def model(shared):
    folder = shared / "waveforms" / "published_model"
    return {name: pd.read_csv(folder / f"{name}.csv.gz") for name in MODELS}


def through_line(pressure, line):
    """The pressure (250 Hz) as an ideal second-order line with (natural frequency, damping) shows it."""
    if line is None:
        return pressure
    w = 2 * np.pi * line[0]
    t = np.arange(pressure.size) / 250.0
    return (
        lsim(TransferFunction([w * w], [1, 2 * line[1] * w, w * w]), pressure - pressure[0], t)[1]
        + pressure[0]
    )


def channel(samples, rate=250.0):
    return Channel("rv", "p", "mmHg", rate, 0.0, np.asarray(samples, dtype=float))


def share(result, site, low=2.0, high=28.0):
    return np.mean(result.site_at(np.arange(low, high, 0.1)) == site)


@pytest.mark.parametrize("line", LINES, ids=str)
@pytest.mark.parametrize("name", MODELS)
def test_both_chambers_of_the_published_model_through_every_line(model, name, line):
    rng = np.random.default_rng(5)
    for column, site in (("rvp", "RV"), ("pap", "PA")):
        pressure = through_line(model[name][column].to_numpy(), line)
        pressure = pressure + rng.normal(0, 0.3, pressure.size)
        assert share(assess(channel(pressure)), site) >= 0.99, (column, line)


@pytest.mark.parametrize("rate", [60.0, 100.0, 125.0, 240.0, 500.0, 1000.0])
def test_the_site_does_not_depend_on_the_sampling_rate(model, rate):
    rng = np.random.default_rng(6)
    table = model["pub01_normal"]
    t = np.arange(0, 29.9, 1 / rate)
    for column, site in (("rvp", "RV"), ("pap", "PA")):
        pressure = np.interp(t, np.arange(len(table)) / 250.0, table[column]) + rng.normal(0, 0.3, t.size)
        assert share(assess(channel(pressure, rate)), site) >= 0.99


@pytest.mark.parametrize("offset", [-8.0, 8.0])
@pytest.mark.parametrize("step", [0.4, 0.8])
def test_a_wrong_zero_and_coarse_steps_do_not_move_the_lumen(model, offset, step):
    for column, site in (("rvp", "RV"), ("pap", "PA")):
        pressure = np.round((model["pub01_normal"][column].to_numpy() + offset) / step) * step
        assert share(assess(channel(pressure)), site) >= 0.95


def venous(seconds, rate=250.0, rate_per_minute=75.0, mean=6.0):
    """A made venous trace: a and v waves of 3 and 4 mmHg with a breathing swing of 1 mmHg."""
    t = np.arange(0, seconds, 1 / rate)
    phase = (t * rate_per_minute / 60.0) % 1.0
    a = 3.0 * np.exp(-0.5 * ((phase - 0.15) / 0.06) ** 2)
    v = 4.0 * np.exp(-0.5 * ((phase - 0.65) / 0.09) ** 2)
    return mean - 1.5 + a + v + np.sin(2 * np.pi * 0.25 * t)


def test_withdrawal_from_the_ventricle_is_the_atrium_and_advance_from_the_artery_the_wedge(model):
    table = model["pub01_normal"]
    ventricle, artery = table["rvp"].to_numpy(), table["pap"].to_numpy()
    back = assess(channel(np.concatenate([ventricle, venous(30.0)])))
    assert share(back, "RV", 2, 28) >= 0.99
    assert share(back, "RA", 35, 58) >= 0.95
    assert list(back.events[["from_site", "to_site"]].iloc[0]) == ["RV", "RA"]
    onward = assess(channel(np.concatenate([artery, venous(30.0, mean=10.0), artery])))
    assert share(onward, "PA", 2, 28) >= 0.99
    assert share(onward, "wedge", 35, 58) >= 0.95
    assert share(onward, "PA", 65, 88) >= 0.99


def test_the_venous_channel_tells_the_atrium_where_the_past_does_not():
    pressure = venous(60.0)
    rng = np.random.default_rng(1)
    alone, beside = Assessor(250.0), Assessor(250.0)
    noisy = pressure + rng.normal(0, 0.2, pressure.size)
    alone.add(noisy)
    beside.add(noisy, venous=pressure + rng.normal(0, 0.2, pressure.size))
    assert share(beside.finish(), "RA", 5, 55) >= 0.99
    assert share(alone.finish(), "RV", 5, 55) == 0.0
    wedged = Assessor(250.0)
    wedged.add(
        noisy + 9.0, venous=venous(60.0, rate_per_minute=0.0) * 0.5 + rng.normal(0, 0.2, pressure.size)
    )
    assert share(wedged.finish(), "wedge", 5, 55) >= 0.99


def test_a_tip_that_floats_across_the_valve_is_told_beat_by_beat(model):
    table = model["pub01_normal"]
    period = 200  # samples of one beat at 75 a minute
    pieces, truth = [], []
    for k in range(16):
        column = "rvp" if k % 2 == 0 else "pap"
        pieces.append(table[column].to_numpy()[1000 : 1000 + 6 * period])
        truth.append("RV" if k % 2 == 0 else "PA")
    result = assess(channel(np.concatenate(pieces)))
    middle = (np.arange(16) + 0.5) * 6 * 0.8
    assert (result.site_at(middle) == np.array(truth)).mean() >= 0.9
    inner = result.windows.iloc[1:-1]
    assert inner["alternating"].all()
    assert (inner["sampling_site"] == "undetermined").all()


def test_noise_alone_and_a_closed_line_have_no_site():
    rng = np.random.default_rng(2)
    for samples in (
        rng.normal(20, 0.1, 15000),
        np.full(15000, 17.0),
        rng.normal(0.5, 0.3, 15000),
        np.full(15000, np.nan),
        20 + 30 * np.sign(rng.normal(size=15000)),
    ):
        result = assess(channel(samples))
        assert (result.site_at(np.arange(1.0, 59.0, 0.5)) == "undetermined").all()


def test_the_step_rule_needs_all_of_its_signs():
    ventricle = Levels(maximum=40, minimum=3, slope=0.2)
    assert site_after_step(ventricle, Levels(maximum=39, minimum=18, slope=-1.1)) == "PA"
    assert site_after_step(ventricle, Levels(maximum=39, minimum=18, slope=0.1)) == "undetermined"
    assert site_after_step(ventricle, Levels(maximum=60, minimum=18, slope=-1.1)) == "undetermined"
    assert site_after_step(Levels(40, 18, -1.1), Levels(39, 4, 0.2), "PA") == "RV"
    assert site_after_step(Levels(40, 18, -1.1), Levels(15, 9), "PA") == "wedge"
