"""What `discovery features` prints."""

from __future__ import annotations

import io
import os
import subprocess
import sys

import pandas as pd
import pytest

from discovery.beats.registry import FEATURES
from discovery.cli.main import READER_GONE, main


def test_the_list_has_a_line_for_every_feature(capsys):
    assert main(["features"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].split()[:3] == ["key", "label", "unit"]
    assert [line.split()[0] for line in lines[1:]] == list(FEATURES)


def test_one_key_is_told_in_full(capsys):
    assert main(["features", "rv_tau_exponential"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    feature = FEATURES["rv_tau_exponential"]
    for text in (feature.label, feature.unit, feature.definition, feature.source):
        assert " ".join(text.split()) in out


def test_a_pattern_and_csv_give_a_table(capsys):
    assert main(["features", "rv_tau_*", "--csv"]) == 0
    table = pd.read_csv(io.StringIO(capsys.readouterr().out))
    assert list(table["key"]) == [key for key in FEATURES if key.startswith("rv_tau_")]
    assert table["definition"].notna().all()


def test_an_unknown_key_gets_the_nearest(capsys):
    assert main(["features", "rv_tau_exponentiel", "nothing_like_it"]) == 2
    error = capsys.readouterr().err
    assert "2 problems" in error
    assert "did you mean 'rv_tau_exponential'?" in error


@pytest.mark.parametrize("arguments", [["features"], ["features", "--csv"], ["features", "no_such_key"]])
def test_a_reader_that_stops_reading_is_no_fault(arguments):
    """As in `discovery features | head`, with a reader that has gone before the first line."""
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "w") as nobody:
        command = [sys.executable, "-m", "discovery", *arguments]
        which = "stderr" if "no_such_key" in arguments else "stdout"
        streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | {which: nobody}
        done = subprocess.run(command, **streams, text=True, check=False)
    assert done.returncode == READER_GONE
    assert not done.stdout
    assert not done.stderr
