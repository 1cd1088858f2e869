"""What a user sees while the work goes on."""

from __future__ import annotations

import io

import pytest

from discovery.cli.progress import TerminalProgress, clock_text


class Terminal(io.StringIO):
    def isatty(self):
        return True


class Clock:
    def __init__(self):
        self.now = 0.0

    def __call__(self):
        return self.now


def test_a_terminal_gets_a_bar_with_the_time_left():
    screen, clock = Terminal(), Clock()
    progress = TerminalProgress(screen, clock=clock)
    progress.stage("bootstrap")
    clock.now = 10.0
    progress.update(25, 100)
    assert "25 of 100, 30 s left" in screen.getvalue()
    progress.close()
    assert screen.getvalue().endswith("bootstrap: 10 s\n")


def test_a_pipe_gets_one_line_a_stage():
    pipe, clock = io.StringIO(), Clock()
    progress = TerminalProgress(pipe, clock=clock)
    for name in ("read", "screen"):
        progress.stage(name)
        for done in range(50):
            progress.update(done, 50)
        clock.now += 2
    progress.close()
    assert pipe.getvalue() == "read: 2.0 s\nscreen: 2.0 s\n"


def test_quiet_writes_nothing():
    pipe = Terminal()
    progress = TerminalProgress(pipe, quiet=True)
    progress.stage("read")
    progress.update(1, 2)
    progress.close()
    assert pipe.getvalue() == ""


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0.0 s"),
        (9.96, "10 s"),
        (59.4, "59 s"),
        (59.6, "1 min 00 s"),
        (185, "3 min 05 s"),
        (7620, "2 h 07 min"),
    ],
)
def test_times_are_in_words(seconds, text):
    assert clock_text(seconds) == text
