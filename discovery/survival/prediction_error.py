"""Brier score of predicted survival under censoring, over time and integrated."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.survival.censoring import censoring_curve
from discovery.survival.curves import kaplan_meier
from discovery.survival.follow_up import one_event
from discovery.survival.refusals import refuse, require_choice

SOURCE = "prediction error"
WEIGHT_TIMES = ("at", "before")


def brier_score(time, event, survival, times, *, weight_time="at") -> pd.DataFrame:
    """Mean squared distance between predicted survival and being event-free, censoring undone by weights.

    Who had the event by t weighs 1/G at the event, who is free of it after t weighs 1/G(t), who was
    censored before weighs 0; G is Kaplan-Meier for censoring from the same data, events first at ties.

    Parameters
    ----------
    time, event : array (n,)
    survival : array (n, n_times) or (n_times,)
        Predicted probabilities to be event-free; one row serves everybody.
    times : array (n_times,)
    weight_time : "at" or "before"
        G(T) or G(T-) for the events; implementations differ by about 1e-4.

    Returns
    -------
    DataFrame
        time, brier, brier_reference (Kaplan-Meier for everybody), scaled (1 - brier/reference; 0 is no
        better than Kaplan-Meier). Numbers on the data of the fit are optimistic.

    References
    ----------
    Graf et al., Stat Med 1999;18:2529-2545. Oracle: SV34.
    """
    require_choice(SOURCE, "weight_time", weight_time, WEIGHT_TIMES)
    follow_up = one_event(time, event)
    n = len(follow_up.time)
    times = np.atleast_1d(np.asarray(times, dtype=float))
    survival = np.asarray(survival, dtype=float)
    survival = np.broadcast_to(survival, (n, times.size)) if survival.ndim == 1 else survival
    problem = None
    if survival.shape != (n, times.size):
        problem = (
            f"wanted one row a patient and one column a time, ({n}, {times.size})",
            str(survival.shape),
        )
    elif not ((survival >= 0) & (survival <= 1)).all():
        problem = ("wanted probabilities from 0 to 1", "others, or missing ones")
    elif (times >= follow_up.time.max()).any():
        problem = (f"wanted times before the last follow-up, {follow_up.time.max():g}", f"{times.max():g}")
    if problem:
        refuse(SOURCE, problem[0], column="survival", found=problem[1])
    died = follow_up.status == 1
    curve = censoring_curve(follow_up.time, ~died, ties="event first")
    with np.errstate(divide="ignore"):
        at_event = 1 / (curve.after if weight_time == "at" else curve.before)(follow_up.time)
    at_time = 1 / curve.after(times)
    reference = kaplan_meier(follow_up.time, died).at(times)
    had = died[:, None] & (follow_up.time[:, None] <= times[None, :])
    free = follow_up.time[:, None] > times[None, :]

    def score(predicted):
        lost = np.where(had, predicted**2 * np.where(had, at_event[:, None], 0.0), 0.0)
        return (lost + free * (1 - predicted) ** 2 * at_time).mean(axis=0)

    brier, baseline = score(survival), score(np.broadcast_to(reference, survival.shape))
    with np.errstate(divide="ignore", invalid="ignore"):
        scaled = np.where(baseline > 0, 1 - brier / baseline, np.nan)
    return pd.DataFrame({"time": times, "brier": brier, "brier_reference": baseline, "scaled": scaled})


def integrated_brier_score(time, event, survival, times, *, weight_time="at") -> float:
    """Brier score averaged over time: trapezoids between `times`, divided by last minus first.

    The grid is part of the definition: state it. Arguments as in `brier_score`, times ascending.

    References
    ----------
    Graf et al. 1999, as above. Oracle: SV35.
    """
    times = np.asarray(times, dtype=float)
    if times.size < 2 or (np.diff(times) <= 0).any():
        refuse(SOURCE, "wanted two ascending times or more", column="times")
    brier = brier_score(time, event, survival, times, weight_time=weight_time)["brier"].to_numpy()
    return float(np.trapezoid(brier, times) / (times[-1] - times[0]))
