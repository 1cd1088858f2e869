"""Features that may give the outcome away: no finding of ours unless the study names them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from discovery.terms import SUSPECTED


def suspected(markers: pd.DataFrame) -> np.ndarray:
    """Which rows (n,) bool of a marker table are flagged as suspected leaks."""
    flags = markers["flags"].fillna("").astype(str)
    return np.array([any(f.startswith(SUSPECTED) for f in own.split("; ")) for own in flags], dtype=bool)


def barred(markers: pd.DataFrame, outcome: str, declared: Sequence[str]) -> list[str]:
    """The suspected leaks of an outcome that the study does not name under `freeze`, in their order."""
    mine = markers[(markers["outcome"] == outcome).to_numpy() & suspected(markers)]
    return [name for name in mine["feature"].astype(str) if name not in declared]
