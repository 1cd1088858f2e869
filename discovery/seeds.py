"""One seed for a study; every stage and item draws from its own named child of it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

import numpy as np


def named_seed(seed: int, *names: str | int) -> np.random.SeedSequence:
    """The child of `seed` that belongs to `names`, for example a stage, an outcome, a draw.

    The child depends on the names alone, never on how many workers there are or what ran before.
    """
    digest = hashlib.sha256("\x1f".join(str(name) for name in names).encode()).digest()
    words = [int.from_bytes(digest[i : i + 4], "little") for i in range(0, 16, 4)]
    return np.random.SeedSequence([seed, *words])


def named_rng(seed: int, *names: str | int) -> np.random.Generator:
    """A generator over `named_seed(seed, *names)`."""
    return np.random.Generator(np.random.PCG64(named_seed(seed, *names)))


def drawn_weights(rng: np.random.Generator, groups: Iterable[np.ndarray], n: int) -> np.ndarray:
    """Multinomial case weights (n,) of a bootstrap draw; each of `groups` (places) keeps its size."""
    weights = np.zeros(n)
    for rows in groups:
        weights[rows] = np.bincount(rng.integers(0, rows.size, rows.size), minlength=rows.size)
    return weights
