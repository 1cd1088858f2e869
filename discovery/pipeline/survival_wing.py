"""Survival outcomes beyond the screen: hazards over time, competing models, curves, follow-up."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.association.screen import Screen
from discovery.markers.verdict import HAZARDS
from discovery.pipeline.episodes_wing import PART, mean_curves, more_episodes, watched_from_start
from discovery.pipeline.leading import joined
from discovery.study import Study
from discovery.study.settings import SurvivalOutcome
from discovery.survival.changing_effects import effect_by_period, proportional_hazards_screen
from discovery.survival.competing_models import competing_models
from discovery.survival.curve_tables import (
    FEWEST_AT_START,
    at_risk_table,
    cumulative_hazard_table,
    curve_table,
    thirds,
)
from discovery.survival.follow_up_table import follow_up_table

HAZARD = "cumulative hazard"
NAMELESS = "competing event"


def cause_names(study: Study, outcome: str) -> dict[int, str]:
    """What the events of a survival outcome are called.

    A competing event has its label; else the name of an outcome of which it is the event; else its code, if
    that is a word. One without any is the competing event, with its code where there are more.
    """
    settings = study.settings.outcome(outcome)
    if not isinstance(settings, SurvivalOutcome):
        return {}
    names = {1: settings.label or settings.name}
    elsewhere = {
        other.event: other.label or other.name
        for other in study.settings.outcomes
        if isinstance(other, SurvivalOutcome) and other.status == settings.status and other is not settings
    }
    for k, code in enumerate(settings.competing):
        if settings.competing_labels:
            names[2 + k] = settings.competing_labels[k]
        elif code in elsewhere:
            names[2 + k] = elsewhere[code]
        elif isinstance(code, str) and any(letter.isalpha() for letter in code):
            names[2 + k] = code
        else:
            which = f" ({settings.status} = {code})" if len(settings.competing) > 1 else ""
            names[2 + k] = f"{NAMELESS}{which}"
    return names


def named_causes(study: Study, screen: Screen) -> pd.DataFrame:
    """The table of a screen with competing events called by the user's own code."""
    settings = study.settings.outcome(screen.outcome)
    if not isinstance(settings, SurvivalOutcome):
        return screen.table
    model = screen.table["model"].astype(str)
    for k in range(2, 2 + len(settings.competing)):
        before = f"{NAMELESS} {k}:"
        model = model.where(~model.str.startswith(before), by_code(settings, k) + model.str[len(before) :])
    return screen.table.assign(model=model)


def by_code(settings: SurvivalOutcome, cause: int) -> str:
    """How the models of a competing event begin in data files, which keep the codes of the tables."""
    return f"{NAMELESS} ({settings.status} = {settings.competing[cause - 2]}):"


def cause_models(study: Study, outcome: str) -> dict[str, str]:
    """How they begin in data files -> how they do by the name of the event, where it has one."""
    settings = study.settings.outcome(outcome)
    if not isinstance(settings, SurvivalOutcome):
        return {}
    named = {k: name for k, name in cause_names(study, outcome).items() if not name.startswith(NAMELESS)}
    return {by_code(settings, k): f"{name}:" for k, name in named.items() if k > 1}


def hazards_over_time(designs: Sequence[Design], screens: Sequence[Screen], fdr: float) -> pd.DataFrame:
    """A test of proportional hazards for every assessed feature of every survival outcome."""
    tables = []
    for design, screen in zip(designs, screens):
        if design.kind != "survival" or not screen.assessed.any():
            continue
        which = np.flatnonzero(screen.assessed)
        values = np.where(design.observed[:, which], design.features[:, which], np.nan)
        table = proportional_hazards_screen(
            design.time,
            design.event,
            pd.DataFrame(values, columns=[design.feature_names[j] for j in which]),
            base=base_table(design),
            entry=design.entry,
            stratum=design.stratum,
        )
        tables.append(table.assign(outcome=design.outcome, violated=table["q_value"] <= fdr))
    if not tables:
        return pd.DataFrame(columns=["outcome", "feature", "violated"])
    whole = pd.concat(tables, ignore_index=True)
    return whole[["outcome", *whole.columns.drop("outcome")]]


def hazard_flags(hazards: pd.DataFrame) -> dict[tuple[str, str], list[str]]:
    """(outcome, feature) -> the flag, where the hazards are not proportional."""
    violated = hazards[hazards["violated"].astype(bool)]
    return {(row.outcome, row.feature): [HAZARDS] for row in violated.itertuples()}


