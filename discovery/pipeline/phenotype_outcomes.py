"""Outcomes against groups and continuous axes: tests adjusted as those of features are, courses to draw."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from discovery.association.design import Design
from discovery.pipeline.episodes_wing import mean_curves, watched_from_start
from discovery.pipeline.leading import joined
from discovery.pipeline.survival_wing import cause_names
from discovery.study import Study
from discovery.survival.curve_tables import at_risk_table, curve_table, thirds

if TYPE_CHECKING:
    from discovery.phenotypes.model import Phenotypes

GROUPED = "phenotype"  # what `by` says of the groups; an axis has its own name
AXES_SHOWN = 3  # continuous axes described beyond their loadings


def outcome_rows(columns: pd.DataFrame, designs: Sequence[Design], axes: Collection[str]) -> pd.DataFrame:
    """Every axis (per 1 SD) and group (against all others) with every outcome, adjusted as features are.

    The outcomes had no part in making them, so these are ordinary tests. q is Benjamini-Hochberg's over all
    rows.
    """
    from discovery.association.multiplicity import benjamini_hochberg
    from discovery.association.scaling import FeatureScaling
    from discovery.association.screen import screen
    from discovery.association.screen_rows import ADJUSTED

    parts = []
    for design in designs:
        own = columns.reindex(design.patient_id)
        values = own.to_numpy(dtype=float)
        axis = np.isin(own.columns, list(axes))
        mean, sd = np.nanmean(values, axis=0), np.nanstd(values, axis=0, ddof=1)
        mean, sd = np.where(axis, mean, 0.0), np.where(axis & (sd > 0), sd, 1.0)
        values = (values - mean) / sd
        observed = np.isfinite(values)
        scale = pd.DataFrame(
            {"low": -np.inf, "high": np.inf, "mean": mean, "sd": sd, "n": observed.sum(axis=0), "note": ""},
            index=pd.Index(own.columns, name="feature"),
        )
        like = replace(
            design, features=np.where(observed, values, 0.0), observed=observed,
            feature_names=tuple(own.columns), scaling=FeatureScaling(table=scale),
        )  # fmt: skip
        table = screen(like, permutations=0).table
        table = table[(table["model"] == ADJUSTED) & (table["term"] == table["feature"])]
        words = [
            text if name in axes else text.replace("per 1 SD", "against all others")
            for name, text in zip(table["feature"], table["effect_measure"])
        ]
        parts.append(table.assign(effect_measure=words).rename(columns={"feature": "group_or_axis"}))
    table = joined(parts)
    if len(table):
        table["q_value"] = benjamini_hochberg(table["p_value"])
        table = table.drop(columns=["term", "model", "p_familywise"])
    return table


def shown_axes(model: Phenotypes) -> list[str]:
    """The first axes beyond chance."""
    return model.axes_.loc[model.axes_["beyond_chance"], "axis"].tolist()[:AXES_SHOWN]


def divisions(model: Phenotypes, places: pd.DataFrame, *, groups: bool) -> dict[str, pd.Series]:
    """by -> the group of each patient: the phenotypes, and thirds of the axes beyond chance (in SD).

    places : (n, d) of the patients on the axes, `profiles.axis_columns`
    """
    found = {}
    if groups:
        names = pd.Categorical.from_codes(model.labels_.tolist(), categories=model.group_names, ordered=True)
        found[GROUPED] = pd.Series(names, index=model.patients_)
    for axis in shown_axes(model):
        values = places[axis].to_numpy(dtype=float)
        values = (values - np.nanmean(values)) / np.nanstd(values, ddof=1)
        found[axis] = pd.Series(thirds(values, digits=2), index=model.patients_)
    return found


def courses(
    study: Study, designs: Sequence[Design], division: Mapping[str, pd.Series]
) -> dict[str, pd.DataFrame]:
    """What became of the patients by group: "phenotype_curves" and "phenotype_at_risk" (tables of survival
    curves, `feature` naming what divides the patients), "phenotype_levels" for outcomes without a course.

    Not adjusted, and for looking only: the tests are those of `outcome_rows`.
    """
    curves, at_risk, levels = [], [], []
    for design in designs:
        for by, group in division.items():
            mine = group.reindex(design.patient_id).array
            if design.kind == "survival":
                names = cause_names(study, design.outcome)
                drawn = partial(curve_table, entry=design.entry, group=mine, outcome=design.outcome)
                counted = partial(at_risk_table, entry=design.entry, group=mine, outcome=design.outcome)
                curves.append(drawn(design.time, design.status, cause_names=names).assign(feature=by))
                at_risk.append(counted(design.time, design.status).assign(feature=by))
            elif design.episodes is not None:
                if watched_from_start(design):
                    for made, table in zip((curves, at_risk), mean_curves(design, mine)):
                        made.append(table.assign(feature=by))
            else:
                levels += [row | {"outcome": design.outcome, "by": by} for row in _levels(design, mine)]
    lead = ["outcome", "by", "group", "level", "measure"]
    found = pd.DataFrame(levels)
    return {
        "phenotype_curves": joined(curves),
        "phenotype_at_risk": joined(at_risk),
        "phenotype_levels": found[[*lead, *found.columns.drop(lead)]] if len(found) else found,
    }


def _levels(design: Design, group: pd.Categorical) -> Iterator[dict]:
    """Rows group, level, measure, n, estimate, ci_low, ci_high: mean or rate, or the share of each class."""
    assert design.y is not None
    for code, name in enumerate(group.categories):
        mine = (group.codes == code) & np.isfinite(design.y)
        y = design.y[mine]
        if len(y) < 2:
            continue
        if design.kind in ("continuous", "count"):
            watched = np.ones(len(y)) if design.exposure is None else design.exposure[mine]
            rate = float(y.sum() / watched.sum())
            # of a ratio of sums; the ordinary standard error where everybody was watched as long
            se = float(np.sqrt(((y - rate * watched) ** 2).sum() * len(y) / (len(y) - 1)) / watched.sum())
            half = stats.t.ppf(0.975, len(y) - 1) * se
            measure = "mean" if design.exposure is None else "rate"
            yield _row(name, "", measure, len(y), rate, rate - half, rate + half)
        elif design.kind == "binary":
            yield _share(name, "", y == 1)
        else:
            for level, text in enumerate(design.categories):
                yield _share(name, text, y == level)


def _share(group: str, level: str, having: np.ndarray) -> dict:
    found = stats.binomtest(int(having.sum()), len(having)).proportion_ci(method="wilson")
    return _row(group, level, "share", len(having), float(having.mean()), found.low, found.high)


def _row(group: str, level: str, measure: str, n: int, estimate: float, low: float, high: float) -> dict:
    return {
        "group": str(group), "level": level, "measure": measure, "n": n, "estimate": estimate,
        "ci_low": float(low), "ci_high": float(high),
    }  # fmt: skip
