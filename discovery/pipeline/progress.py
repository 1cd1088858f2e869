"""What a stage may report to; the command line passes one that draws, a notebook passes none."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    def stage(self, name: str) -> None: ...

    def update(self, done: int, total: int) -> None: ...

    def close(self) -> None: ...


class Silent:
    """Reports nothing."""

    def stage(self, name: str) -> None:
        pass

    def update(self, done: int, total: int) -> None:
        pass

    def close(self) -> None:
        pass
