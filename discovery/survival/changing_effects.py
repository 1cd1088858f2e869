"""Does a feature's hazard ratio hold over time, and what to say when it does not."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import norm

from discovery.association.multiplicity import benjamini_hochberg
from discovery.problems import InputError
from discovery.survival.covariates import as_table
from discovery.survival.cox import cox_model
from discovery.survival.proportional_hazards import proportional_hazards_test
from discovery.survival.refusals import refuse
from discovery.survival.regression_table import SMALLEST_P

SOURCE = "changing effects"
SCREEN_COLUMNS = ["feature", "chi2", "df", "p_value", "q_value", "slope", "transform", "n", "events", "note"]
PERIOD_COLUMNS = [
    "feature",
    "period",
    "quantity",
    "estimate",
    "se",
    "ci_low",
    "ci_high",
    "p_value",
    "n",
    "events",
    "note",
]


def proportional_hazards_screen(
    time, event, features: pd.DataFrame, *, base=None, entry=None, stratum=None, transform="rank"
) -> pd.DataFrame:
    """One score test of proportional hazards a feature, each in a model with the base covariates.

    Parameters
    ----------
    features : DataFrame (n, p); rows where a feature is missing are left out of its model
    base : DataFrame (n, q), optional
    other arguments : as for `proportional_hazards_test`

    Returns
    -------
    DataFrame
        feature, chi2, df, p_value, q_value (Benjamini-Hochberg over the features tested), slope
        (change of the log hazard ratio for one unit of the feature over one SD of the transformed
        time), transform, n, events, note (why not tested).

    References
    ----------
    Twelve tests at .05 flag something in 46 % of null studies; with Benjamini-Hochberg in 4-6 %.
    """
    adjust = None if base is None else as_table(base).reset_index(drop=True)
    rows = []
    for name in features.columns:
        one = features[[name]].reset_index(drop=True)
        table = one if adjust is None else pd.concat([adjust, one], axis=1)
        try:
            found = proportional_hazards_test(
                time, event, table, entry=entry, stratum=stratum, transform=transform
            )
            row = found.set_index("term").loc[str(name)].to_dict() | {"note": ""}
        except InputError as error:
            row = {"chi2": np.nan, "df": 0, "p_value": np.nan, "slope": np.nan, "transform": transform}
            row |= {"n": 0, "events": 0, "note": "; ".join(problem.wanted for problem in error.problems)}
        rows.append({"feature": name, **row})
    table = pd.DataFrame(rows, columns=[name for name in SCREEN_COLUMNS if name != "q_value"])
    q = benjamini_hochberg(table["p_value"].to_numpy(dtype=float))
    return table.assign(q_value=q)[SCREEN_COLUMNS]


RATIO = "log hazard ratio"


def effect_by_period(
    time,
    event,
    feature: pd.Series,
    *,
    base=None,
    entry=None,
    stratum=None,
    cut=None,
    conf_level=0.95,
) -> pd.DataFrame:
    """What to report instead of one hazard ratio: one for each of two periods.

    Parameters
    ----------
    feature : Series (n,), named; missing values are left out
    cut : float, optional
        Where the periods meet; the median event time otherwise, so that each has about half of the events.

    Returns
    -------
    DataFrame
        Rows "up to cut", "after cut" and "change" (log hazard ratios per unit, adjusted for the base):
        feature, period, quantity, estimate, se, ci_low, ci_high, p_value, n, events, note. Without
        proportional hazards the single hazard ratio is an average that depends on the follow-up of the study.
    """
    time, event = np.asarray(time, dtype=float), np.asarray(event, dtype=float)
    name = str(feature.name)
    values = feature.to_numpy(dtype=float, na_value=np.nan)
    began = np.zeros(len(time)) if entry is None else np.asarray(entry, dtype=float)
    if cut is None:
        cut = float(np.median(time[event == 1])) if (event == 1).any() else np.nan
    early_events, late_events = ((event == 1) & (time <= cut)).sum(), ((event == 1) & (time > cut)).sum()
    if not (early_events and late_events):
        refuse(SOURCE, "wanted events before and after the cut", column="cut", found=f"{cut:g}")
    # An event at time 0 needs a row that begins before it.
    began = np.where(began < time, began, -1.0) if entry is None else began
    first, later = np.flatnonzero(began < cut), np.flatnonzero(time > cut)
    rows = np.concatenate([first, later])
    late = np.repeat([0.0, 1.0], [first.size, later.size])
    start = np.where(late == 1, np.maximum(began[rows], cut), began[rows])
    stop = np.where(late == 1, time[rows], np.minimum(time[rows], cut))
    happened = np.where((late == 1) | (time[rows] <= cut), event[rows], 0.0)
    # Centred, so that the 0 of the other period is an ordinary value and the columns keep their precision.
    centred = values - np.nanmean(values) if np.isfinite(values).any() else values
    early_name, late_name = f"{name} up to the cut", f"{name} after the cut"
    table = pd.DataFrame({early_name: centred[rows] * (1 - late), late_name: centred[rows] * late})
    if base is not None:
        adjust = as_table(base).reset_index(drop=True).iloc[rows].reset_index(drop=True)
        table = pd.concat([adjust, table], axis=1)
    groups = None if stratum is None else np.asarray(stratum)[rows]
    fit = cox_model(stop, happened, table, entry=start, stratum=groups, conf_level=conf_level)
    at = [fit.names.index(early_name), fit.names.index(late_name)]
    change = np.zeros(len(fit.coef))
    change[at] = [-1.0, 1.0]
    used = np.isfinite(values)
    found = []
    for period, direction, events in (
        (f"up to {cut:g}", np.eye(len(fit.coef))[at[0]], early_events),
        (f"after {cut:g}", np.eye(len(fit.coef))[at[1]], late_events),
        ("change", change, early_events + late_events),
    ):
        estimate, se = float(direction @ fit.coef), float(np.sqrt(direction @ fit.covariance @ direction))
        found.append([period, RATIO, estimate, se, int(used.sum()), int(events), fit.note])
    table = pd.DataFrame(found, columns=["period", "quantity", "estimate", "se", "n", "events", "note"])
    z = norm.ppf(0.5 + conf_level / 2)
    table["ci_low"], table["ci_high"] = (
        table["estimate"] - z * table["se"],
        table["estimate"] + z * table["se"],
    )
    table["p_value"] = np.clip(2 * norm.sf(np.abs(table["estimate"] / table["se"])), SMALLEST_P, 1)
    return table.assign(feature=name)[PERIOD_COLUMNS]
