"""An outcome as the models take it, and the count that limits what they can say."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.association.episodes import Episodes
from discovery.association.kinds import kind_of


@dataclass(frozen=True, kw_only=True)
class Response:
    """An outcome over n patients: `y`, or `time` and `event` (0 or 1), perhaps with `entry`, `stratum`;
    recurrent episodes have `episodes`, and `y` is their number."""

    kind: str
    y: np.ndarray | None = None
    time: np.ndarray | None = None
    event: np.ndarray | None = None
    entry: np.ndarray | None = None
    stratum: np.ndarray | None = None
    episodes: Episodes | None = None
    exposure: np.ndarray | None = None  # time that a count was taken over

    def effective_sizes(self, rows: np.ndarray) -> np.ndarray:
        """What limits a model on the rows (n, k) of each column, (k,) int: events; patients in the rarest
        class; patients for a continuous outcome."""
        return kind_of(self.kind).effective_sizes(self, rows)


def total_over(rows: np.ndarray, weights: np.ndarray | None = None) -> np.ndarray:
    """Sum of `weights` (n,) over the rows (n, k) of each column, or how many rows it has (k,)."""
    if rows.all():
        return np.full(rows.shape[1], len(rows) if weights is None else weights.sum())
    return rows.sum(axis=0) if weights is None else weights @ rows.astype(float)
