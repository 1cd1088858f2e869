"""Damaged files of every format: a listed reason or a shortened channel, never a traceback or a hang.

By default 30 damaged copies of each format are read, with --validity 500.
"""

from __future__ import annotations

import time

import numpy as np
import pytest

from discovery.problems import InputError
from discovery.recordings.source import open_recording
from discovery.seeds import named_rng

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
SLOWEST_S = 20.0  # for one damaged file of 20 s of signal; the ordinary time is some milliseconds


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


@pytest.mark.parametrize("name", FORMATS)
def test_damaged_files_are_read_or_refused_in_words(shared, tmp_path, name, full_validity):
    folder = shared / "waveforms" / ("multi_segment" if name.startswith("041") else "formats")
    parts = [name]
    if name == "rv20s.hea":
        parts = ["rv20s.hea", "rv20s.dat"]
    if name == "041s.hea":
        parts = ["041s.hea", "041s01.hea", "041s02.hea", "041s01.dat", "041s02.dat"]
    whole = {part: (folder / part).read_bytes() for part in parts}
    rng = named_rng(7, "damaged recordings", name)
    n_read = 0
    tries = 500 if full_validity else 30
    for _ in range(tries):
        hurt = parts[int(rng.integers(len(parts)))]
        for part in parts:
            (tmp_path / part).write_bytes(damaged(whole[part], rng) if part == hurt else whole[part])
        before = time.monotonic()
        n_read += attempt(tmp_path / name, FORMATS[name])
        assert time.monotonic() - before < SLOWEST_S, f"{name}: {hurt}"
    assert n_read < tries  # the damage is real


@pytest.mark.parametrize(
    "ending", ["csv", "edf", "bdf", "mat", "h5", "parquet", "dcm", "hea", "xyz", "csv.gz"]
)
def test_noise_under_any_name(tmp_path, ending):
    rng = named_rng(7, "noise", ending)
    for size in (1, 255, 256, 4000):
        path = tmp_path / f"a.{ending}"
        path.write_bytes(rng.bytes(size))
        assert not attempt(path, "RVP")
