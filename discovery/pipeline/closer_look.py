"""A closer look at the leading features: shape, modification, sites, prediction, hazards handled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.pipeline.episodes_wing import mean_curves, watched_from_start
from discovery.pipeline.horizons import horizon_of
from discovery.pipeline.leading import joined
from discovery.pipeline.survival_wing import base_table, cause_names, scaled_column
from discovery.problems import InputError, counted
from discovery.seeds import named_rng
from discovery.study import Outcome, Study
from discovery.study.settings import StudyFile
from discovery.study.vocabulary import has_role

BASE, WITH_LEAD = "base model", "base model with {lead}"
SEVERAL = ";"


def closer_look(
    study: Study, designs: Sequence[Design], leading: Mapping[str, Sequence[str]], notes: list[str]
) -> dict[str, pd.DataFrame]:
    """Tables "shapes" and "shape_curves", "effect_modification", "site_meta_analysis", "prediction" and
    "calibration" (rows of part "group" and "curve"), "at_risk_all" (everybody). What could not be done
    stands in `notes`."""
    from discovery.association.modified_effects import modified_effects
    from discovery.association.pooled_sites import pooled_sites
    from discovery.association.spline_curve import shape_of_effects
    from discovery.survival.curve_tables import at_risk_table

    found: dict[str, list[pd.DataFrame]] = {
        name: []
        for name in (
            "shapes", "shape_curves", "effect_modification", "site_meta_analysis", "prediction",
            "calibration",
            "at_risk_all",
        )
    }  # fmt: skip
    modifiers = modifiers_of(study)
    for design in designs:
        features = list(leading.get(design.outcome, ()))
        if not features:
            continue
        tests, curves = shape_of_effects(design, features)
        found["shapes"].append(tests)
        units = curves["feature"].map(lambda name: study.units.get(name, ""))
        found["shape_curves"].append(curves.assign(unit=units))
        try:
            found["effect_modification"].append(modified_effects(design, features, modifiers))
            found["site_meta_analysis"].append(pooled_sites(design, features))
        except InputError as fault:  # a kind of outcome without such models
            notes.append(f"{design.label}: groups and sites were not looked at ({reason(fault)}).")
        if watched_from_start(design):
            found["at_risk_all"].append(mean_curves(design)[1])
        if design.kind == "survival":
            found["at_risk_all"].append(
                at_risk_table(design.time, design.status, entry=design.entry, outcome=design.outcome)
            )
            try:
                table, calibration = prediction_of(study, design, features[0])
            except InputError as fault:
                notes.append(f"{design.label}: no measures of prediction ({reason(fault)}).")
                continue
            found["prediction"].append(table)
            found["calibration"].append(calibration)
    return {name: joined([table for table in tables if len(table)]) for name, tables in found.items()}


def reason(fault: InputError) -> str:
    return "; ".join(
        problem.wanted + (f", found {problem.found}" if problem.found else "") for problem in fault.problems
    )


def modifiers_of(study: Study) -> dict[str, pd.Series]:
    """Etiology, sex and site as far as the study has them, as labels by patient.

    Patients with several etiologies are compared label by label: with it and without.
    """
    found: dict[str, pd.Series] = {}
    if study.etiology is not None:
        name, texts = study.settings.patients.etiology or "etiology", study.etiology.astype(object)
        several = texts.dropna().astype(str).str.contains(SEVERAL)
        if several.any():
            parts = texts.dropna().astype(str).str.split(SEVERAL)
            parts = parts.map(lambda labels: {label.strip() for label in labels} - {""})
            for label in sorted(set().union(*parts)):
                has = parts.map(lambda mine, label=label: label if label in mine else f"not {label}")
                found[f"{name} {label}"] = has.reindex(study.patients.index)
        else:
            found[name] = texts
    for name in study.covariates.columns:
        if has_role(str(name), "sex") and study.covariates[name].nunique() == 2:
            values = study.covariates[name]
            found[name] = values.astype(object).map(
                lambda value: f"{value:g}" if isinstance(value, float) else str(value), na_action="ignore"
            )
    if study.site is not None and study.site.nunique() > 1:
        found[study.settings.patients.site or "site"] = study.site.astype(object)
    return found


def prediction_of(study: Study, design: Design, lead: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The base model with and without the lead, on the patients with the lead."""
    from discovery.survival.prediction_table import prediction_table

    column = scaled_column(design, lead)
    seen = column.notna().to_numpy()
    base = base_table(design)
    models: dict[str, np.ndarray] = {}
    columns = np.empty((int(seen.sum()), 0)) if base is None else base[seen].to_numpy()
    if columns.shape[1]:
        models[BASE] = columns
    name = WITH_LEAD.format(lead=lead) if models else lead
    models[name] = np.column_stack([columns, column[seen]])
    found = prediction_table(
        np.asarray(design.time)[seen],
        np.asarray(design.status)[seen],
        models,
        named_rng(study.settings.study.seed, "prediction", design.outcome),
        entry=None if design.entry is None else design.entry[seen],
        horizon=horizon_of(study, design),
    )
    without = int((~seen).sum())
    if without:
        gone = f"{counted(without)} without {lead} left out"
        notes = found.table["note"].map(lambda note: "; ".join(part for part in (note, gone) if part))
        found = found._replace(table=found.table.assign(note=notes))
    about = {"outcome": design.outcome, "feature": lead}
    both = pd.concat([found.groups.assign(part="group"), found.curve.assign(part="curve")], ignore_index=True)
    horizon = found.table.loc[found.table["measure"] == "Harrell C", "time"].iloc[0]
    lead_columns = list(about)
    table = found.table.assign(**about)
    both = both.assign(**about, time=horizon)
    return (
        table[[*lead_columns, *table.columns.drop(lead_columns)]],
        both[[*lead_columns, *both.columns.drop(lead_columns)]],
    )


