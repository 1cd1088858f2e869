"""The two ends of a feature: its lowest and highest third, or its two groups where it has few values."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from discovery.survival.curve_tables import THIRDS, thirds
from discovery.terms import LESS, THIRDS_APART


class Ends(NamedTuple):
    """What the lower and the higher end and their difference are called; `codes` (n,) of `thirds`."""

    lower: str
    higher: str
    difference: str
    codes: np.ndarray

    @property
    def low(self) -> np.ndarray:
        return self.codes == 0

    @property
    def high(self) -> np.ndarray:
        return self.codes == self.codes.max()


def ends_of(values) -> Ends | None:
    """The ends of `values` (n,), NaN in neither; None where all are in one group.

    Two values are "lower value (0)" and "higher value (1)"; more with heavy ties are cut once, into "lower
    group (≤ 0)" and "higher group (> 0)", as `thirds` cuts them.
    """
    groups = thirds(values)
    codes = np.asarray(groups.codes)
    if codes.max() < 1:
        return None
    if len(groups.categories) == len(THIRDS):
        return Ends(THIRDS[0], THIRDS[-1], THIRDS_APART, codes)
    values = np.asarray(values, dtype=float)
    apart = np.unique(values[np.isfinite(values)])
    kind, names = "group", list(map(str, groups.categories))
    if apart.size == 2:
        kind, names = "value", [f"{value:.3g}" for value in apart]
    lower, higher = (f"{word} {kind} ({name})" for word, name in zip(("lower", "higher"), names))
    return Ends(lower, higher, f"{higher}{LESS}{lower}", codes)


def is_difference(group: pd.Series) -> np.ndarray:
    """Which names (n,) are those of differences."""
    return group.astype(str).str.contains(LESS, regex=False).to_numpy()


def third_or_group(difference: str) -> str:
    """What such a difference is one between: "third" or "group"."""
    return "third" if difference == THIRDS_APART else "group"
