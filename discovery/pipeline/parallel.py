"""Where parallel work runs: the cores of this machine, or the hosts behind a Dask scheduler."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from discovery.problems import InputError, Problem
from discovery.study.settings import available_cores

CONNECT_SECONDS = 10


@contextmanager
def workers_at(cluster: str | None) -> Iterator[None]:
    """Send the joblib work done inside the block to the scheduler at `cluster`; None keeps it here.

    The stages ask joblib for threads, since their compiled loops release the interpreter lock. A
    scheduler overrides that, with the same results: each task carries its own seed.

    Raises
    ------
    InputError
        Dask is not installed, or nothing answers at the address.
    """
    if cluster is None:
        yield
        return
    try:
        from distributed import Client
    except ImportError:
        wanted = "install the extra 'cluster' as the README says, to use a scheduler"
        raise InputError([Problem(file="--cluster", found=cluster, wanted=wanted)]) from None
    try:
        client = Client(cluster, timeout=CONNECT_SECONDS, set_as_default=True)
    except (OSError, ValueError, TypeError) as error:
        wanted = f"the address of a running Dask scheduler is wanted, such as tcp://host:8786 ({error})"
        raise InputError([Problem(file="--cluster", found=cluster, wanted=wanted)]) from None
    import joblib

    with client, joblib.parallel_config(backend="dask"):
        yield


def workers_here(asked: int) -> tuple[int, str]:
    """As many of the workers asked for as there are cores, and a sentence where that is fewer."""
    cores = available_cores()
    if asked <= cores:
        return asked, ""
    return cores, f"{asked} workers were asked for; {cores} are used, one a core. The results are the same."