def more_survival(
    study: Study, designs: Sequence[Design], leading: Mapping[str, Sequence[str]], survival: pd.DataFrame
) -> pd.DataFrame:
    """`survival` with two more parts: "restricted mean" (time without the event, or without any and lost to
    each where events compete, by third of every leading feature) and "landmark"."""
    from discovery.pipeline.landmarks import landmark_contrasts
    from discovery.survival.mean_times import for_sharing, mean_times_by_third

    means = []
    limit = study.settings.analysis.suppress_below
    for design in designs:
        if design.kind != "survival":
            continue
        of_outcome = partial(
            mean_times_by_third, design.time, design.status, entry=design.entry,
            horizon=horizon_of(study, design), cause_names=cause_names(study, design.outcome),
        )  # fmt: skip
        for feature in leading.get(design.outcome, ()):
            table = of_outcome(study.features.loc[design.patient_id, feature].to_numpy(dtype=float))
            table = for_sharing(table, limit) if limit else table
            means.append(table.assign(outcome=design.outcome, feature=feature))
    landmarks = landmark_contrasts(study, leading)
    parts = [survival]
    if means:
        parts += [table.assign(part="restricted mean") for table in means]
    if len(landmarks):
        parts.append(landmarks.assign(part="landmark"))
    return pd.concat(parts, ignore_index=True) if len(parts) > 1 else survival


HANDLED = "given by period (survival.csv)"
HANDLED_WITH_MEAN = "given by period, with the restricted mean time (survival.csv)"
KEPT = "the hazard ratio is an average over the follow-up; flagged in the ranking"


def handled_hazards(hazards: pd.DataFrame, survival: pd.DataFrame) -> pd.DataFrame:
    """`hazards` with a column `handled`: what was done where they are not proportional."""
    if hazards.empty or "part" not in survival:
        return hazards
    by_period = survival[survival["part"] == "effect by period"]
    done = dict.fromkeys(zip(by_period["outcome"], by_period["feature"]), HANDLED)
    means = survival[(survival["part"] == "restricted mean") & survival["estimate"].notna()]
    with_mean = done.keys() & set(zip(means["outcome"], means["feature"]))
    done |= dict.fromkeys(with_mean, HANDLED_WITH_MEAN)
    words = [
        done.get((outcome, feature), KEPT) if violated else ""
        for outcome, feature, violated in zip(hazards["outcome"], hazards["feature"], hazards["violated"])
    ]
    return hazards.assign(handled=words)


def closer_look_done(tables: Mapping[str, pd.DataFrame]) -> dict[str, bool]:
    """Which of the report's `ANALYSES` that belong here left a result."""
    survival = tables.get("survival", pd.DataFrame())
    parts = set(survival["part"]) if "part" in survival else set()
    given = survival[survival["part"] == "restricted mean"] if parts else survival

    def known(name: str, column: str) -> bool:
        table = tables.get(name)
        return table is not None and column in table and bool(table[column].notna().any())

    pooled = tables.get("site_meta_analysis", pd.DataFrame())
    return {
        "landmark": "landmark" in parts,
        "restricted mean": "restricted mean" in parts and bool(given["estimate"].notna().any()),
        "groups compared": "groups compared" in parts,
        "prediction": known("prediction", "estimate"),
        "shapes": known("shapes", "p_nonlinear"),
        "effect modification": known("effect_modification", "p_value"),
        "site meta-analysis": "tau" in pooled and bool(pooled["tau"].notna().any()),
    }


def clock(outcome: Outcome) -> str:
    """The unit of an outcome's time, and where it starts to count if not at 0."""
    if outcome.landmark is None:
        return outcome.unit
    return f"{outcome.unit} from the landmark at {outcome.landmark:g}".strip()


def rules_in_words(settings: StudyFile) -> tuple[str, ...]:
    """Each rule of eligibility as it was asked."""
    texts = []
    for rule in settings.eligibility:
        value = rule.value if isinstance(rule.value, tuple) else (rule.value,)
        shown = "" if rule.comparison == "known" else f" {', '.join(str(one) for one in value)}"
        texts.append(f"{rule.column} {rule.comparison}{shown}")
    return tuple(texts)
