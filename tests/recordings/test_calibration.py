"""Calibration by the study file against a pressure that is known, and a unit that is not mmHg."""

from __future__ import annotations

import numpy as np
import pytest

from discovery.pipeline.record import Task, calibrations
from discovery.recordings.index import IndexRow
from discovery.recordings.source import open_recording
from discovery.study.settings import Recordings

RATE = 125.0
KPA = 1000.0 / 133.322387415  # mmHg, from the definition of the millimetre of mercury


def beats(seconds: float, low: float = 4.0, high: float = 30.0) -> np.ndarray:
    """A pressure between two levels, mmHg, one beat in 0.8 s."""
    t = np.arange(round(seconds * RATE)) / RATE
    return low + (high - low) * (0.5 + 0.5 * np.sin(2 * np.pi * t / 0.8)) ** 2


def opened(tmp_path, stored: np.ndarray, *, head: str = "RVP", **settings):
    """The channel as the study reads it from a plain table of `stored` numbers."""
    path = tmp_path / "a.csv"
    lines = [f"{i / RATE:.3f},{value:.9g}" for i, value in enumerate(stored)]
    path.write_text("\n".join([f"t,{head}", *lines]) + "\n")
    study = Recordings(folder=".", channels={"rv": "RVP"}, **settings)
    task = Task(IndexRow(2, path.name, path, "p1"), study, {}, False)
    return open_recording(
        task.row.path, study.channels, units=study.units, calibration=calibrations(study), patient_id="p1"
    )


@pytest.mark.parametrize(
    ("head", "units", "factor"), [("RVP", "mmHg", 1.0), ("RVP", "kPa", KPA), ("RVP (kPa)", "mmHg", KPA)]
)
def test_gain_and_offset_are_of_the_stored_numbers_in_their_own_unit(tmp_path, head, units, factor):
    truth = beats(20.0)
    stored = (truth / factor + 0.7) / 1.25
    with opened(
        tmp_path, stored, head=head, units=units, calibration={"rv": {"gain": 1.25, "offset": -0.7}}
    ) as source:
        np.testing.assert_allclose(source.read()["rv"].samples, truth, atol=1e-5)


@pytest.mark.parametrize(("units", "factor"), [("mmHg", 1.0), ("kPa", KPA)])
@pytest.mark.parametrize("offset", [0.0, -2.0, 11.0])
def test_with_a_zero_window_the_level_of_the_open_line_is_zero_whatever_the_offset(
    tmp_path, units, factor, offset
):
    truth = beats(60.0)
    t = np.arange(truth.size) / RATE
    truth[(t < 5) | ((t >= 40) & (t < 44))] = 0.0  # open to air
    drift = np.where(t < 40, 3.1, -1.9)  # what the amplifier adds, by the second zeroing another
    stored = truth / factor / 0.8 + drift
    calibration = {"gain": 0.8, "offset": offset, "zero": [[40.5, 44], [0.5, 4.5]]}
    with opened(tmp_path, stored, units=units, calibration={"rv": calibration}) as source:
        samples = source.read()["rv"].samples
    known = (t < 40) | (t >= 40.6)  # the second zero counts from the start of its window
    np.testing.assert_allclose(samples[known], truth[known], atol=1e-5)


def test_kilopascals_read_as_mmhg_are_told_in_one_sentence(tmp_path):
    with opened(tmp_path, beats(60.0) / KPA, units="mmHg") as source:
        source.read()
        (problem,) = source.problems
    assert problem.severity == "warning"
    assert problem.column == "RVP"
    assert "kPa" in problem.sentence()
    assert "0.53 to 4" in problem.sentence()


@pytest.mark.parametrize(("low", "high"), [(4.0, 30.0), (2.0, 18.0), (30.0, 95.0)])
def test_pressures_of_patients_are_not_taken_for_kilopascals(tmp_path, low, high):
    with opened(tmp_path, beats(60.0, low, high), units="mmHg") as source:
        source.read()
        assert source.problems == ()


def test_the_right_unit_leaves_no_doubt(tmp_path):
    with opened(tmp_path, beats(60.0) / KPA, units="kPa") as source:
        source.read()
        assert source.problems == ()
