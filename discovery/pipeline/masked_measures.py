"""Measures of prediction fit to be shared: in full they are fractions of numbers of patients, and tell them.

An AUC or a C is a whole number over twice the pairs compared, a point of a receiver operating characteristic
and a net benefit are shares of patients; so are, in other words, the Brier score at any time of one risk for
all and the log loss of shares. With few digits many numbers explain them. Their decimals are fixed, by the
pairs behind them, and not found from a spread or an interval as those of means and tests are
(`cohort.masked_digits`): what they tell of are shares, whatever their error.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from discovery.cohort.masked_digits import step_of_digits, to_step
from discovery.cohort.masked_means import DIGITS_OF_SD
from discovery.report.settings import RunSettings

DIGITS = 2
FINE_DIGITS = 3
PAIRS_FOR_FINE = 2000  # of events and others: halves of a pair then lie closer than the last of three digits
NO_COUNTS = ("deviance R2",)
AT_SITES, IN_TIME, CLASSES = "leave_one_site_out", "prediction", "etiology_model"
COLUMNS = {
    "markers": (
        "base_measure", "apparent_gain", "gain", "gain_low", "gain_high", "gain_random_folds",
        "gain_left_out_sites",
    ),
    AT_SITES: ("gain",),
    "signature_performance": (
        "apparent", "corrected", "ci_low", "ci_high", "gain", "gain_low", "gain_high", "gain_over_single",
        "gain_over_single_low", "gain_over_single_high",
    ),
    IN_TIME: ("estimate", "ci_low", "ci_high"),
}  # fmt: skip
LOSSES = ("log_loss", "log_loss_of_shares", "brier")
OF_MEASURE = {"markers": "gain_measure", "signature_performance": "measure"}
EVERYBODY = "everybody"


def rounded_measures(tables: Mapping[str, pd.DataFrame], settings: RunSettings) -> dict[str, pd.DataFrame]:
    """`tables` with AUC, C, gains, Brier scores, net benefits and points of curves of few digits."""
    out = dict(tables)
    digits = {o.name: _digits(o.n, o.events) for o in settings.outcomes}
    for name, table in tables.items():
        areas = [c for c in table if str(c).startswith("auc") or c == "pairwise_auc"]
        table = table.assign(**{column: table[column].round(DIGITS) for column in areas})
        if name in COLUMNS and len(table):
            table = _by_outcome(table, name, digits)
        if name == CLASSES:
            table = table.assign(
                **{column: table[column].round(DIGITS) for column in LOSSES if column in table}
            )
        if name == "signature" and len(table):
            table = table.assign(
                **{column: _to_spread(table[column], table["sd"]) for column in ("mean", "sd")}
            )
        if name == "roc" and len(table):
            table = table.assign(**{column: table[column].round(DIGITS) for column in ("fpr", "tpr")})
        if name == "decision_curves" and len(table):
            parts = [coarse_net_benefit(part) for _, part in table.groupby("outcome", sort=False)]
            table = pd.concat(parts).loc[table.index]
        out[name] = table
    return out


def coarse_net_benefit(curves: pd.DataFrame) -> pd.DataFrame:
    """Curves of one outcome as if its share of events had two digits.

    The curve of treating everybody is share - (1 - share) odds; digits cut at every threshold would have the
    share in common, and tell it. So the share is cut, and others are moved by as many as they treat.
    """
    threshold, above = (curves[c].to_numpy(float) for c in ("threshold", "share_above"))
    whole = curves[curves["model"] == EVERYBODY]
    shares = whole["net_benefit"] * (1 - whole["threshold"]) + whole["threshold"]
    moved = (shares.round(DIGITS) - shares).median() if len(shares) else 0.0
    benefit = curves["net_benefit"] + above * moved / (1 - threshold)
    exact = (curves["model"] == EVERYBODY).to_numpy()
    shown = np.where(exact, benefit.round(12), benefit.round(DIGITS)) + 0.0  # no trace in the last digits
    return curves.assign(net_benefit=shown, share_above=np.round(above, DIGITS))


def to_spread(value: float, sd: float) -> float:
    """A mean or SD to three digits of the SD: in full its sum tells of how many it is."""
    return to_step(value, step_of_digits(sd, DIGITS_OF_SD))


def _to_spread(values: pd.Series, spread: pd.Series) -> list[float]:
    return [to_spread(float(value), float(sd)) for value, sd in zip(values, spread)]


def _digits(n: int, events: int | None) -> int:
    pairs = 0 if events is None else events * (n - events)
    return FINE_DIGITS if pairs >= PAIRS_FOR_FINE else DIGITS


def _by_outcome(table: pd.DataFrame, name: str, digits: Mapping[str, int]) -> pd.DataFrame:
    table = table.copy()
    free = table[OF_MEASURE[name]].isin(NO_COUNTS) if name in OF_MEASURE else table["outcome"].isna()
    for outcome in table["outcome"].unique():
        mine = (table["outcome"] == outcome) & ~free
        kept = DIGITS if name in (AT_SITES, IN_TIME) else digits.get(str(outcome), DIGITS)
        for column in COLUMNS[name]:
            if column in table:
                table.loc[mine, column] = table.loc[mine, column].astype(float).round(kept) + 0.0
    return table
