"""Brier score and AUC of predicted risks over time, with censoring and competing events."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.survival.censoring import censoring_curve
from discovery.survival.cumulative_incidence import aalen_johansen
from discovery.survival.follow_up import as_follow_up
from discovery.survival.refusals import refuse

SOURCE = "accuracy over time"
COLUMNS = ["time", "auc", "brier", "brier_reference", "scaled", "n_cases", "n_controls"]


def accuracy_over_time(time, status, risk, times) -> pd.DataFrame:
    """How well the risks of the event by each time tell cases from controls, and how near they come.

    A case has had the event by t. A control is free of it then: followed beyond t, or ended by a competing
    event, after which the event can never come. Censoring is undone by weights: 1/G(T) for who had an
    event of any kind by t, 1/G(t) for who is followed beyond; G is Kaplan-Meier for censoring, events first
    at ties. Who is censored by t weighs 0.

    Parameters
    ----------
    time, status : array (n,); status 0 censored, 1 the event, 2, 3, … competing
    risk : array (n, m), predicted probability of the event by each of `times` (m,)

    Returns
    -------
    DataFrame
        time, auc (a tied risk counts one half), brier, brier_reference (everybody at the Aalen-Johansen
        risk), scaled (1 - brier/reference), n_cases, n_controls. NaN without a case or a control.

    References
    ----------
    Blanche, Dartigues & Jacqmin-Gadda, Stat Med 2013;32:5381-5397 (AUC, controls as in their definition 2);
    Schoop et al., Biom J 2011;53:88-112 (Brier score). Without competing events these are `brier_score`
    and `time_dependent_auc`; without censoring they are the plain mean square and area.
    """
    follow_up = as_follow_up(time, status)
    times, risk = np.atleast_1d(np.asarray(times, dtype=float)), np.asarray(risk, dtype=float)
    n = len(follow_up.time)
    if risk.shape != (n, times.size) or not ((risk >= 0) & (risk <= 1)).all():
        refuse(
            SOURCE,
            f"wanted probabilities, one row a patient and one column a time, ({n}, {times.size})",
            column="risk",
            found=str(risk.shape),
        )
    if (times >= follow_up.time.max()).any():
        wanted = f"wanted times before the last follow-up, {follow_up.time.max():g}"
        refuse(SOURCE, wanted, column="times", found=f"{times.max():g}")
    ended = follow_up.status > 0
    curve = censoring_curve(follow_up.time, ~ended, ties="event first")
    with np.errstate(divide="ignore"):
        at_event = np.where(ended, 1 / curve.after(follow_up.time), 0.0)
    reference = aalen_johansen(follow_up.time, follow_up.status, causes=[1]).at(times)[0]
    rows = []
    for k, t in enumerate(times):
        gone = follow_up.time <= t
        case = gone & (follow_up.status == 1)
        control = ~gone | (gone & (follow_up.status > 1))
        weight = np.where(gone, at_event, 1 / float(curve.after(np.array([t]))[0]))
        predicted = risk[:, k]

        def score(values, case=case, weight=weight):
            return float((weight * (case - values) ** 2).mean())

        brier, baseline = score(predicted), score(np.full(n, reference[k]))
        row = {"time": t, "auc": _area(predicted, case, control, weight), "brier": brier}
        row |= {"brier_reference": baseline, "scaled": 1 - brier / baseline if baseline > 0 else np.nan}
        rows.append(row | {"n_cases": int(case.sum()), "n_controls": int(control.sum())})
    return pd.DataFrame(rows, columns=COLUMNS)


def _area(risk, case, control, weight) -> float:
    if not (case.any() and control.any()):
        return float("nan")
    order = np.argsort(risk[control], kind="stable")
    sorted_risk = risk[control][order]
    total = np.concatenate([[0.0], np.cumsum(weight[control][order])])
    low = total[np.searchsorted(sorted_risk, risk[case], side="left")]
    high = total[np.searchsorted(sorted_risk, risk[case], side="right")]
    return float(weight[case] @ ((low + high) / 2) / (weight[case].sum() * total[-1]))
