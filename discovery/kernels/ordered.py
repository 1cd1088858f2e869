"""Type 7 quantiles of values that are sorted already, which `numpy.quantile` would sort again."""

from __future__ import annotations

import numpy as np


def quantiles_of_ordered(ordered: np.ndarray, shares: np.ndarray) -> np.ndarray:
    """Type 7 quantiles at `shares` of rising values (n,), n > 0, to the last digit as `numpy.quantile`."""
    place = (ordered.size - 1) * shares
    below = place.astype(np.int64)
    return between(ordered[below], ordered[np.minimum(below + 1, ordered.size - 1)], place - below)


def between(low: np.ndarray, high: np.ndarray, part: np.ndarray) -> np.ndarray:
    """What lies the share `part` of the way from `low` to `high`, in the arithmetic of `numpy.quantile`."""
    gap = high - low
    return np.where(part < 0.5, low + gap * part, high - gap * (1 - part))
