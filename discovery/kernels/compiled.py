"""The one place that decides how numeric loops are compiled."""

from __future__ import annotations

from numba import njit


def compiled(function):
    """Compile `function`: kept on disk between processes, free of the interpreter lock, no fast-math.

    A division by zero gives infinity or NaN as in numpy, and never raises: without that check the loops
    compile in half the time. Without fast-math the order of additions is the written one, so results
    are the same bytes on every run. Where no folder is writable for the compiled code, it is compiled
    anew each time.
    """
    try:
        return njit(cache=True, nogil=True, error_model="numpy")(function)
    except RuntimeError:
        return njit(nogil=True, error_model="numpy")(function)
