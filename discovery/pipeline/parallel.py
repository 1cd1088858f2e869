"""Where parallel work runs: the cores of this machine, or the hosts behind a Dask scheduler."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

from discovery.problems import InputError, Problem

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
        wanted = "install the extra 'cluster' (pip install 'discovery[cluster]') to use a scheduler"
        raise InputError([Problem(file="--cluster", found=cluster, wanted=wanted)]) from None
    try:
        client = Client(cluster, timeout=CONNECT_SECONDS, set_as_default=True)
    except (OSError, ValueError, TypeError) as error:
        wanted = f"the address of a running Dask scheduler is wanted, such as tcp://host:8786 ({error})"
        raise InputError([Problem(file="--cluster", found=cluster, wanted=wanted)]) from None
    import joblib

    with client, joblib.parallel_config(backend="dask"):
        yield


def cores() -> int:
    """How many cores this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not every system tells
        return os.cpu_count() or 1
