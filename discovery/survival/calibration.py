"""Do predicted risks at a horizon agree with what happened?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from discovery.survival.cumulative_incidence import aalen_johansen
from discovery.survival.curves import kaplan_meier
from discovery.survival.follow_up import FollowUp, as_follow_up
from discovery.survival.refusals import refuse

SOURCE = "calibration"


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """Calibration of risks at one horizon; limits at `conf_level`, NaN where not defined.

    `observed_expected` is observed risk over mean predicted risk (1 is right), `slope` the coefficient of
    log(-log(1 - risk)) in a Cox model (1 is right, below 1 the risks are too extreme). `groups`: one row a
    group of predicted risk (group, n, predicted, observed, ci_low, ci_high, events). `curve` (risk,
    observed): smooth calibration curve; `mean_error`, `median_error`, `ninetieth_error` are the size
    of predicted minus smooth observed risk over patients.
    """

    horizon: float
    conf_level: float
    n: int
    events: int
    predicted: float
    observed: float
    observed_expected: float
    observed_expected_low: float
    observed_expected_high: float
    slope: float
    slope_low: float
    slope_high: float
    mean_error: float
    median_error: float
    ninetieth_error: float
    groups: pd.DataFrame
    curve: pd.DataFrame


def calibration_at(time, status, risk, horizon, *, entry=None, groups=10, conf_level=0.95) -> Calibration:
    """Compare predicted risks of the event by `horizon` with observed ones.

    Parameters
    ----------
    time, status, entry : array (n,); status 0 censored, 1 the event, 2, 3, … competing
    risk : array (n,)
        Predicted probability of the event by the horizon, from a model that has not seen these
        patients; on the patients it was fitted to, calibration is flattered.
    horizon : float, within follow-up
    groups : int
        Number of groups of equal size by predicted risk; tied risks stay together.

    Returns
    -------
    Calibration
        Observed risk is 1 - Kaplan-Meier, or with competing events Aalen-Johansen incidence. Slope and
        curve are of the cause-specific hazard then censored at the horizon, and are NaN/empty with
        competing events.

    Raises
    ------
    InputError
        See `as_follow_up`; risks outside [0, 1]; a horizon beyond follow-up.

    References
    ----------
    Royston & Altman, BMC Med Res Methodol 2013;13:33 (slope); Austin, Harrell & van Klaveren, Stat Med
    2020;39:2714-2742 (smooth curve by Cox regression on a spline of log(-log(1 - risk))).
    """
    follow_up = as_follow_up(time, status, entry=entry)
    risk = np.asarray(risk, dtype=float)
    if risk.shape != follow_up.time.shape or not ((risk >= 0) & (risk <= 1)).all():
        refuse(
            SOURCE,
            f"wanted {len(follow_up.time)} probabilities from 0 to 1",
            column="risk",
            found=str(risk.shape),
        )
    if not (np.isfinite(horizon) and 0 < horizon <= follow_up.time.max()):
        wanted = f"wanted a time within follow-up, up to {follow_up.time.max():g}"
        refuse(SOURCE, wanted, column="horizon", found=f"{horizon:g}")
    delayed = np.isfinite(follow_up.entry).any()
    competing = bool((follow_up.status > 1).any())
    observed, low, high, events = _observed(
        follow_up, np.ones(len(risk), dtype=bool), horizon, competing, conf_level
    )
    predicted = float(risk.mean())
    slope = slope_low = slope_high = mean_error = median_error = ninetieth = float("nan")
    curve = pd.DataFrame({"risk": [], "observed": []}, dtype=float)
    if not competing and events and risk.std() > 0:
        from discovery.survival.cox import cox_model

        x = np.log(-np.log1p(-np.clip(risk, 1e-9, 1 - 1e-9)))
        came = follow_up.entry if delayed else None
        fit = cox_model(follow_up.time, follow_up.status, x, entry=came, conf_level=conf_level)
        if not fit.note:
            row = fit.table().iloc[0]
            slope, slope_low, slope_high = row["estimate"], row["ci_low"], row["ci_high"]
        smooth = _smooth(follow_up, x, horizon, came)
        if smooth is not None:
            gap = np.abs(risk - smooth)
            mean_error, median_error = float(gap.mean()), float(np.median(gap))
            ninetieth = float(np.quantile(gap, 0.9))
            order = np.argsort(risk, kind="stable")
            curve = pd.DataFrame({"risk": risk[order], "observed": smooth[order]}).drop_duplicates("risk")
    ratio = observed / predicted if predicted > 0 else float("nan")
    scale = 1 / predicted if predicted > 0 else float("nan")
    return Calibration(
        horizon=float(horizon), conf_level=conf_level, n=len(risk), events=events, predicted=predicted,
        observed=observed, observed_expected=ratio, observed_expected_low=low * scale,
        observed_expected_high=high * scale, slope=slope, slope_low=slope_low, slope_high=slope_high,
        mean_error=mean_error, median_error=median_error, ninetieth_error=ninetieth,
        groups=_groups(follow_up, risk, horizon, competing, groups, conf_level),
        curve=curve.reset_index(drop=True),
    )  # fmt: skip


def _observed(follow_up: FollowUp, mine, horizon, competing, conf_level) -> tuple[float, float, float, int]:
    """Observed risk by the horizon with limits, and the events until then."""
    time, status, entry, _ = (values[mine] for values in follow_up)
    came = entry if np.isfinite(follow_up.entry).any() else None
    events = int(((status == 1) & (time <= horizon)).sum())
    if competing:
        found = aalen_johansen(time, status, entry=came, causes=[1], conf_level=conf_level)
        low, high = found.interval_at(horizon)
        return float(found.at(horizon)[0]), float(low[0]), float(high[0]), events
    curve = kaplan_meier(time, status, entry=came, conf_level=conf_level)
    low, high = curve.interval_at(horizon)
    return 1 - float(curve.at(horizon)), 1 - float(high), 1 - float(low), events


def _groups(follow_up, risk, horizon, competing, groups, conf_level) -> pd.DataFrame:
    cuts = np.unique(np.quantile(risk, np.arange(1, groups) / groups)) if groups > 1 else np.empty(0)
    code = np.searchsorted(cuts, risk, side="left")
    rows = []
    for number, group in enumerate(np.unique(code), start=1):
        mine = code == group
        observed, low, high, events = _observed(follow_up, mine, horizon, competing, conf_level)
        rows.append(
            {
                "group": number,
                "n": int(mine.sum()),
                "predicted": float(risk[mine].mean()),
                "observed": observed,
                "ci_low": low,
                "ci_high": high,
                "events": events,
            }
        )
    return pd.DataFrame(rows)


def _smooth(follow_up: FollowUp, x, horizon, entry) -> np.ndarray | None:
    """Observed risk as a smooth function of the predicted one: Cox on a restricted cubic spline, 3 knots."""
    from discovery.survival.cox import cox_model

    knots = np.quantile(x, [0.1, 0.5, 0.9])
    columns = x[:, None]
    if knots[0] < knots[1] < knots[2]:
        cube = np.maximum(x[:, None] - knots, 0.0) ** 3
        bend = cube[:, 0] - (cube[:, 1] * (knots[2] - knots[0]) - cube[:, 2] * (knots[1] - knots[0])) / (
            knots[2] - knots[1]
        )
        columns = np.column_stack([x, bend / (knots[2] - knots[0]) ** 2])
    fit = cox_model(follow_up.time, follow_up.status, columns, entry=entry)
    return None if fit.note else 1 - fit.survival(columns, [horizon])[:, 0]
