"""Does a risk score put patients in the order of their events? Harrell's and Uno's C, time-dependent AUC."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit, logit
from scipy.stats import norm

from discovery.survival.censoring import censoring_curve
from discovery.survival.curves import kaplan_meier
from discovery.survival.follow_up import one_event
from discovery.survival.refusals import refuse, require_choice

SOURCE = "discrimination"
WEIGHT_TIMES = ("at", "before")
BLOCK = 512


@dataclass(frozen=True, kw_only=True)
class Concordance:
    """Share of comparable pairs in the right order; `se` and limits are NaN where no error is offered."""

    estimate: float
    se: float
    ci_low: float
    ci_high: float
    conf_level: float
    n: int
    events: int
    method: str


def harrell_concordance(
    time, event, risk_score, *, entry=None, weights=None, stratum=None, horizon=None, conf_level=0.95
) -> Concordance:
    """Harrell's C; a higher score means an earlier event.

    Pairs with tied event times are left out, a censoring at the time of an event is later than it, a
    tied score counts one half, and pairs are formed within strata. The standard error is the
    infinitesimal jackknife; the interval is taken on the logit scale. The score is taken as given: the
    C of a model on its own data is optimistic.

    References
    ----------
    Harrell, Lee & Mark, Stat Med 1996;15:361-387. Oracle: SV16, SV18, SV19, SV21.
    """
    follow_up = one_event(time, event, entry=entry, weights=weights)
    score = _scores(risk_score, len(np.asarray(time)))
    if weights is not None:
        used = np.asarray(weights, dtype=float) > 0
        score = score[used]
        stratum = None if stratum is None else np.asarray(stratum)[used]
    from discovery.kernels.concordance import concordance

    delayed = np.isfinite(follow_up.entry).any()
    found = concordance(
        follow_up.time, follow_up.status, score, weights=follow_up.weights,
        entry=follow_up.entry if delayed else None, stratum=stratum, horizon=horizon, influence=True,
    )  # fmt: skip
    value, influence = float(found.value[0]), np.asarray(found.influence)[0]
    se = float(np.sqrt(((follow_up.weights * influence) ** 2).sum())) if value == value else float("nan")
    low, high = logit_interval(value, se, conf_level)
    return Concordance(
        estimate=value, se=se, ci_low=low, ci_high=high, conf_level=conf_level, n=len(follow_up.time),
        events=int((follow_up.status == 1).sum()), method="Harrell C",
    )  # fmt: skip


def uno_concordance(time, event, risk_score, *, horizon, weight_time="at", conf_level=0.95) -> Concordance:
    """Uno's C up to `horizon`: pairs weighted by 1/G^2 at the earlier event, so that censoring drops out.

    Events before the horizon lead pairs. `weight_time` "at" takes G(T), "before" G(T-);
    implementations differ, the numbers by about 1e-4. Censoring times are after the events of the same
    time. The standard error is the infinitesimal jackknife, which takes the weights as estimated; the
    interval is taken on the logit scale.

    References
    ----------
    Uno et al., Stat Med 2011;30:1105-1117. Oracle: SV33.
    """
    require_choice(SOURCE, "weight_time", weight_time, WEIGHT_TIMES)
    follow_up = one_event(time, event)
    score = _scores(risk_score, len(follow_up.time))
    died = follow_up.status == 1
    curve = censoring_curve(follow_up.time, ~died, ties="event first")
    lead = np.flatnonzero(died & (follow_up.time < horizon))
    at = follow_up.time[lead] if weight_time == "at" else np.nextafter(follow_up.time[lead], -np.inf)
    # A censoring comes just behind the events of its time; whoever ranks higher is comparable.
    rank = 2 * np.unique(follow_up.time, return_inverse=True)[1] + ~died
    right, all_pairs = _beaten_later(rank, score, lead, np.ones(len(score)))
    weight = curve.after(at) ** -2.0
    total = float(weight @ all_pairs)
    value, se = float("nan"), float("nan")
    if total > 0:
        value = float(weight @ right) / total
        surplus = weight * (right - value * all_pairs)
        weight_of_leads = np.zeros(len(score))
        weight_of_leads[lead] = weight
        beaten_by, led_by = _beaten_later(-rank, -score, np.arange(len(score)), weight_of_leads)
        influence = beaten_by - value * led_by - 2 * curve.influence(follow_up.time, ~died, at, surplus)
        influence[lead] += surplus
        se = float(np.sqrt((influence**2).sum())) / total
    low, high = logit_interval(value, se, conf_level)
    return Concordance(
        estimate=value, se=se, ci_low=low, ci_high=high, conf_level=conf_level, n=len(score),
        events=int(died.sum()), method=f"Uno C to {horizon:g}, 1/G^2 {weight_time} the event",
    )  # fmt: skip


def _beaten_later(rank, score, lead, weight) -> tuple[np.ndarray, np.ndarray]:
    """For each row in `lead`: weight of the rows of higher rank with a lower score (ties one half), and with
    any score.

    Rows are walked in blocks by rank: rows of later blocks are summed in one sorted list, those of the own
    block one by one.
    """
    order = np.argsort(rank, kind="stable")
    score_of, weight_of = score[order], weight[order]
    first_later = np.searchsorted(rank[order], rank[lead], side="right")
    right = np.empty(len(lead))
    for start in range(0, len(order), BLOCK):
        stop = start + BLOCK
        mine = np.flatnonzero((first_later > start) & (first_later <= stop))
        if not mine.size:
            continue
        own, value = score_of[start:stop], score[lead[mine], None]
        later = np.arange(start, start + len(own)) >= first_later[mine, None]
        within = (later * ((value > own) + 0.5 * (value == own))) @ weight_of[start:stop]
        by_score = np.argsort(score_of[stop:], kind="stable")
        behind = score_of[stop:][by_score]
        summed = np.concatenate([[0.0], np.cumsum(weight_of[stop:][by_score])])
        low = np.searchsorted(behind, value[:, 0], side="left")
        high = np.searchsorted(behind, value[:, 0], side="right")
        right[mine] = within + (summed[low] + summed[high]) / 2
    total = np.concatenate([np.cumsum(weight_of[::-1])[::-1], [0.0]])
    return right, total[first_later]


def time_dependent_auc(time, event, risk_score, times, *, weight_time="at") -> pd.DataFrame:
    """Cumulative/dynamic AUC: who has had the event by t against who is still free of it after t.

    Cases weigh 1/G at their event; a tied score counts one half. The row "mean" weighs the times by
    the drop of Kaplan-Meier since the time before.

    Parameters
    ----------
    times : sequence, ascending
    weight_time : "at" or "before", as in `uno_concordance`

    Returns
    -------
    DataFrame
        time (NaN for the mean), auc, n_cases, n_controls, weight. NaN where there is no case or no control.

    References
    ----------
    Hung & Chiang, Can J Stat 2010;38:8-26; Uno et al., J Am Stat Assoc 2007;102:527-537. Oracle: SV36.
    """
    require_choice(SOURCE, "weight_time", weight_time, WEIGHT_TIMES)
    follow_up = one_event(time, event)
    score = _scores(risk_score, len(follow_up.time))
    times = np.atleast_1d(np.asarray(times, dtype=float))
    if (np.diff(times) <= 0).any():
        refuse(SOURCE, "wanted ascending times", column="times")
    died = follow_up.status == 1
    curve = censoring_curve(follow_up.time, ~died, ties="event first")
    with np.errstate(divide="ignore"):
        weight = 1 / (curve.after if weight_time == "at" else curve.before)(follow_up.time)
    rows = []
    for t in times:
        case, control = died & (follow_up.time <= t), follow_up.time > t
        value = np.nan
        if case.any() and control.any():
            below = np.sort(score[control])
            low = np.searchsorted(below, score[case], side="left")
            high = np.searchsorted(below, score[case], side="right")
            value = weight[case] @ ((low + high) / 2) / (weight[case].sum() * control.sum())
        rows.append({"time": t, "auc": value, "n_cases": int(case.sum()), "n_controls": int(control.sum())})
    table = pd.DataFrame(rows)
    survival = kaplan_meier(follow_up.time, died).at(times)
    drop = -np.diff(np.concatenate([[1.0], survival]))
    known = np.isfinite(table["auc"].to_numpy()) & np.isfinite(drop)
    weight_of_time = np.where(known, drop, 0.0)
    total = weight_of_time.sum()
    table["weight"] = weight_of_time / total if total > 0 else np.nan
    mean = float(weight_of_time[known] @ table["auc"].to_numpy()[known] / total) if total > 0 else np.nan
    last = pd.DataFrame(
        [{"time": np.nan, "auc": mean, "n_cases": int(died.sum()), "n_controls": 0, "weight": 1.0}]
    )
    return pd.concat([table, last], ignore_index=True)


def _scores(values, n: int) -> np.ndarray:
    score = np.asarray(values, dtype=float)
    if score.shape != (n,) or not np.isfinite(score).all():
        refuse(SOURCE, f"wanted {n} finite scores", column="risk_score", found=str(score.shape))
    return score


def logit_interval(value: float, se: float, conf_level: float) -> tuple[float, float]:
    if not 0 < value < 1 or not se > 0:
        return float("nan"), float("nan")
    half = norm.ppf(0.5 + conf_level / 2) * se / (value * (1 - value))
    return float(expit(logit(value) - half)), float(expit(logit(value) + half))
