"""Compiled code kept on disk is thrown away when a module that went into it changes."""

from pathlib import Path

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
