"""How well models predict patients that they have not seen: one tidy table, and calibration at a horizon."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd

from discovery.problems import InputError
from discovery.survival.accuracy_over_time import Accuracy, accuracy_over_time
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
GIVEN = "interval given these predictions, from the patients' influence"
JUDGED = f"{LEARNED}; {GIVEN}"
AT_ONE_RISK = f"cumulative incidence in all patients as everybody's risk; {GIVEN}"
NO_INTERVAL = "no interval: the estimate is at the end of its scale"


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
    the weights for censoring are not defined: C and calibration alone. The intervals (95 %) are of patients
    drawn anew and judged by the same predictions, from the influence of each patient (see
    `accuracy_over_time`, `uno_concordance`); that other patients would have made other models is not in them.

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
    reference: Accuracy | None = None
    for name, columns in models.items():
        folds = np.random.Generator(np.random.PCG64(seed))
        risk = out_of_fold_risk(time, status, columns, grid, folds, entry=entry)
        rows += [row | {"model": name} for row in _concordance(time, status, risk[:, -1], horizon, entry)]
        if entry is None and horizon < time.max():
            over = accuracy_over_time(time, status, risk, grid)
            reference = over if reference is None else reference
            rows += [row | {"model": name} for row in _over_time(over, "auc", "AUC at")]
            rows += [row | {"model": name} for row in _over_time(over, "brier", "Brier score at")]
            rows.append({"model": name} | _integrated(over, "brier", horizon))
            rows += [row | {"model": name} for row in _over_time(over, "scaled", "scaled Brier score")[-1:]]
        found = calibration_at(
            time, status, risk[:, -1], horizon, entry=entry, groups=_groups_for(len(time), events)
        )
        rows += [row | {"model": name} for row in _calibration(found)]
        groups.append(found.groups.assign(model=name))
        curves.append(found.curve.assign(model=name))
    if reference is not None:
        constant = [
            *_over_time(reference, "brier_reference", "Brier score at"),
            _integrated(reference, "brier_reference", horizon),
        ]
        rows += [row | {"model": "everybody at one risk", "method": AT_ONE_RISK} for row in constant]
    table = pd.DataFrame(rows).assign(n=len(time), events=events)
    table = table.reindex(columns=COLUMNS)
    table["method"] = table["method"].fillna(LEARNED)
    undefined = table["estimate"].isna() & table["measure"].isin([SLOPE, MEAN_ERROR])
    why = "not defined with competing events" if (status > 1).any() else "could not be fitted"
    table["note"] = table["note"].fillna(undefined.map({True: why, False: ""}))
    bare = table["method"].str.endswith(GIVEN) & table["estimate"].notna() & table["ci_low"].isna()
    table.loc[bare, "note"] = [
        "; ".join(filter(None, [note, NO_INTERVAL])) for note in table.loc[bare, "note"]
    ]
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
        rows.append(_judged("Uno C", horizon, uno.estimate, uno.ci_low, uno.ci_high))
    return rows


def _judged(measure: str, time: float, estimate: float, low: float, high: float) -> dict:
    row = {"measure": measure, "time": time, "estimate": estimate, "ci_low": low, "ci_high": high}
    return row | {"method": JUDGED}


def _over_time(found: Accuracy, column: str, measure: str) -> list[dict]:
    columns = ["time", column, f"{column}_low", f"{column}_high"]
    return [_judged(measure, *map(float, row)) for row in found.table[columns].to_numpy()]


def _integrated(found: Accuracy, column: str, horizon: float) -> dict:
    first, last = found.table["time"].iloc[[0, -1]]
    row = _judged("integrated Brier score", horizon, *found.integrated(column))
    return row | {"note": f"mean over {first:.4g} to {last:.4g}"}


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
