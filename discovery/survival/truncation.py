"""The chance of having come under observation, for weights that undo delayed entry."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from discovery.survival.follow_up import steps


class EntryCurve(NamedTuple):
    """Product-limit of having entered, in reversed time; arrays (m,) over distinct times of entry.

    It is given relative to its first value: only ratios of it are known.
    """

    time: np.ndarray
    grown: np.ndarray  # H just after the time over H before the first of them
    at_risk: np.ndarray  # patients under observation just after the time
    came: np.ndarray

    def before(self, at) -> np.ndarray:
        """H(t-), over its first value: entered ahead of t."""
        return steps(self.time, self.grown, at, before=1.0, left=True)


def entry_curve(entry: np.ndarray, time: np.ndarray, *, since: float, until: float) -> EntryCurve:
    """Curve from entries with `since` < entry < `until`; who ends at a time of entry is gone by then.

    References
    ----------
    Geskus, Biometrics 2011;67:39-49, equation 6.
    """
    at, came, watched = _entries(entry, time)
    used = (at > since) & (at < until)
    at, came, watched = at[used], came[used], watched[used]
    return EntryCurve(at, np.cumprod(watched / (watched - came)), watched, came)


def last_refill(entry: np.ndarray, time: np.ndarray, *, until: float) -> float:
    """The last entry ahead of `until` at which nobody who came before was still under observation."""
    at = refills(entry, time)
    return float(at[at < until][-1])


def refills(entry: np.ndarray, time: np.ndarray) -> np.ndarray:
    """Times of entry, in order, at which nobody who came before was under observation: the first, too."""
    at, came, watched = _entries(entry, time)
    return at[came == watched]


def _entries(entry: np.ndarray, time: np.ndarray):
    """Distinct times of entry (m,), how many come then, and how many are under observation just after."""
    at, came = np.unique(entry, return_counts=True)
    gone = np.searchsorted(np.sort(time), at, side="right")
    return at, came.astype(float), np.cumsum(came).astype(float) - gone
