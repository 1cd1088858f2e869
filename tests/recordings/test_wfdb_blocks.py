"""A WFDB record is read in blocks; where they are cut makes no difference."""

from __future__ import annotations

import numpy as np
import pytest

from discovery.recordings import wfdb_reader
from discovery.recordings.source import open_recording

RATE, N = 125, 4001


@pytest.fixture
def record(tmp_path):
    """A record of two channels in its own bytes (format 16, 100 steps to the mmHg), and the pressures."""
    steps = np.random.default_rng(3).integers(0, 6000, (N, 2))
    steps.astype("<i2").tofile(tmp_path / "day.dat")
    lines = [f"day 2 {RATE} {N}", *(f"day.dat 16 100(0)/mmHg 16 0 0 0 0 {name}" for name in ("RVP", "PAP"))]
    (tmp_path / "day.hea").write_text("\n".join(lines) + "\n")
    return tmp_path / "day", steps / 100.0


@pytest.mark.parametrize("block", [97, 1000, 4000, 4001, 10**6])
@pytest.mark.parametrize("seconds", [3.1, 8.0, 100.0])
def test_pieces_are_the_bytes_of_the_file_wherever_blocks_end(record, monkeypatch, block, seconds):
    path, pressures = record
    monkeypatch.setattr(wfdb_reader, "_BLOCK_SAMPLES", block)
    with open_recording(path, {"rv": "RVP", "pa": "PAP"}) as source:
        pieces = list(source.chunks(seconds))
        again = next(iter(source.chunks(seconds)))
    for role, expected in zip(("rv", "pa"), pressures.T):
        got = np.concatenate([piece[role].samples for piece in pieces])
        np.testing.assert_allclose(got, expected, rtol=0, atol=1e-12)
        np.testing.assert_array_equal(again[role].samples, pieces[0][role].samples)
