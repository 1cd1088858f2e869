"""How well models predict patients that they have not seen: one tidy table, and calibration at a horizon."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd

from discovery.problems import InputError
from discovery.survival.accuracy_over_time import accuracy_over_time
from discovery.survival.calibration import Calibration, calibration_at
from discovery.survival.curve_tables import time_marks
from discovery.survival.discrimination import harrell_concordance, uno_concordance
from discovery.survival.predicted_risk import FOLDS, REPEATS, out_of_fold_risk

COLUMNS = ["model", "measure", "time", "estimate", "ci_low", "ci_high", "n", "events", "method", "note"]
GRID = 20  # times from the 5th percentile of the event times (10 cases at least) to the horizon
FEWEST_CASES = 10
FEWEST_AT_HORIZON, SHARE_AT_HORIZON = 20, 0.15
MARKS = (6, 12, 24)  # of a time axis, coarse to fine
GROUPS, FEWEST_IN_GROUP = 5, 20
FEWEST_EVENTS = 20  # below, ten folds leave too few events to learn from and to judge by
SLOPE, MEAN_ERROR = "calibration slope", "mean calibration error"
LEARNED = f"predictions for patients left out, {FOLDS} folds, mean of {REPEATS} divisions"


class Prediction(NamedTuple):
    """`table` (COLUMNS), `groups` and `curve` of the calibration at the horizon with a column `model`."""

    table: pd.DataFrame
    groups: pd.DataFrame
    curve: pd.DataFrame


def usual_horizon(time, status) -> float:
    """The latest round time with 20 patients and 15 % of all still followed; else the median event time.

    Events at time 0 have no part in the median: nothing can be predicted up to time 0. NaN without an event
    after it.
    """
    held = round_horizon(time, status)
    time, status = np.asarray(time, dtype=float), np.asarray(status, dtype=float)
    later = time[(status == 1) & (time > 0)]
    return held if np.isfinite(held) or not later.size else float(np.median(later))


def round_horizon(time, status) -> float:
    """The latest round time with an event before it, and 20 patients and 15 % of all followed beyond; NaN if
    there is none.

    Round are the marks of a time axis, and where none of them will do those of finer ones.
    """
    time, status = np.asarray(time, dtype=float), np.asarray(status, dtype=float)
    enough = max(FEWEST_AT_HORIZON, SHARE_AT_HORIZON * len(time))
    for wanted in MARKS:
        marks = time_marks(time, wanted=wanted)
        held = [
            t for t in marks if t > 0 and (time > t).sum() >= enough and ((time <= t) & (status == 1)).any()
        ]
        if held:
            return float(held[-1])
    return float("nan")


def prediction_table(
    time, status, models: Mapping[str, np.ndarray], rng: np.random.Generator, *, entry=None, horizon=None
) -> Prediction:
    """Discrimination, error and calibration of each of `models` (name -> covariates (n, k)).

    Every model is judged on the same folds. Measures: Harrell's C of the risk at the horizon, with a
    competing event held in the risk set to the horizon; Uno's C (no competing events); AUC and Brier
    score over time, the latter also integrated (trapezoids over the grid) and beside that of everybody at
    one risk; observed over expected risk and the slope at the horizon, where 1 is right. With delayed entry
    the weights for censoring are not defined: C and calibration alone.

    Raises
    ------
    InputError
        Too few events; a model that cannot be fitted in some fold; a horizon beyond follow-up.
    """
    time, status = np.asarray(time, dtype=float), np.asarray(status, dtype=float)
    events = int((status == 1).sum())
    if events < FEWEST_EVENTS:
        from discovery.survival.refusals import refuse

        wanted = f"wanted {FEWEST_EVENTS} events or more to judge predictions by left-out patients"
        refuse("prediction", wanted, found=f"{events} events")
    horizon = usual_horizon(time, status) if horizon is None else float(horizon)
    own = np.sort(time[(status == 1) & (time <= horizon)])
    early = max(FEWEST_CASES - 1, int(0.05 * own.size))
    first = float(own[early]) if own.size > early else horizon / GRID
    grid = np.unique(np.append(np.linspace(min(first, horizon / 2), horizon, GRID), horizon))
    seed = int(rng.integers(2**63))
    rows: list[dict] = []
    groups, curves = [], []
    reference: pd.DataFrame | None = None
    for name, columns in models.items():
        folds = np.random.Generator(np.random.PCG64(seed))
        risk = out_of_fold_risk(time, status, columns, grid, folds, entry=entry)
        rows += [row | {"model": name} for row in _concordance(time, status, risk[:, -1], horizon, entry)]
        if entry is None and horizon < time.max():
            over = accuracy_over_time(time, status, risk, grid)
            reference = over if reference is None else reference
            rows += [row | {"model": name} for row in _over_time(over, "auc", "AUC")]
            rows += [row | {"model": name} for row in _over_time(over, "brier", "Brier score")]
            rows.append({"model": name} | _integrated(over, "brier", horizon))
            rows.append(
                {"model": name, "measure": "scaled Brier score", "time": horizon}
                | {"estimate": float(over["scaled"].iloc[-1])}
            )
        found = calibration_at(
            time, status, risk[:, -1], horizon, entry=entry, groups=_groups_for(len(time), events)
        )
        rows += [row | {"model": name} for row in _calibration(found)]
        groups.append(found.groups.assign(model=name))
        curves.append(found.curve.assign(model=name))
    if reference is not None:
        everybody = "everybody at one risk"
        rows += [
            row | {"model": everybody} for row in _over_time(reference, "brier_reference", "Brier score")
        ]
        rows.append({"model": everybody} | _integrated(reference, "brier_reference", horizon))
    table = pd.DataFrame(rows).assign(n=len(time), events=events)
    table = table.reindex(columns=COLUMNS)
    table["method"] = table["method"].fillna(LEARNED)
    undefined = table["estimate"].isna() & table["measure"].isin([SLOPE, MEAN_ERROR])
    why = "not defined with competing events" if (status > 1).any() else "could not be fitted"
    table["note"] = table["note"].fillna(undefined.map({True: why, False: ""}))
    return Prediction(table, pd.concat(groups, ignore_index=True), pd.concat(curves, ignore_index=True))


def _groups_for(n: int, events: int) -> int:
    return int(max(2, min(GROUPS, n // FEWEST_IN_GROUP, events // 10)))


def _concordance(time, status, risk, horizon, entry) -> list[dict]:
    competing = status > 1
    beyond = np.where(competing, np.maximum(time.max(), horizon) * 2 + 1, time)
    found = harrell_concordance(beyond, status == 1, risk, entry=entry, horizon=horizon)
    rows = [
        {
            "measure": "Harrell C",
            "time": horizon,
            "estimate": found.estimate,
            "ci_low": found.ci_low,
            "ci_high": found.ci_high,
        }
    ]
    if entry is None and not competing.any():
        try:
            uno = uno_concordance(time, status, risk, horizon=horizon)
        except InputError:
            return rows
        rows.append({"measure": "Uno C", "time": horizon, "estimate": uno.estimate})
    return rows


def _over_time(table: pd.DataFrame, column: str, measure: str) -> list[dict]:
    return [
        {"measure": f"{measure} at", "time": float(t), "estimate": float(value)}
        for t, value in zip(table["time"], table[column])
    ]


def _integrated(table: pd.DataFrame, column: str, horizon: float) -> dict:
    times = table["time"].to_numpy()
    area = float(np.trapezoid(table[column].to_numpy(), times) / (times[-1] - times[0]))
    note = f"mean over {times[0]:.4g} to {times[-1]:.4g}"
    return {"measure": "integrated Brier score", "time": horizon, "estimate": area, "note": note}


def _calibration(found: Calibration) -> list[dict]:
    return [
        {
            "measure": "observed / expected risk",
            "time": found.horizon,
            "estimate": found.observed_expected,
            "ci_low": found.observed_expected_low,
            "ci_high": found.observed_expected_high,
        },
        {
            "measure": SLOPE,
            "time": found.horizon,
            "estimate": found.slope,
            "ci_low": found.slope_low,
            "ci_high": found.slope_high,
        },
        {"measure": MEAN_ERROR, "time": found.horizon, "estimate": found.mean_error},
    ]
