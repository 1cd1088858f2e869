"""Tests by t fit to be shared: with interval and p in full their degrees of freedom tell who is missing.

Estimate, 95 % interval and p have two unknown, the standard error and the degrees of freedom; the signed root
of the likelihood ratio and R² have one, the number of patients. With few digits many numbers of patients
explain them all. Tests that have no degrees of freedom stay as they are.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from discovery.cohort.masked_digits import step_of_digits, to_step, up_to_step
from discovery.report.settings import RunSettings

BY_T = ("etiologies", "etiology_contrasts")
BY_OUTCOME = (
    "markers", "associations", "sensitivity", "effect_modification", "site_meta_analysis", "shapes",
    "phenotype_outcomes", "imputation", "tipping_points",
)  # fmt: skip
EFFECTS = {
    ("ci_low", "ci_high"): (
        "estimate", "ci_low", "ci_high", "shrunk_estimate", "shrunk_low", "shrunk_high",
        "estimate_given_lead", "attenuation_corrected", "attenuation_low", "attenuation_high",
    ),
    ("low_without_site", "high_without_site"): (
        "estimate_without_site", "low_without_site", "high_without_site",
    ),
}  # fmt: skip
DECIMALS = {
    "z": 1, "statistic": 2, "ratio_to_main": 2, "e_value": 2, "e_value_limit": 2,
    "relative_increase_of_variance": 2, "fraction_missing_information": 2,
}  # fmt: skip
TWO_DIGITS = ("se", "df", "se_null", "detectable_effect", "estimate_complete_cases", "monte_carlo_error")
PERMUTED = "p_familywise"
DIGITS = 2


def coarse_t_tests(tables: Mapping[str, pd.DataFrame], settings: RunSettings) -> dict[str, pd.DataFrame]:
    """`tables` with two digits of what goes with a t test: those of continuous outcomes and of etiologies."""
    continuous = {o.name for o in settings.outcomes if o.kind == "continuous"}
    out = dict(tables)
    for name in (*BY_T, *BY_OUTCOME):
        if len(table := tables.get(name, pd.DataFrame())):
            mine = np.ones(len(table), dtype=bool) if name in BY_T else table["outcome"].isin(continuous)
            out[name] = coarse_rows(table, np.asarray(mine, dtype=bool))
    return out


def coarse_rows(table: pd.DataFrame, mine: np.ndarray) -> pd.DataFrame:
    """`table` with `mine` (rows,) bool made coarse: effects to two digits of half their interval, p upwards.

    A p-value or q-value is never made smaller, so that none comes to lie within a level that it is above.
    """
    table = table.copy()

    def change(column: str, shown: np.ndarray) -> None:
        table[column] = np.where(mine, shown, table[column].to_numpy(float))

    for limits, columns in EFFECTS.items():
        if not {*limits} <= {*table}:
            continue
        low, high = (table[column].to_numpy(float) for column in limits)
        half = (high - low) / 2
        for column in columns:
            if column in table:
                change(column, _to_step(table[column].to_numpy(float), half))
    for column in table:
        if column.startswith(("p_", "q_")) and column != PERMUTED:
            change(column, _upwards(table[column].to_numpy(float)))
    for column, decimals in DECIMALS.items():
        if column in table:
            change(column, np.round(table[column].to_numpy(float), decimals))
    for column in TWO_DIGITS:
        if column in table:
            values = table[column].to_numpy(float)
            change(column, _to_step(values, np.abs(values)))
    return table


def _to_step(values: np.ndarray, size: np.ndarray) -> np.ndarray:
    """`values` to the second digit of `size`, where that is a number above 0."""
    return np.array([to_step(value, step_of_digits(own, DIGITS)) for value, own in zip(values, size)])


def _upwards(values: np.ndarray) -> np.ndarray:
    """`values` with two digits, the next that is not smaller."""
    return np.array([up_to_step(value, step_of_digits(value, DIGITS)) for value in values])
