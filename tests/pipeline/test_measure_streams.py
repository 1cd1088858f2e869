"""Channels of different rates and starts on one grid, in pieces."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.pipeline.record_stream import at_instants, main_role, means_over, stretches
from discovery.recordings.recording import Channel
from discovery.recordings.source import open_recording


def channel(samples, rate_hz, start_s=0.0):
    return Channel("x", "x", "mmHg", rate_hz, start_s, np.asarray(samples, dtype=float))


def sine(rate_hz, start_s, seconds=10.0):
    return np.sin(2 * np.pi * (start_s + np.arange(int(seconds * rate_hz)) / rate_hz))


@pytest.mark.parametrize(("rate", "start"), [(250.0, 0.0), (250.0, 0.5), (500.0, 0.0), (125.0, 0.2)])
def test_another_channel_is_read_at_the_instants_of_the_grid(rate, start):
    grid = channel(sine(250.0, 1.0, 5.0), 250.0, 1.0)
    got = at_instants(channel(sine(rate, start), rate, start), grid)
    np.testing.assert_allclose(got, grid.samples, atol=2e-3)


def test_beyond_its_ends_a_channel_is_missing():
    grid = channel(np.zeros(1000), 100.0)
    got = at_instants(channel(np.ones(300), 100.0, 2.0), grid)
    assert np.isnan(got[:200]).all()
    assert np.isnan(got[500:]).all()
    assert (got[200:500] == 1).all()


def test_means_leave_out_what_is_missing():
    number, mean = means_over(channel([1, 3, np.nan, 5, np.nan, np.nan], 2.0, 4.0), 1.0)
    assert list(number) == [4, 5, 6]
    np.testing.assert_array_equal(mean, [2, 5, np.nan])


def test_pieces_put_together_are_the_whole(tmp_path):
    rng = np.random.default_rng(3)
    time = np.arange(30000) / 100.0
    table = pd.DataFrame({"t": time, "rv": rng.normal(size=time.size), "cvp": rng.normal(size=time.size)})
    table.to_csv(tmp_path / "a.csv", index=False)
    with open_recording(tmp_path / "a.csv", {"rv": "rv", "cvp": "cvp"}, units="mmHg") as source:
        parts = list(stretches(source, "rv", seconds=70.0))
    np.testing.assert_allclose(np.concatenate([p.main for p in parts]), table["rv"])
    np.testing.assert_allclose(np.concatenate([p.beside["cvp"] for p in parts]), table["cvp"])
    assert [p.start_s for p in parts] == pytest.approx([0, 70, 140, 210, 280])


def test_the_ventricle_is_the_main_channel_and_the_artery_stands_in():
    assert main_role(("ecg", "pa", "rv")) == "rv"
    assert main_role(("ecg", "pa")) == "pa"
    assert main_role(("ecg", "abp")) is None
