"""The page's table of imputed features: what was missing, what the pooled and the complete cases say."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from discovery.report import format as words
from discovery.report.family_names import feature_labels
from discovery.report.page_tables import Table

MOST_SHOWN, FEWEST_SHOWN = 30, 3  # rows: in all, and of each of many outcomes


def imputation_views(
    tables: Mapping[str, pd.DataFrame], labels: Mapping[str, str]
) -> list[tuple[str, str, Table]]:
    """Anchor, heading and table, or nothing where nothing was imputed; `labels`: of the outcomes."""
    table = tables.get("imputation")
    if table is None or not len(table) or not (table["n_imputed"].fillna(0) > 0).any():
        return []
    return [("imputed", "Imputed values", _imputation(tables, table, labels))]


def _imputation(tables, table: pd.DataFrame, labels: Mapping[str, str]) -> Table:
    names = feature_labels(tables["markers"])
    measure = tables["markers"].set_index(["outcome", "feature"])["effect_measure"].to_dict()
    tipping = tables.get("tipping_points")
    points: dict[tuple[str, str], str] = {}
    if tipping is not None and len(tipping):
        points = (
            tipping.drop_duplicates(["outcome", "feature"])
            .set_index(["outcome", "feature"])["finding"]
            .to_dict()
        )
    shown = table[table["n_imputed"].fillna(0) > 0].sort_values(
        ["outcome", "p_value"], kind="stable", na_position="last"
    )
    outcomes = shown["outcome"].nunique()
    several, each = outcomes > 1, max(MOST_SHOWN // outcomes, FEWEST_SHOWN)
    listed = shown.groupby("outcome", sort=False).head(each)
    rows = []
    for row in listed.to_dict("records"):
        key = (row["outcome"], row["feature"])
        name = names.get(row["feature"], row["feature"])
        whose = f"{labels.get(row['outcome'], row['outcome'])}: " if several else ""
        rows.append(
            (
                f"{whose}{name}",
                words.percent(row["n_imputed"] / row["n"]),
                words.percent(row["fraction_missing_information"]),
                _answer(row["estimate"], row["p_value"], measure.get(key, "")),
                _answer(row["estimate_complete_cases"], row["p_value_complete_cases"], measure.get(key, "")),
                points.get(key, words.DASH),
            )
        )
    heads = (
        "Feature",
        "Imputed",
        "Information missing",
        "Pooled",
        "Complete cases",
        "If not missing at random",
    )
    note = (
        "Effects per 1 SD with p. Imputation takes the values to be missing at random given covariates, "
        "outcome and related features; the last column says what holds if they are not, for associations "
        "with p at most 0.05. imputation.csv and tipping_points.csv have every number."
    )
    if len(shown) > len(listed):
        whose = " for each outcome" if several else ""
        note = f"The first {each} by p{whose}, of {len(shown)} rows. " + note
    return Table(heads, tuple(rows), note)


def _answer(estimate, p, measure: str) -> str:
    if words.missing(estimate):
        return words.DASH
    return f"{words.effect(estimate, measure)}, p {words.p_value(p)}"
