"""Compiled code kept on disk is thrown away when a module that went into it changes."""

from pathlib import Path

import numpy as np
from numba import types

from discovery.kernels import compiled


def test_the_hash_of_a_module_follows_what_it_imports_and_nothing_else(tmp_path):
    loops, inner, other = (tmp_path / name for name in ("loops.py", "inner.py", "other.py"))
    loops.write_text("from .inner import add\nfrom discovery.kernels.newton import solve\n")
    inner.write_text("one = 1\n")
    other.write_text("two = 2\n")

    def hashed() -> str:
        compiled._bytes.cache_clear()
        compiled._imported.cache_clear()
        return compiled._sources_hash(loops)

    first = hashed()
    other.write_text("two = 3\n")
    assert hashed() == first
    inner.write_text("one = 2\n")
    assert hashed() != first


def test_every_compiled_loop_is_hashed_with_the_module_that_solves_its_equations():
    from discovery.kernels import cox_firth

    found = {path.name for path in compiled._imported(Path(cox_firth.__file__))}
    assert {"newton.py", "cox_likelihood.py", "columns.py"} <= found


@compiled.compiled
def shifted(values, by):
    return values.sum() + by


@compiled.inlined
def twice_shifted(values, by):
    if by < 0:
        return shifted(values, 0)
    return shifted(values, by) + shifted(values, 1)


@compiled.compiled
def all_shifts(values):
    return twice_shifted(values, -1), twice_shifted(values, values.size), shifted(values, 7)


def test_a_loop_called_by_loops_is_compiled_once_whatever_numbers_are_written_into_the_calls():
    for by in (types.literal(0), types.literal(7), types.int64):
        template, _, kinds, _ = shifted.get_call_template((types.float64[::1], by), {})
        assert kinds == (types.float64[::1], types.int64)
        assert template.cases[0].args == kinds
    assert len(shifted.signatures) == 1
    assert all_shifts(np.ones(3)) == (3.0, 10.0, 10.0)
    assert twice_shifted.signatures == []  # part of its caller


def test_only_a_loop_called_from_python_is_compiled_for_that():
    assert all_shifts(np.ones(3))[0] == 3.0
    assert all_shifts.signatures == []
    assert len(all_shifts.for_python.signatures) == 1
    assert shifted(np.ones(2), 1) == 3.0
    assert twice_shifted(np.ones(2), -1) == 2.0
    assert all_shifts.for_python is all_shifts.for_python
