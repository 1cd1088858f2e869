"""Brier score and AUC of predicted risks over time, with censoring and competing events."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.stats import norm

from discovery.survival.censoring import CensoringCurve, censoring_curve
from discovery.survival.cumulative_incidence import aalen_johansen
from discovery.survival.discrimination import logit_interval
from discovery.survival.follow_up import FollowUp, as_follow_up
from discovery.survival.refusals import refuse

SOURCE = "accuracy over time"
MEASURES = ("auc", "brier", "brier_reference")
COLUMNS = ["time", *(name + end for name in MEASURES for end in ("", "_low", "_high")),
           "scaled", "scaled_low", "scaled_high", "n_cases", "n_controls"]  # fmt: skip


class Accuracy(NamedTuple):
    """`table` (COLUMNS), a row a time, and what the weight of each patient changes in each of MEASURES: name
    -> array (n, n_times)."""

    table: pd.DataFrame
    influence: dict[str, np.ndarray]

    def integrated(self, measure: str, conf_level=0.95) -> tuple[float, float, float]:
        """Mean over the times (trapezoids), with the limits of its interval on the logit scale."""
        times = self.table["time"].to_numpy()
        span = times[-1] - times[0]
        area = float(np.trapezoid(self.table[measure].to_numpy(), times) / span)
        influence = np.trapezoid(self.influence[measure], times, axis=1) / span
        return area, *logit_interval(area, float(np.sqrt((influence**2).sum())), conf_level)


def accuracy_over_time(time, status, risk, times, *, conf_level=0.95) -> Accuracy:
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
    Accuracy
        Of the table: time, auc (a tied risk counts one half), brier, brier_reference (everybody at the
        Aalen-Johansen risk), scaled (1 - brier/reference), n_cases, n_controls. NaN without a case or a
        control. `_low` and `_high` are pointwise limits given the risks, for patients drawn anew: from the
        infinitesimal jackknife, which takes the weights as estimated, on the logit scale, for `scaled`
        on that of log(brier/reference). NaN at an estimate of 0 or 1. In 2000 simulated studies of 60 to 300
        patients they held the truth in 94 to 96 %.

    References
    ----------
    Blanche, Dartigues & Jacqmin-Gadda, Stat Med 2013;32:5381-5397 (AUC, controls as in their definition 2);
    Schoop et al., Biom J 2011;53:88-112 (Brier score). Without competing events these are `brier_score`
    and `time_dependent_auc`; without censoring they are the plain mean square and area, with the errors of
    a mean and of DeLong et al., Biometrics 1988;44:837-845.
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
    curve = censoring_curve(follow_up.time, follow_up.status == 0, ties="event first")
    reference = aalen_johansen(follow_up.time, follow_up.status, causes=[1]).at(times)[0]
    influence = {name: np.empty((n, times.size)) for name in MEASURES}
    rows = []
    for k, t in enumerate(times):
        judged = _Judged(follow_up, curve, float(t))
        found = {
            "auc": judged.auc(risk[:, k]),
            "brier": judged.brier(risk[:, k]),
            # That the reference is estimated too adds nothing but for ties: its weighted mean error is 0.
            "brier_reference": judged.brier(np.full(n, reference[k])),
        }
        row = {"time": t, "n_cases": int(judged.case.sum()), "n_controls": int(judged.control.sum())}
        for name, (value, changes) in found.items():
            influence[name][:, k] = changes
            low, high = logit_interval(value, float(np.sqrt((changes**2).sum())), conf_level)
            row |= {name: value, f"{name}_low": low, f"{name}_high": high}
        rows.append(row | _scaled(*found["brier"], *found["brier_reference"], conf_level))
    return Accuracy(pd.DataFrame(rows, columns=COLUMNS), influence)


class _Judged:
    """Cases, controls and their weights at `t`; each measure with each patient's influence (n,) on it."""

    def __init__(self, follow_up: FollowUp, curve: CensoringCurve, t: float):
        gone = follow_up.time <= t
        self.case = gone & (follow_up.status == 1)
        self.control = ~gone | (gone & (follow_up.status > 1))
        self.time, self.censored, self.curve = follow_up.time, follow_up.status == 0, curve
        self.at = np.minimum(follow_up.time, t)  # where its weight is read
        with np.errstate(divide="ignore"):
            self.weight = np.where(self.case | self.control, 1 / curve.after(self.at), 0.0)

    def brier(self, risk: np.ndarray) -> tuple[float, np.ndarray]:
        lost = self.weight * (self.case - risk) ** 2
        return float(lost.mean()), (self._with_weights(lost) - lost.mean()) / len(risk)

    def auc(self, risk: np.ndarray) -> tuple[float, np.ndarray]:
        case, control = self.case, self.control
        if not (case.any() and control.any()):
            return float("nan"), np.full(len(risk), np.nan)
        above = _below(risk[control], self.weight[control], risk[case])
        beaten = self.weight[case].sum() - _below(risk[case], self.weight[case], risk[control])
        cases, controls = self.weight[case].sum(), self.weight[control].sum()
        value = float(self.weight[case] @ above / (cases * controls))
        surplus = np.zeros(len(risk))
        surplus[case] = self.weight[case] * (above - value * controls)
        surplus[control] = self.weight[control] * (beaten - value * cases)
        return value, self._with_weights(surplus) / (cases * controls)

    def _with_weights(self, terms: np.ndarray) -> np.ndarray:
        """Derivative of the sum of `terms` by each patient's weight: by the own term, and by G."""
        return terms - self.curve.influence(self.time, self.censored, self.at, terms)


def _below(values, weight, at) -> np.ndarray:
    """Weight of `values` below each of `at`, ties one half."""
    order = np.argsort(values, kind="stable")
    total = np.concatenate([[0.0], np.cumsum(weight[order])])
    low = total[np.searchsorted(values[order], at, side="left")]
    return (low + total[np.searchsorted(values[order], at, side="right")]) / 2


def _scaled(brier, changes, reference, reference_changes, conf_level) -> dict[str, float]:
    if not reference > 0:
        return {}
    found = {"scaled": 1 - brier / reference}
    if not brier > 0:
        return found
    se = np.sqrt(((changes / brier - reference_changes / reference) ** 2).sum())
    wide = float(np.exp(norm.ppf(0.5 + conf_level / 2) * se))
    return found | {"scaled_low": 1 - brier / reference * wide, "scaled_high": 1 - brier / reference / wide}
