"""How often a process of our own looks for objects that only hold each other."""

from __future__ import annotations

import gc


def collect_seldom() -> None:
    """Look only after many new objects, for the rest of this process.

    At Python's own pace it is a seventh of what the processes do that measure and draw, imports included,
    and an eighth of compiling.
    """
    gc.set_threshold(50_000, 20, 20)
