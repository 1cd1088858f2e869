"""Landmark analysis: a feature measured over a window is judged from the end of the window on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from discovery.survival.follow_up import as_follow_up
from discovery.survival.refusals import refuse

SOURCE = "landmark"


@dataclass(frozen=True, kw_only=True)
class Landmark:
    """Who is still followed and event-free at the landmark, and what became of the others.

    `kept` is bool (n,) over the rows given; `time` and `status` (n_kept,) go on from the landmark,
    with time 0 there; `entry` (n_kept,) or None likewise. `flow` has a row a reason: step, n,
    n_left_out, reason.
    """

    at: float
    kept: np.ndarray
    time: np.ndarray
    status: np.ndarray
    entry: np.ndarray | None
    flow: pd.DataFrame


def landmark(time, status, at, *, entry=None) -> Landmark:
    """Rows at risk beyond the landmark, with the clock set to 0 there.

    A feature that is measured over a window (a count, a burden, "ever reached") is only complete for
    those who live through the window: taken from time 0 it looks protective for no other reason
    (immortal time). From the landmark on it is a baseline value, for the population of survivors to
    the landmark. With competing events, who had any event before it is left out.

    Parameters
    ----------
    time, status, entry : array (n,), as in `as_follow_up`; a missing value in any leaves the row out
    at : float
        The landmark, the end of the measuring window, in the unit of `time`. Whoever has time <= at is
        out. With `entry`, later entries stay late; earlier ones begin at the landmark.

    Raises
    ------
    InputError
        The landmark is not positive, or nobody is followed beyond it.

    References
    ----------
    Anderson, Cain & Gelber, J Clin Oncol 1983;1:710-719. Contrast on open data: SV29.
    """
    if not (np.isfinite(at) and at > 0):
        refuse(SOURCE, "wanted a time above 0", column="at", found=str(at))
    columns = [np.asarray(values, dtype=float) for values in (time, status, entry) if values is not None]
    known = np.all([np.isfinite(values) for values in columns], axis=0)
    if not known.any():
        refuse(SOURCE, "wanted at least one row with time and status", found="none")
    as_follow_up(
        *(values[known] for values in columns[:2]), entry=None if entry is None else columns[2][known]
    )
    ended = known & (np.nan_to_num(columns[0], nan=-1.0) <= at)
    code = np.nan_to_num(columns[1], nan=0.0)
    kept = known & ~ended
    if not kept.any():
        refuse(SOURCE, "nobody is followed beyond it", column="at", found=f"{at:g}")
    rows, left = [], len(known)
    for gone, reason in (
        (~known, "time or status is missing"),
        (ended & (code == 1), "event before the landmark"),
        (ended & (code > 1), "competing event before the landmark"),
        (ended & (code == 0), "follow-up ended before the landmark"),
    ):
        if gone.any():
            left -= int(gone.sum())
            step = f"at risk at the landmark {at:g}"
            rows.append({"step": step, "n": left, "n_left_out": int(gone.sum()), "reason": reason})
    flow = pd.DataFrame(rows, columns=["step", "n", "n_left_out", "reason"])
    return Landmark(
        at=float(at), kept=kept, time=columns[0][kept] - at, status=columns[1][kept],
        entry=None if entry is None else np.maximum(columns[2][kept] - at, 0.0), flow=flow,
    )  # fmt: skip
