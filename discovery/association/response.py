"""An outcome as the models take it, and the count that limits what they can say."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, kw_only=True)
class Response:
    """An outcome over n patients: `y`, or `time` and `event` (0 or 1), perhaps with `entry`, `stratum`."""

    kind: str
    y: np.ndarray | None = None
    time: np.ndarray | None = None
    event: np.ndarray | None = None
    entry: np.ndarray | None = None
    stratum: np.ndarray | None = None

    def effective_sizes(self, rows: np.ndarray) -> np.ndarray:
        """What limits a model on the rows (n, k) of each column, (k,) int: events; patients in the rarest
        class; patients for a continuous outcome or counts."""
        used = rows.astype(float)
        if self.event is not None:
            return np.rint(self.event @ used).astype(int)
        if self.kind in ("binary", "ordinal", "multiclass") and self.y is not None:
            classes = np.unique(self.y)
            if len(classes) < 2:
                return np.zeros(rows.shape[1], dtype=int)
            return np.rint(np.min([(self.y == c) @ used for c in classes], axis=0)).astype(int)
        return rows.sum(axis=0)
