"""Where the lumen lay, from a table of stretches."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from discovery.problems import InputError, Problem

if TYPE_CHECKING:
    import pandas as pd

NEEDED = ("start_s", "end_s", "sampling_site")


def site_lookup(table: pd.DataFrame) -> Callable[[np.ndarray], np.ndarray]:
    """A function from times (s) to site names; "undetermined" outside every stretch.

    table : columns start_s, end_s, sampling_site; stretches must not overlap.
    """
    absent = [name for name in NEEDED if name not in getattr(table, "columns", ())]
    if absent:
        raise InputError([Problem(file="site", wanted=f"a table with column {name!r}") for name in absent])
    ordered = table.sort_values("start_s", kind="stable")
    start = ordered["start_s"].to_numpy(dtype=float)
    end = ordered["end_s"].to_numpy(dtype=float)
    name = ordered["sampling_site"].to_numpy(dtype=object)
    if (end <= start).any() or (start[1:] < end[:-1] - 1e-9).any():
        raise InputError(
            [Problem(file="site", wanted="stretches that end after they start and do not overlap")]
        )

    def site_at(times: np.ndarray) -> np.ndarray:
        t = np.asarray(times, dtype=float)
        if start.size == 0:
            return np.full(t.shape, "undetermined", dtype=object)
        place = np.searchsorted(start, t, side="right") - 1
        inside = (place >= 0) & (t < end[np.clip(place, 0, None)])
        return np.where(inside, name[np.clip(place, 0, None)], "undetermined")

    return site_at
