"""The one place that decides how numeric loops are compiled."""

from __future__ import annotations

import hashlib
import re
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
        file._source_stamp = (file._source_stamp, _sources_hash(Path(function.__code__.co_filename)))
    return dispatcher


def _sources_hash(module: Path) -> str:
    """Hash of a module, of this one and of all of ours that it imports, straight or by way of others."""
    wanted, found = [Path(__file__), module], set[Path]()
    while wanted:
        source = wanted.pop()
        if source not in found:
            found.add(source)
            wanted += _imported(source)
    return hashlib.sha256(b"".join(_bytes(source) for source in sorted(found))).hexdigest()


@cache
def _imported(source: Path) -> tuple[Path, ...]:
    """The modules of this package that `source` imports."""
    above = {b"discovery.": Path(__file__).parents[1], b".": source.parent}
    return tuple(
        above[start].joinpath(*name.decode().split(".")).with_suffix(".py")
        for start, name in _IMPORT.findall(_bytes(source))
    )


@cache
def _bytes(source: Path) -> bytes:
    return source.read_bytes() if source.is_file() else b""


_IMPORT = re.compile(rb"^\s*from (discovery\.|\.)([\w.]+) import", re.MULTILINE)
