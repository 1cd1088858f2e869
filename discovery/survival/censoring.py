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

    def influence(self, time: np.ndarray, censored: np.ndarray, at: np.ndarray, amounts: np.ndarray):
        """What each patient's weight changes in the sum of `amounts` (k,) times log G at `at` (k,); (n,).

        `time` and `censored` (n,) are those that the curve was made of, with events first at ties.
        """
        left = self.at_risk - self.censored
        # Where nobody is left G is 0, and nothing is weighted by it.
        step = np.divide(self.censored, self.at_risk * left, out=np.zeros_like(left), where=left > 0)
        hazard = np.cumsum(step)
        stayed = steps(self.time, hazard, time, before=0.0, left=True)
        own = np.zeros(len(time))
        own[censored] = 1 / self.at_risk[np.searchsorted(self.time, time[censored])]
        order = np.argsort(at, kind="stable")
        at, amounts = at[order], amounts[order]
        whole = np.concatenate([[0.0], np.cumsum(amounts)])
        of_hazard = np.concatenate([[0.0], np.cumsum(amounts * steps(self.time, hazard, at, before=0.0))])
        earlier = np.searchsorted(at, time, side="left")
        return of_hazard[earlier] + (whole[-1] - whole[earlier]) * (stayed - own)


def censoring_curve(
    time: np.ndarray, censored: np.ndarray, *, ties: str, entry: np.ndarray | None = None, since=-np.inf
) -> CensoringCurve:
    """Curve of `censored` (n,) bool. At a tie the event stays in the risk set, or goes first, by `ties`.

    entry : (n,), at risk while entry < t <= time; since : earlier censorings and those at it are left out
    """
    jumps, counts = np.unique(time[censored & (time > since)], return_counts=True)
    at_risk = len(time) - np.searchsorted(np.sort(time), jumps, side="left")
    if entry is not None:
        at_risk = at_risk - (len(entry) - np.searchsorted(np.sort(entry), jumps, side="left"))
    if ties == "event first":
        events = np.sort(time[~censored])
        gone = np.searchsorted(events, jumps, side="right") - np.searchsorted(events, jumps, side="left")
        at_risk = at_risk - gone
    return CensoringCurve(
        jumps, np.cumprod(1 - counts / at_risk), at_risk.astype(float), counts.astype(float)
    )
