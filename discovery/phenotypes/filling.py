"""Missing values of z-scores, filled in from the other features of the same patient.

The features count as jointly normal with a shrunk covariance. For the solution the expected value stands
in; in each bootstrap draw a random one does, so that what was not seen is not held for sure.
"""

from __future__ import annotations

import numpy as np

ROUNDS = 25


class Filling:
    """The regressions that fill the gaps of one pattern of missing values, worked out once.

    gaps : bool (n, p), True where missing; covariance : (p, p) of the z-scores, whose means are 0.
    """

    def __init__(self, gaps: np.ndarray, covariance: np.ndarray):
        self.patterns: list[tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]] = []
        kinds, of = np.unique(gaps, axis=0, return_inverse=True)
        of = np.asarray(of).ravel()
        for number, gap in enumerate(kinds):
            if not gap.any():
                continue
            seen, lacking = np.flatnonzero(~gap), np.flatnonzero(gap)
            across = covariance[np.ix_(seen, lacking)]
            slope = np.linalg.solve(covariance[np.ix_(seen, seen)], across)
            rest = covariance[np.ix_(lacking, lacking)] - across.T @ slope
            value, vector = np.linalg.eigh((rest + rest.T) / 2)
            spread = (vector * np.sqrt(np.maximum(value, 0.0))).T
            self.patterns.append((np.flatnonzero(of == number), seen, lacking, slope, spread))

    def __bool__(self) -> bool:
        return bool(self.patterns)

    def expected(self, z: np.ndarray) -> np.ndarray:
        """z (n, p) with every gap at its expected value given what was seen."""
        return self._filled(z, None)

    def drawn(self, z: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """z (n, p) with every gap at a random value given what was seen."""
        return self._filled(z, rng)

    def _filled(self, z, rng):
        full = np.array(z, dtype=float)
        for rows, seen, lacking, slope, spread in self.patterns:
            guess = full[np.ix_(rows, seen)] @ slope
            if rng is not None:
                guess = guess + rng.standard_normal((len(rows), len(lacking))) @ spread
            full[np.ix_(rows, lacking)] = guess
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
        for rows, _seen, lacking, _slope, spread in filling.patterns:
            moment[np.ix_(lacking, lacking)] += len(rows) * (spread.T @ spread)
        new = (1 - toward) * moment / max(n - 1, 1) + toward * np.eye(p)
        done = np.abs(new - covariance).max() < 1e-5
        covariance = new
        if done:
            break
    return covariance
