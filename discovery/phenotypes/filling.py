"""Missing values of z-scores, filled in from the other features of the same patient.

The features count as jointly normal with a shrunk covariance. For the solution the expected value stands
in; in each bootstrap draw a random one does, so that what was not seen is not held for sure.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

ROUNDS = 25


@dataclass(frozen=True, kw_only=True)
class Pattern:
    """r patients with the same s features seen and l lacking: `seen` (r, s), `lacking` (r, l), places in the
    flattened table; `columns` (l,); `slope` (s, l); `rest` (l, l), what the features seen leave open."""

    seen: np.ndarray
    lacking: np.ndarray
    columns: np.ndarray
    slope: np.ndarray
    rest: np.ndarray

    @cached_property
    def spread(self) -> np.ndarray:
        """A root of `rest`: normals (r, l) times it have that covariance."""
        return np.linalg.cholesky(self.rest).T


class Filling:
    """The regressions that fill the gaps of one pattern of missing values, worked out once.

    gaps : bool (n, p), True where missing; covariance : (p, p) of the z-scores, whose means are 0.
    """

    def __init__(self, gaps: np.ndarray, covariance: np.ndarray):
        self.patterns: list[Pattern] = []
        kinds, of = np.unique(gaps, axis=0, return_inverse=True)
        of, p = np.asarray(of).ravel(), gaps.shape[1]
        precision = np.linalg.inv(covariance) if gaps.any() else covariance
        for number, gap in enumerate(kinds):
            if not gap.any():
                continue
            seen, lacking = np.flatnonzero(~gap), np.flatnonzero(gap)
            # of the gaps given the rest: covariance, and slope, from the inverse of the whole
            rest = np.linalg.inv(precision[lacking[:, None], lacking])
            rows = np.flatnonzero(of == number)[:, None] * p
            self.patterns.append(
                Pattern(
                    seen=rows + seen,
                    lacking=rows + lacking,
                    columns=lacking,
                    slope=-precision[seen[:, None], lacking] @ rest,
                    rest=(rest + rest.T) / 2,
                )
            )

    def __bool__(self) -> bool:
        return bool(self.patterns)

    def expected(self, z: np.ndarray) -> np.ndarray:
        """z (n, p) with every gap at its expected value given what was seen."""
        return self._filled(z, None)

    def drawn(self, z: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """z (n, p) with every gap at a random value given what was seen."""
        return self._filled(z, rng)

    def _filled(self, z, rng):
        full = np.array(z, dtype=float, order="C")
        flat = full.reshape(-1)
        for pattern in self.patterns:
            guess = flat[pattern.seen] @ pattern.slope
            if rng is not None:
                guess = guess + rng.standard_normal(guess.shape) @ pattern.spread
            flat[pattern.lacking] = guess
        return full


def learn_covariance(z: np.ndarray) -> np.ndarray:
    """Covariance (p, p) of z-scores (n, p) with gaps, by expectation-maximisation, shrunk to identity.

    The share of the identity is p / (n + p): about none with many patients, half when p = n.
    """
    n, p = z.shape
    gaps = np.isnan(z)
    toward = p / (n + p)
    covariance = np.eye(p)
    if not gaps.any():
        return (1 - toward) * (z.T @ z) / max(n - 1, 1) + toward * covariance
    for _ in range(ROUNDS):
        filling = Filling(gaps, covariance)
        full = filling.expected(z)
        moment = full.T @ full
        for pattern in filling.patterns:
            moment[pattern.columns[:, None], pattern.columns] += len(pattern.lacking) * pattern.rest
        new = (1 - toward) * moment / max(n - 1, 1) + toward * np.eye(p)
        done = np.abs(new - covariance).max() < 1e-5
        covariance = new
        if done:
            break
    return covariance
