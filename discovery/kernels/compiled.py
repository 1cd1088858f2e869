"""The one place that decides how numeric loops are compiled."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path
from typing import Any

from numba import njit


def compiled(function):
    """Compile `function`: kept on disk between processes, free of the interpreter lock, no fast-math.

    A division by zero gives infinity or NaN as in numpy, and never raises: without that check the loops
    compile in half the time. Without fast-math the order of additions is the written one, so results
    are the same bytes on every run. Where no folder is writable for the compiled code, it is compiled
    anew each time.
    """
    try:
        dispatcher = njit(cache=True, nogil=True, error_model="numpy")(function)
    except RuntimeError:
        return njit(nogil=True, error_model="numpy")(function)
    # numba looks only at the file of the function itself, but the compiled code also holds what it calls
    file: Any = getattr(getattr(dispatcher, "_cache", None), "_cache_file", None)
    if hasattr(file, "_source_stamp"):
        file._source_stamp = (file._source_stamp, _sources_hash(Path(function.__code__.co_filename).parent))
    return dispatcher


@cache
def _sources_hash(folder: Path) -> str:
    """Hash of the modules beside this one and of those in `folder`: when one changes, all compile anew."""
    digest = hashlib.sha256()
    for place in sorted({folder, Path(__file__).parent}):
        for source in sorted(place.glob("*.py")):
            digest.update(source.read_bytes())
    return digest.hexdigest()
