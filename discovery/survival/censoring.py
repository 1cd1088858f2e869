"""The chance of being still uncensored, for weights that undo censoring."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from discovery.survival.follow_up import steps

TIES = ("event at risk", "event first")


class CensoringCurve(NamedTuple):
    """Kaplan-Meier for being uncensored; arrays (m,) over the distinct censoring times."""

    time: np.ndarray
    uncensored: np.ndarray
    at_risk: np.ndarray
    censored: np.ndarray

    def after(self, at) -> np.ndarray:
        """G(t): uncensored past t."""
        return steps(self.time, self.uncensored, at, before=1.0)

    def before(self, at) -> np.ndarray:
        """G(t-): uncensored up to, but not at, t."""
        return steps(self.time, self.uncensored, at, before=1.0, left=True)


def censoring_curve(time: np.ndarray, censored: np.ndarray, *, ties: str) -> CensoringCurve:
    """Curve of `censored` (n,) bool. At a tie the event stays in the risk set, or goes first, by `ties`."""
    jumps, counts = np.unique(time[censored], return_counts=True)
    at_risk = len(time) - np.searchsorted(np.sort(time), jumps, side="left")
    if ties == "event first":
        events = np.sort(time[~censored])
        gone = np.searchsorted(events, jumps, side="right") - np.searchsorted(events, jumps, side="left")
        at_risk = at_risk - gone
    return CensoringCurve(
        jumps, np.cumprod(1 - counts / at_risk), at_risk.astype(float), counts.astype(float)
    )
