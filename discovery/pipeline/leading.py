"""Curves, receiver operating characteristics and adjusted scatter of the leading markers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from discovery.association.adjusted_scatter import adjusted_scatter
from discovery.association.design import Design
from discovery.association.roc_points import roc_points
from discovery.association.screen import Screen
from discovery.survival.curve_tables import at_risk_table, curve_table, thirds

LEADING = 3  # features drawn for each outcome: the best of as many families


def leading_features(markers: pd.DataFrame, outcome: str, *, count: int = LEADING) -> list[str]:
    """The best ranked feature of each of the first `count` families."""
    mine = markers[(markers["outcome"] == outcome) & markers["rank"].notna()]
    return list(
        mine.sort_values("rank", kind="stable").drop_duplicates("redundancy_group")["feature"].head(count)
    )


def leading_tables(
    markers: pd.DataFrame,
    designs: Sequence[Design],
    screens: Sequence[Screen],
    features: pd.DataFrame,
    labels: Mapping[str, str],
) -> dict[str, pd.DataFrame]:
    """The tables "curves", "at_risk", "roc" and "residuals", each empty where no outcome asks for it.

    `features` holds the values as measured, indexed by patient, so that thirds are in their own unit.
    """
    found: dict[str, list[pd.DataFrame]] = {"curves": [], "at_risk": [], "roc": [], "residuals": []}
    for design, screen in zip(designs, screens):
        raw = features.loc[design.patient_id]
        for feature in leading_features(markers, design.outcome):
            label = labels.get(feature, feature)
            if design.kind == "survival":
                tables = curves_by_third(design, raw[feature])
            elif design.kind == "binary":
                tables = {"roc": roc(design, screen, feature, label)}
            else:
                tables = {"residuals": adjusted_scatter(design, feature)}
            for name, table in tables.items():
                found[name].append(table.assign(outcome=design.outcome, feature=feature))
    return {
        name: pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
        for name, parts in found.items()
    }


def curves_by_third(design: Design, values: pd.Series) -> dict[str, pd.DataFrame]:
    """Survival, or incidence of every cause, by third of a feature; patients without it are left out."""
    seen = np.isfinite(values.to_numpy())
    entry = None if design.entry is None else design.entry[seen]
    group = thirds(values.to_numpy()[seen])
    time, status = np.asarray(design.time)[seen], np.asarray(design.status)[seen]
    return {
        "curves": curve_table(time, status, group=group, entry=entry, outcome=design.outcome),
        "at_risk": at_risk_table(time, status, group=group, entry=entry, outcome=design.outcome),
    }


def roc(design: Design, screen: Screen, feature: str, label: str) -> pd.DataFrame:
    """Apparent curves of the feature by itself, the base model and both, on the patients with the feature."""
    from discovery.kernels.logistic import fit_logistic

    j = design.feature_names.index(feature)
    rows = design.observed[:, j]
    y, base, x = np.asarray(design.y)[rows], design.base[rows], design.features[rows, j]
    coef = screen.fit.coef[j]
    scores = {f"{label} by itself": x * np.sign(coef[-1])}
    if base.shape[1]:
        base_coef = fit_logistic(y, base).coef
        scores["base model"] = base @ base_coef[1:]
        scores[f"base model with {label}"] = base @ coef[1:-1] + x * coef[-1]
    return roc_points(y, scores)
