"""Figures of the leading features' closer look: which rows, which words, which file."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from discovery.figures.curves import curve_words, draw_curves, entry_clause, entry_sentence
from discovery.figures.group_forest import GROUP, HEADING, NEXT, POOLED, draw_group_forest
from discovery.figures.people import outcome_people, people_with
from discovery.figures.prediction import draw_accuracy, draw_calibration
from discovery.figures.save import SavedFigure, save_figure
from discovery.figures.scales import time_axis
from discovery.figures.spline import draw_splines
from discovery.report.format import counted, is_log_ratio, number, p_phrase, plural, whole
from discovery.report.methods_models import base_sentence, model_sentence
from discovery.report.settings import OutcomeRun, RunSettings

SMALL = 5
MOST_ROWS = 45  # of a forest by group; the table holds the rest
MOST_CURVE_POINTS = 120  # of a smooth calibration curve


def closer_look_figures(
    tables: Mapping[str, pd.DataFrame],
    labels: Mapping[str, str],
    outcome: OutcomeRun,
    settings: RunSettings,
    folder: Path,
) -> list[SavedFigure]:
    """Follow-up, shape, groups, sites, prediction and calibration of one outcome, as far as there are."""

    def mine(name: str) -> pd.DataFrame:
        table = tables.get(name)
        if table is None or "outcome" not in table:
            return pd.DataFrame()
        return table[table["outcome"] == outcome.name]

    def save(name: str, draw: partial, rows: pd.DataFrame, title: str, detail: str, more: str) -> SavedFigure:
        draw = partial(draw, title=title, detail=detail)
        rows = rows.drop(columns="outcome", errors="ignore").reset_index(drop=True)
        caption = f"{detail}. {more}".strip()
        return save_figure(
            f"{outcome.name}_{name}", draw, rows, folder, title=title, caption=caption, outcome=outcome.name
        )

    adjusted = "adjusted for the base model" if settings.adjusted else "not adjusted"
    model, base = model_sentence(settings, outcome), base_sentence(settings, outcome)
    time = time_axis(outcome.time_unit)
    out = []
    survival = mine("survival")
    if len(survival) and "part" in survival:
        whole_curve = survival[(survival["part"] == "curve") & survival["feature"].isin(["", np.nan])]
        at_risk = mine("at_risk_all")
        if len(whole_curve) and len(at_risk):
            columns = ["curve", "group", "time", "estimate", "ci_low", "ci_high"]
            rows = pd.concat(
                [
                    whole_curve[columns].assign(part="curve"),
                    at_risk[["group", "time", "n_at_risk"]].assign(part="at risk"),
                ],
                ignore_index=True,
            )
            detail = (
                f"{_people(outcome)}; band: pointwise 95 % interval{_watched(outcome)}{entry_clause(outcome)}"
            )
            title = f"{outcome.label} over time"
            more = f"{curve_words(rows)} {entry_sentence(outcome, at_risk)}".strip()
            out.append(save("over_time", partial(draw_curves, time_label=time), rows, title, detail, more))
    shapes = mine("shape_curves")
    if len(shapes):
        tests = mine("shapes").set_index("feature")
        words = {feature: _bend(row) for feature, row in tests.iterrows()}
        rows = shapes.assign(
            label=shapes["feature"].map(lambda f: labels.get(f, f)),
            words=shapes["feature"].map(words),
            effect_measure=_measure(tables, outcome),
        )
        detail = (
            f"{_people(outcome)}, each feature in those with a value; restricted cubic splines, {adjusted}; "
            "95 % bands, 1st to 99th percentile"
        )
        more = (
            f"{model} Each curve is the effect against the feature's median. "
            "A tick below stands for five patients or more next to each other, a triangle for a knot. The "
            "bend is tested beyond the straight line."
        )
        out.append(save("shape", partial(draw_splines), rows, f"Shape: {outcome.label}", detail, more))
    groups = mine("effect_modification")
    if len(groups) and groups["part"].eq("effect in group").any():
        rows = _by_group(groups, labels, counted(outcome.kind))
        detail = f"{_people(outcome)}; {adjusted}; q: interaction, all tests of this figure together"
        title = f"Does the effect differ between groups? {outcome.label}"
        more = (
            f"{model} Squares: effect in each group with its 95 % interval. That one interval holds no "
            "effect and another does not, says nothing about a difference: the interaction does."
        )
        draw = partial(draw_group_forest, adjusted=adjusted)
        out.append(save("groups", draw, rows, title, detail, more))
    sites = mine("site_meta_analysis")
    if (
        len(sites)
        and sites["part"].eq("pooled").any()
        and sites.loc[sites["part"] == "pooled", "estimate"].notna().any()
    ):
        rows = _by_site(sites, labels, counted(outcome.kind))
        detail = (
            f"{_people(outcome)}; {adjusted}; random effects (Paule–Mandel), modified Hartung–Knapp interval"
        )
        more = (
            f"{model} Squares: each site by itself; diamond: pooled; both with 95 % intervals. Dashed: "
            "where the effect at a new site is expected (95 % prediction interval). τ: spread between sites "
            f"on the {'log ' if is_log_ratio(_measure(tables, outcome)) else ''}scale of the effect; I²: "
            "share of the spread that chance does not explain."
        )
        draw = partial(draw_group_forest, adjusted=adjusted)
        out.append(save("sites", draw, rows, f"Site by site: {outcome.label}", detail, more))
    prediction = mine("prediction")
    if len(prediction):
        over = prediction[prediction["measure"].isin(["AUC at", "Brier score at"])]
        columns = ["model", "measure", "time", "estimate", "ci_low", "ci_high"]
        rows = over[columns].assign(model=_named(over["model"], labels))
        lead = str(prediction["feature"].iloc[0])
        people = _people_with(outcome, lead, labels.get(lead, lead), tables)
        judged = "predictions for patients left out of the fit"
        if len(rows):
            title = f"Prediction over time: {outcome.label}"
            draw = partial(draw_accuracy, time_label=time)
            more = (
                "AUC: the chance that of two patients, one with the event by then and one without, the "
                "first has the higher predicted risk (0.5: no better than chance). Brier score: mean "
                "squared error of the risk. Both weighted for censoring; bands: pointwise 95 % intervals of "
                f"other patients judged by the same predictions. {base}"
            )
            out.append(save("prediction", draw, rows, title, f"{people}; {judged}", more))
        calibration = mine("calibration")
        horizon = number(calibration["time"].iloc[0]) + (f" {outcome.time_unit}" if outcome.time_unit else "")
        rows = pd.concat(
            [
                calibration[calibration["part"] == "group"],
                *(
                    _thinned(curve)
                    for _, curve in calibration[calibration["part"] == "curve"].groupby("model", sort=False)
                ),
            ],
            ignore_index=True,
        )
        rows = rows.assign(model=_named(rows["model"], labels))
        title = f"Calibration at {horizon}: {outcome.label}"
        sizes = calibration.loc[calibration["part"] == "group"].groupby("model", sort=False).size()
        more = (
            f"{plural(int(sizes.max()), 'group')} of about equal size by predicted risk, with the "
            "observed risk and its 95 % interval (none where it cannot be estimated). On the dotted line "
            f"the predicted risks are right. {base}"
        )
        marks = f"{people}; {judged}; marks: groups by predicted risk with 95 % intervals"
        marks += "; line: smoothed" if rows["part"].eq("curve").any() else ""
        kept = rows.drop(columns=["feature", "time"])
        out.append(save("calibration", partial(draw_calibration), kept, title, marks, more))
    return out


def _people(outcome: OutcomeRun) -> str:
    whose = "" if outcome.complete is None else ": the patients with all covariates"
    return outcome_people(outcome.complete or outcome) + whose


def _people_with(outcome: OutcomeRun, feature: str, label: str, tables: Mapping[str, pd.DataFrame]) -> str:
    return people_with(outcome, feature, label, tables.get("associations"))


def _bend(row: pd.Series) -> str:
    people = "" if pd.isna(row["n"]) else f"n = {whole(row['n'])}, "
    return f"{people}bend: {p_phrase(row['q_nonlinear'], 'q')}"


def _watched(outcome: OutcomeRun) -> str:
    if outcome.median_follow_up is None:
        return ""
    unit = f" {outcome.time_unit}" if outcome.time_unit else ""
    whose = f" of all {outcome.n} patients" if outcome.complete is not None else ""
    return f"; median follow-up{whose} {number(outcome.median_follow_up)}{unit} (reverse Kaplan–Meier)"


def _measure(tables: Mapping[str, pd.DataFrame], outcome: OutcomeRun) -> str:
    markers = tables["markers"]
    measures = markers.loc[markers["outcome"] == outcome.name, "effect_measure"].dropna()
    return str(measures.iloc[0]) if len(measures) else ""


def _named(models: pd.Series, labels: Mapping[str, str]) -> pd.Series:
    def name(model: str) -> str:
        start = "base model with "
        if model.startswith(start):
            return start + labels.get(model.removeprefix(start), model.removeprefix(start))
        return labels.get(model, model)

    return models.map(name)


def _thinned(curve: pd.DataFrame) -> pd.DataFrame:
    """A smooth curve in fewer points, none of them at the very ends: a point is one patient's risk."""
    inner = curve.iloc[2:-2] if len(curve) > 20 else curve.iloc[:0]
    if not len(inner):
        return inner
    step = max(1, len(inner) // MOST_CURVE_POINTS)
    return inner.iloc[::step].assign(
        risk=lambda rows: rows["risk"].round(3), observed=lambda rows: rows["observed"].round(3)
    )


def _counts(row, events: str) -> str:
    if pd.isna(row.n):
        return ""
    text = f"n = {whole(row.n)}"
    return text if pd.isna(row.events) else f"{text}, {plural(int(row.events), events.removesuffix('s'))}"


def _by_group(table: pd.DataFrame, labels: Mapping[str, str], events: str) -> pd.DataFrame:
    rows: list[dict] = []
    for (feature, modifier), block in table.groupby(["feature", "modifier"], sort=False):
        if len(rows) > MOST_ROWS:
            break
        effects = block[(block["part"] == "effect in group") & (block["n"].fillna(SMALL) >= SMALL)]
        test = block[block["part"] == "interaction"].iloc[0]
        if effects.empty:
            continue
        name = labels.get(str(feature), str(feature))
        rows.append(
            {"kind": HEADING, "label": f"{name}, by {modifier}", "people": p_phrase(test.q_value, "q")}
        )
        for row in effects.itertuples():
            rows.append(
                {
                    "kind": GROUP,
                    "label": row.group,
                    "effect_measure": row.effect_measure,
                    "estimate": row.estimate,
                    "ci_low": row.ci_low,
                    "ci_high": row.ci_high,
                    "people": _counts(row, events),
                }
            )
    return pd.DataFrame(rows)


def _by_site(table: pd.DataFrame, labels: Mapping[str, str], events: str) -> pd.DataFrame:
    rows = []
    for feature, block in table.groupby("feature", sort=False):
        pooled = block[block["part"] == "pooled"].iloc[0]
        if pd.isna(pooled["estimate"]):
            continue
        spread = f"τ = {number(pooled['tau'], 2)}, I² = {number(pooled['i2_percent'], 2)} %"
        rows.append({"kind": HEADING, "label": labels.get(str(feature), str(feature)), "people": spread})
        kinds = {"site": GROUP, "pooled": POOLED, "prediction": NEXT}
        for row in block[block["part"].isin(kinds)].itertuples():
            if row.part == "site" and not pd.isna(row.n) and row.n < SMALL:
                continue
            words = {"site": row.site, "pooled": "pooled", "prediction": "a new site"}
            rows.append(
                {
                    "kind": kinds[row.part],
                    "label": words[row.part],
                    "effect_measure": row.effect_measure,
                    "estimate": row.estimate,
                    "ci_low": row.ci_low,
                    "ci_high": row.ci_high,
                    "people": _counts(row, events) if row.part != "prediction" else "",
                }
            )
    return pd.DataFrame(rows)
