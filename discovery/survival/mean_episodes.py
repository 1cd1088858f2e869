"""Mean number of recurrent episodes over time, with death in the picture."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import norm

from discovery.survival.curves import kaplan_meier
from discovery.survival.follow_up import steps
from discovery.survival.refusals import refuse, require_level
from discovery.terms import MEAN_EPISODES

SOURCE = MEAN_EPISODES


def mean_episodes(start, stop, event, patient, *, terminal=None, conf_level=0.95) -> pd.DataFrame:
    """Mean number of episodes a patient has had by each time, death taken into account.

    The sum of S(t-) dN(t)/Y(t), S the Kaplan-Meier estimate of being free of the terminal event.
    Treating death as censoring instead would give the number in a world without death.

    Parameters
    ----------
    start, stop, event, patient : array (n_rows,)
        Start-stop rows; those of a patient follow on one another.
    terminal : array (n_rows,), optional
        1 in a patient's last row when it ends with the terminal event, else 0.

    Returns
    -------
    DataFrame
        time, mean, se, ci_low, ci_high (log scale), n_at_risk, n_event. The variance is the sum over
        patients of squared influences.

    References
    ----------
    Ghosh & Lin, Biometrics 2000;56:554-562.
    """
    require_level(SOURCE, conf_level)
    start, stop, event = (np.asarray(values, dtype=float) for values in (start, stop, event))
    if not (start < stop).all() or not np.isin(event, (0.0, 1.0)).all():
        refuse(SOURCE, "wanted start before stop and events of 0 or 1", found="others")
    _, who = np.unique(np.asarray(patient), return_inverse=True)
    died = np.zeros(len(stop)) if terminal is None else np.asarray(terminal, dtype=float)
    n = who.max() + 1
    first, last = np.full(n, np.inf), np.full(n, -np.inf)
    np.minimum.at(first, who, start)
    np.maximum.at(last, who, stop)
    dead = np.zeros(n, dtype=bool)
    dead[who[died == 1]] = True
    entry = first if (first != first.min()).any() else None
    survival = kaplan_meier(last, dead, entry=entry)
    times = np.unique(stop[event == 1])
    if not times.size:
        refuse(SOURCE, "wanted at least one episode", column="event", found="none")
    at_risk = _between(start, stop, times)
    before = steps(survival.time, survival.estimate, times, before=1.0, left=True)
    d = np.bincount(np.searchsorted(times, stop[event == 1]), minlength=times.size).astype(float)
    step = before * d / at_risk
    mean = np.cumsum(step)
    influence = _influences(
        times, start, stop, event, who, n, before, d, at_risk, survival, last, dead, first
    )
    se = np.sqrt((influence**2).sum(axis=0))
    width = np.exp(norm.ppf(0.5 + conf_level / 2) * se / mean)
    return pd.DataFrame(
        {
            "time": times, "mean": mean, "se": se, "ci_low": mean / width, "ci_high": mean * width,
            "n_at_risk": at_risk.astype(int), "n_event": d.astype(int),
        }
    )  # fmt: skip


def _between(start, stop, times):
    """Number of rows with start < t <= stop."""
    return np.searchsorted(np.sort(start), times, side="left") - np.searchsorted(
        np.sort(stop), times, side="left"
    )


def _influences(times, start, stop, event, who, n, before, d, at_risk, survival, last, dead, first):
    """Derivative of the mean at every time by each patient's weight, (n, n_times)."""
    m = len(times)
    own = np.zeros((n, m))
    happened = event == 1
    np.add.at(own, (who[happened], np.searchsorted(times, stop[happened])), 1.0)
    under = np.zeros((n, m + 1))
    np.add.at(under, (who, np.searchsorted(times, start, side="right")), 1.0)
    np.add.at(under, (who, np.searchsorted(times, stop, side="right")), -1.0)
    under = np.cumsum(under, axis=1)[:, :m]
    direct = before / at_risk * (own - under * d / at_risk)
    # Influence on S(t-): minus S(t-) times the patient's martingale of the terminal event before t.
    left = survival.n_at_risk - survival.n_event
    rate = np.divide(survival.n_event, survival.n_at_risk * left, out=np.zeros_like(left), where=left > 0)
    total = np.cumsum(rate)

    def hazard(at):
        return steps(survival.time, total, at, before=0.0)

    seen = np.minimum(last[:, None], _just_before(times, survival.time)[None, :])
    came = np.where(np.isfinite(first), first, -np.inf)
    came = np.full(n, -np.inf) if (first == first.min()).all() else came
    exposure = np.maximum(hazard(seen) - hazard(came)[:, None], 0.0)
    at_death = np.searchsorted(survival.time, last)
    jump = np.divide(1.0, left[at_death], out=np.zeros(n), where=dead & (left[at_death] > 0))
    martingale = np.where(dead[:, None] & (last[:, None] < times[None, :]), jump[:, None], 0.0) - exposure
    return np.cumsum(direct - martingale * (before * d / at_risk), axis=1)


def _just_before(times, grid):
    """The last grid time before each of `times`, -inf for none."""
    index = np.searchsorted(grid, times, side="left") - 1
    return np.where(index >= 0, grid[np.maximum(index, 0)], -np.inf)
