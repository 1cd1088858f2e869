"""Damaged files of every format: a listed reason or a shortened channel, never a traceback or a hang.

By default 30 damaged copies of each format are read and 8 measured, with --validity 500 and 100.
"""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
import pytest

from discovery.pipeline.record import Task, measure_record
from discovery.problems import InputError
from discovery.recordings.index import IndexRow
from discovery.recordings.source import open_recording
from discovery.seeds import named_rng
from discovery.study.settings import Recordings

FORMATS = {
    "rv20s.hea": "RVP",
    "rv20s.edf": "RVP",
    "rv20s.bdf": "RVP",
    "rv20s.csv": "pressure",
    "rv20s_semicolon_kPa.csv": "RV",
    "rv20s.parquet": "rvp",
    "rv20s.h5": "RVP",
    "rv20s.mat": "RVP",
    "rv20s.dcm": "RVP",
    "041s.hea": "PAP",
}
FULL, FULL_MEASURED = 500, 100
SEED = 7
SLOWEST_S = 20.0  # of this process, for a damaged file of 20 s of signal; usually some milliseconds


def damaged(raw: bytes, rng: np.random.Generator) -> bytes:
    """`raw` cut, with bytes changed (the header more often than the rest), doubled or emptied."""
    kind = rng.integers(6)
    data = bytearray(raw)
    if kind == 0:
        return bytes(data[: rng.integers(len(data))])
    if kind == 1:
        at = int(rng.integers(len(data)))
        return bytes(data[:at] + data[at + int(rng.integers(1, 200)) :])
    if kind == 2:
        at = int(rng.integers(len(data)))
        return bytes(data[:at] + rng.bytes(int(rng.integers(1, 200))) + data[at:])
    reach = len(data) if kind == 3 else min(len(data), 600)
    for at in rng.integers(reach, size=int(rng.integers(1, 12))):
        data[at] = rng.integers(256) if kind < 5 else rng.choice(list(b"0123456789-. /,\x00\xff"))
    return bytes(data)


def attempt(path, role_name):
    """Read `path` to the end; True when it could be read."""
    try:
        with open_recording(path, {"rv": role_name}, units="mmHg", rate_hz=125) as source:
            for piece in source.chunks(7.0):
                assert piece["rv"].samples.dtype == np.float64
            problems = source.problems
    except InputError as error:
        problems = error.problems
        assert problems
    else:
        for problem in problems:
            assert problem.sentence()
        return True
    for problem in problems:
        assert problem.sentence()
    return False


def damaged_copies(shared, place, name, tries, stage):
    """Write damaged copies of a recording one after the other; yields the file to open."""
    folder = shared / "waveforms" / ("multi_segment" if name.startswith("041") else "formats")
    parts = [name]
    if name == "rv20s.hea":
        parts = ["rv20s.hea", "rv20s.dat"]
    if name == "041s.hea":
        parts = ["041s.hea", "041s01.hea", "041s02.hea", "041s01.dat", "041s02.dat"]
    whole = {part: (folder / part).read_bytes() for part in parts}
    rng = named_rng(SEED, stage, name)
    for _ in range(tries):
        hurt = parts[int(rng.integers(len(parts)))]
        for part in parts:
            (place / part).write_bytes(damaged(whole[part], rng) if part == hurt else whole[part])
        yield place / name


def damage_and_read(shared, place, name, tries):
    """Read damaged copies: how many could be read, were refused in words, and the slowest (s)."""
    n_read, slowest = 0, 0.0
    for path in damaged_copies(shared, place, name, tries, "damaged recordings"):
        before = time.process_time()
        n_read += attempt(path, FORMATS[name])
        slowest = max(slowest, time.process_time() - before)
        assert slowest < SLOWEST_S, name
    return {
        "format": name, "damaged": tries, "read": n_read, "refused": tries - n_read, "slowest_s": slowest,
    }  # fmt: skip


def damage_and_measure(shared, place, name, tries):
    """Measure damaged copies as a study does: how many gave a table, and the slowest (s)."""
    settings = Recordings(folder="x", channels={"rv": FORMATS[name]}, rate_hz=125)
    folder = shared / "waveforms" / "formats"
    sound = IndexRow(1, "rv20s.csv", folder / "rv20s.csv", "p1")
    measure_record(Task(sound, Recordings(folder="x", channels={"rv": "pressure"}), {}, True))  # compiles
    n_measured, slowest = 0, 0.0
    for path in damaged_copies(shared, place, name, tries, "damaged and measured"):
        before = time.process_time()
        record = measure_record(Task(IndexRow(2, name, path, "p1"), settings, {}, True))
        slowest = max(slowest, time.process_time() - before)
        assert slowest < SLOWEST_S, name
        assert "fault of ours" not in record.reason, record.reason
        assert bool(record.reason) == (record.quality["status"] == "not measured")
        n_measured += not record.reason
    return {"damaged_again": tries, "measured": n_measured, "slowest_measured_s": slowest}


@pytest.mark.validity
@pytest.mark.parametrize("name", FORMATS)
def test_damaged_files_are_read_or_refused_in_words(shared, tmp_path, name, full_validity, capsys):
    found = damage_and_read(shared, tmp_path, name, FULL if full_validity else 30)
    with capsys.disabled():
        print(f"\n{name}: {found}", end="")
    assert found["refused"] > 0  # the damage is real
    if full_validity:  # shared/recording_fuzz.csv: python tests/benchmarks/bench_fuzz.py
        written = pd.read_csv(shared / "recording_fuzz.csv").set_index("format").loc[name]
        assert (found["damaged"], found["read"]) == (written["damaged"], written["read"])


@pytest.mark.validity
@pytest.mark.parametrize("name", FORMATS)
def test_damaged_files_are_measured_or_listed(shared, tmp_path, name, full_validity):
    """The same damage through everything that a worker does with a recording, pictures included."""
    damage_and_measure(shared, tmp_path, name, FULL_MEASURED if full_validity else 8)


def test_the_full_size_was_run_on_every_format(shared):
    written = pd.read_csv(shared / "recording_fuzz.csv")
    assert set(written["format"]) == set(FORMATS)
    assert (written["damaged"] >= 500).all()
    assert (written["read"] + written["refused"] == written["damaged"]).all()
    assert (written["slowest_s"] < SLOWEST_S).all()
    assert (written["seed"] == SEED).all()


@pytest.mark.parametrize(
    "ending", ["csv", "edf", "bdf", "mat", "h5", "parquet", "dcm", "hea", "xyz", "csv.gz"]
)
def test_noise_under_any_name(tmp_path, ending):
    rng = named_rng(7, "noise", ending)
    for size in (1, 255, 256, 4000):
        path = tmp_path / f"a.{ending}"
        path.write_bytes(rng.bytes(size))
        assert not attempt(path, "RVP")
