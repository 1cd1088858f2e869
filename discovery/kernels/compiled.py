"""The one place that decides how numeric loops are compiled."""

from __future__ import annotations

import hashlib
import re
from functools import cache
from pathlib import Path
from types import FunctionType
from typing import Any

from numba import njit, types
from numba.core.registry import CPUDispatcher


def compiled(function):
    """Compile `function`: kept on disk between processes, free of the interpreter lock, no fast-math.

    A division by zero gives infinity or NaN as in numpy, and never raises: without that check the loops
    compile in half the time. Without fast-math the order of additions is the written one, so results
    are the same bytes on every run. Where no folder is writable for the compiled code, it is compiled
    anew each time.

    Most loops are only called by other loops. What a call from Python needs, to take arguments out of
    their objects and to make new ones, is a fifth of the compiling; it comes with the first such call.
    """
    return _as_loop(_kept(function, no_cpython_wrapper=True))


def inlined(function):
    """As `compiled`, for a few lines around calls of large loops: they become part of what calls them.

    A loop that is compiled for itself brings all that it calls along, only for that to be compiled once
    more in its own callers.
    """
    return _as_loop(_kept(function, inline="always"))


def _as_loop(dispatcher):
    if isinstance(dispatcher, CPUDispatcher):  # not where numba is told to compile nothing
        dispatcher.__class__ = _Loop
    return dispatcher


class _Loop(CPUDispatcher):
    """A loop compiled to be called by loops; called from Python, it is compiled once more, for that."""

    def __call__(self, *args, **kwargs):
        return self.for_python(*args, **kwargs)

    def get_call_template(self, args, kws):
        """A call by another loop. A number written into it is no reason to compile for that number alone."""
        kws = {name: types.unliteral(kind) for name, kind in kws.items()}
        return super().get_call_template([types.unliteral(kind) for kind in args], kws)

    @property
    def for_python(self) -> Any:
        found = self.__dict__.get("_for_python")
        if found is None:  # of two threads, both take what the first one sets
            found = self.__dict__.setdefault("_for_python", _kept(_twin(self.py_func)))
        return found


def _twin(function):
    """`function` under a name of its own, so that what is kept of it lies beside and not in place of it."""
    parts = (function.__globals__, function.__name__, function.__defaults__, function.__closure__)
    twin = FunctionType(function.__code__, *parts)
    twin.__qualname__ = f"{function.__qualname__}_for_python"
    twin.__doc__, twin.__module__ = function.__doc__, function.__module__
    return twin


def _kept(function, **options):
    """The loop, which compiles itself when it is first called or finds what is kept on disk."""
    options |= {"nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}
    try:
        dispatcher = njit(cache=True, **options)(function)
    except RuntimeError:
        return njit(**options)(function)
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