def survival_tables(
    study: Study, designs: Sequence[Design], leading: Mapping[str, Sequence[str]], hazards: pd.DataFrame
) -> dict[str, pd.DataFrame]:
    """Curves and numbers at risk of the leading features, and their models beside the screen's.

    "survival" is the tidy file of all of it: `part` says whether a row is a curve's step, one of a cumulative
    hazard, a term of the competing-risks models, an effect by period where the hazards are not proportional,
    or a difference between thirds in the mean number of recurrent episodes.
    """
    curves: list[pd.DataFrame] = []
    at_risk: list[pd.DataFrame] = []
    terms: list[pd.DataFrame] = []
    periods: list[pd.DataFrame] = []
    episodes: list[pd.DataFrame] = []
    cumulative: list[pd.DataFrame] = []
    for design in designs:
        if watched_from_start(design):
            curves.append(mean_curves(design)[0].assign(feature=""))
            for feature in leading.get(design.outcome, ()):
                values = study.features.loc[design.patient_id, feature].to_numpy(dtype=float)
                for made, table in zip((curves, at_risk), mean_curves(design, values)):
                    made.append(table.assign(feature=feature))
                row = more_episodes(design, values)
                if row is not None:
                    episodes.append(pd.DataFrame([row | {"outcome": design.outcome, "feature": feature}]))
        if design.kind != "survival":
            continue
        names = cause_names(study, design.outcome)
        everybody = partial(curve_table, design.time, design.status, entry=design.entry)
        curves.append(everybody(outcome=design.outcome, cause_names=names).assign(feature=""))
        hazard = partial(cumulative_hazard_table, design.time, design.status, entry=design.entry)
        cumulative.append(hazard(outcome=design.outcome, cause_names=names).assign(feature=""))
        raw = study.features.loc[design.patient_id]
        turned = set(hazards.loc[hazards["violated"] & (hazards["outcome"] == design.outcome), "feature"])
        for feature in leading.get(design.outcome, ()):
            for made, table in zip((curves, at_risk), curves_by_third(design, raw[feature], names)):
                made.append(table.assign(feature=feature))
            column = scaled_column(design, feature)
            about: dict[str, Any] = {
                "base": base_table(design),
                "entry": design.entry,
                "stratum": design.stratum,
            }
            if len(design.causes) > 1:
                both = partial(competing_models, design.time, design.status, column.to_frame(), **about)
                models = both(outcome=design.outcome, cause_names=names)
                terms.append(models[models["term"] == feature])
            if feature in turned:
                found = effect_by_period(design.time, design.event, column, **about)
                periods.append(found.assign(outcome=design.outcome))
    parts = {
        "curve": curves,
        HAZARD: cumulative,
        "competing models": terms,
        "effect by period": periods,
        PART: episodes,
    }
    rows = [table.assign(part=part) for part, tables in parts.items() for table in tables]
    lead = ["outcome", "feature", "part"]
    whole = pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(columns=lead)
    return {
        "survival": whole[[*lead, *whole.columns.drop(lead)]],
        "curves": joined([table for table in curves if (table["feature"] != "").all()]),
        "at_risk": joined(at_risk),
    }


def follow_up_of(study: Study, analysed: Sequence[Design]) -> pd.DataFrame:
    """Follow-up and events of every survival outcome, of the patients that estimates and ranks are of.

    `n_left_out` counts the other patients of the study.
    """
    tables = []
    for design in analysed:
        if design.kind == "survival":
            names = cause_names(study, design.outcome)
            watched = partial(follow_up_table, design.time, design.status, entry=design.entry)
            table = watched(outcome=design.outcome, cause_names=names)
            tables.append(table.assign(n_left_out=design.n_study - design.n))
    return joined(tables)


def late_start_notes(designs: Sequence[Design]) -> list[str]:
    """A sentence for each outcome with delayed entry: its curves hold from their common start on."""
    return [
        f"{design.label}: patients came under observation at different times, so curves begin only where "
        f"every group has {FEWEST_AT_START} patients under observation (half of its largest risk set if that "
        f"is below {2 * FEWEST_AT_START}), and hold for "
        "patients who are event-free then; the models use everybody."
        for design in designs
        if design.kind == "survival" and design.entry is not None
    ]


def curves_by_third(
    design: Design, values: pd.Series, names: Mapping[int, str]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Survival, or incidence of every cause, by third of a feature; patients without it are left out."""
    seen = np.isfinite(values.to_numpy())
    entry = None if design.entry is None else design.entry[seen]
    group = thirds(values.to_numpy()[seen])
    time, status = np.asarray(design.time)[seen], np.asarray(design.status)[seen]
    curves = curve_table(time, status, group=group, entry=entry, outcome=design.outcome, cause_names=names)
    return curves, at_risk_table(time, status, group=group, entry=entry, outcome=design.outcome)


def base_table(design: Design) -> pd.DataFrame | None:
    """The base model's columns as a table; None without covariates."""
    if not design.base.shape[1]:
        return None
    return pd.DataFrame(design.base, columns=[term.name for term in design.terms])


def scaled_column(design: Design, feature: str) -> pd.Series:
    """A feature as the models take it, missing where it is missing."""
    j = design.feature_names.index(feature)
    return pd.Series(np.where(design.observed[:, j], design.features[:, j], np.nan), name=feature)
