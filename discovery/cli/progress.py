"""Progress on standard error: a bar with the time left on a terminal, one line a stage when piped."""

from __future__ import annotations

import time
from typing import TextIO

BAR_WIDTH = 24
SHORTEST_SECONDS_BETWEEN_DRAWS = 0.1


class TerminalProgress:
    """What the stages report to. `stage` opens one, `update` says how far it is, `close` ends it."""

    def __init__(self, stream: TextIO, *, quiet: bool = False, clock=time.monotonic):
        self.stream = stream
        self.quiet = quiet
        self.live = stream.isatty()
        self.clock = clock
        self.name = ""
        self.began = 0.0
        self.last_draw = 0.0

    def stage(self, name: str) -> None:
        self.close()
        self.name, self.began, self.last_draw = name, self.clock(), -1.0
        if self.live and not self.quiet:
            self._draw(f"{name} …")

    def update(self, done: int, total: int) -> None:
        now = self.clock()
        due = now - self.last_draw >= SHORTEST_SECONDS_BETWEEN_DRAWS or done == total
        if self.quiet or not self.live or not self.name or total <= 0 or not due:
            return
        self.last_draw = now
        filled = BAR_WIDTH * done // total
        left = f", {clock_text((now - self.began) * (total - done) / done)} left" if done else ""
        self._draw(f"{self.name} [{'#' * filled}{'.' * (BAR_WIDTH - filled)}] {done} of {total}{left}")

    def close(self) -> None:
        if self.name and not self.quiet:
            line = f"{self.name}: {clock_text(self.clock() - self.began)}"
            self._draw(line + "\n")
        self.name = ""

    def _draw(self, text: str) -> None:
        self.stream.write(f"\r\x1b[K{text}" if self.live else text)
        self.stream.flush()


def clock_text(seconds: float) -> str:
    """`seconds` as 0.4 s, 12 s, 3 min 05 s or 2 h 07 min."""
    if seconds < 9.95:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"
