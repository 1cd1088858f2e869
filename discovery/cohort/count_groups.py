"""Groups of neighbouring numbers with enough patients in each, for counts and numbers of few values."""

from __future__ import annotations

import numpy as np
import pandas as pd

FEWEST_PATIENTS = 10
SHARES = (0.1, 0.15, 0.2, 0.25)  # of the patients, in each group; the first that gives four or fewer
MOST_GROUPS = 4


def count_groups(values: pd.Series) -> pd.Series:
    """`values` (n,) in words, in order: "0", "1", "2 or more", "2 to 4"; a missing value stays missing.

    From the lowest value on, neighbours are put together until a group has ten patients and a tenth of
    all; of more than four groups, until it has 15, 20 or 25 %. A rest that is too small joins the last.
    Where this leaves one group of several values, it is cut in two as evenly as can be.
    """
    known = values.dropna().astype(float)
    distinct, patients = np.unique(known, return_counts=True)
    for share in SHARES:
        starts = _starts(patients, max(FEWEST_PATIENTS, share * len(known)))
        if len(starts) <= MOST_GROUPS:
            break
    if len(starts) == 1 and len(distinct) > 1:
        below = np.cumsum(patients)[:-1]
        starts.append(1 + int(np.argmax(np.minimum(below, len(known) - below))))
    ends = [*starts[1:], len(distinct)]
    words = [
        _words(distinct[start], distinct[end - 1], last=end == len(distinct) and end - start > 1)
        for start, end in zip(starts, ends)
    ]
    group = np.searchsorted(starts, np.searchsorted(distinct, values.astype(float)), side="right") - 1
    codes = np.where(values.notna(), group, -1)
    return pd.Series(
        pd.Categorical.from_codes(codes, categories=words, ordered=True), index=values.index, name=values.name
    )


def _starts(patients: np.ndarray, fewest: float) -> list[int]:
    """Positions at which groups of `fewest` patients or more begin, given the patients of each value."""
    starts: list[int] = []
    held = 0
    for place, number in enumerate(patients):
        if not starts or held >= fewest:
            starts.append(place)
            held = 0
        held += int(number)
    if len(starts) > 1 and held < fewest:
        starts.pop()
    return starts


def _words(low: float, high: float, *, last: bool) -> str:
    if last:
        return f"{low:.6g} or more"
    return f"{low:.6g}" if low == high else f"{low:.6g} to {high:.6g}"
