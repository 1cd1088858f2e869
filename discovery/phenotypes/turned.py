"""The axes that are reported: principal components, those beyond chance turned to be readable if asked for.

Turning (varimax) spreads the variance of the axes beyond chance so that each rests on few features. The
patients stay where they are, so groups, distances and assignment do not change with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.phenotypes.reduce import Components, varimax

ROTATIONS = ("none", "varimax")


@dataclass(frozen=True, kw_only=True)
class Axes:
    """The axes of `components`, in the order of the variance they carry; the first m may be turned.

    turn : (m, m), from standardised component scores to standardised scores of the turned axes; None as
        they are
    """

    components: Components
    turn: np.ndarray | None = None

    @property
    def names(self) -> list[str]:
        """PC1, PC2, ..., or RC1, RC2, ... for the turned ones, which are no principal components."""
        turned = 0 if self.turn is None else len(self.turn)
        return [f"{'RC' if j < turned else 'PC'}{j + 1}" for j in range(self.components.kept)]

    @property
    def pattern(self) -> np.ndarray:
        """(p, d) covariance of each feature with the standardised score of each axis."""
        d = self.components.kept
        found = self.components.loadings * np.sqrt(self.components.variance[:d])
        if self.turn is not None:
            m = len(self.turn)
            found = np.column_stack([found[:, :m] @ self.turn, found[:, m:]])
        return found

    @property
    def variance(self) -> np.ndarray:
        """(d,) variance of the features that goes with each axis; their sum is that of the components."""
        return (self.pattern**2).sum(axis=0)

    @property
    def loadings(self) -> np.ndarray:
        """(p, d) columns of length 1."""
        return self.pattern / np.sqrt(self.variance)

    def of_scores(self, scores: np.ndarray) -> np.ndarray:
        """Places (n, d) on the axes from component scores (n, d); their variance is `variance`."""
        if self.turn is None:
            return scores
        m = len(self.turn)
        sd = np.sqrt(self.components.variance[:m])
        turned = (scores[:, :m] / sd) @ self.turn * np.sqrt(self.variance[:m])
        return np.column_stack([turned, scores[:, m:]])

    def scores(self, x: np.ndarray) -> np.ndarray:
        """Places (n, d) of rows x (n, p) on the axes."""
        return self.of_scores(self.components.scores(x))


def turned(components: Components, count: int) -> Axes:
    """The axes with the first `count` turned by varimax; as they are for fewer than two.

    The turned ones stand in the order of their variance, and the largest loading of each is positive.
    """
    count = min(count, components.kept)
    if count < 2:
        return Axes(components=components)
    pattern = components.loadings[:, :count] * np.sqrt(components.variance[:count])
    loadings, turn = varimax(pattern)
    order = np.argsort(-(loadings**2).sum(axis=0), kind="stable")
    loadings, turn = loadings[:, order], turn[:, order]
    sign = np.sign(loadings[np.argmax(np.abs(loadings), axis=0), np.arange(count)])
    return Axes(components=components, turn=turn * np.where(sign == 0, 1.0, sign))
