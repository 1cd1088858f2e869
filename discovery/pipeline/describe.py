"""Who is in the study: flow of patients, baseline table, missing values, sites."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.cohort.attrition import attrition_table
from discovery.cohort.baseline import baseline_table
from discovery.cohort.missing import missing_table
from discovery.cohort.sites import site_feature_shift, site_table
from discovery.study import Outcome, Study

SEVERAL_ETIOLOGIES = ";"


def describe_cohort(study: Study, designs: Sequence[Design]) -> dict[str, pd.DataFrame]:
    """The tables "attrition", "baseline", "missing" and, with sites, "sites" and "site_shift"."""
    described = {outcome.name: outcome_as_level(outcome) for outcome in study.outcomes}
    tables = {
        "attrition": attrition_table(study.attrition, {d.outcome: d.left_out for d in designs}),
        "baseline": baseline(study, described),
        "missing": missing_table(
            pd.concat([study.covariates, study.features], axis=1),
            by=groupings(study, described),
            labels=study.labels,
        ),
    }
    if study.site is not None:
        events = {o.name: event_indicator(o) for o in study.outcomes if event_indicator(o) is not None}
        tables["sites"] = site_table(study.site, events)
        tables["site_shift"] = site_feature_shift(study.features, study.site, labels=study.labels)
    return tables


def baseline(study: Study, described: dict[str, pd.Series]) -> pd.DataFrame:
    """Covariates, site and features, by etiology if there is one, else by the first outcome."""
    columns = [study.covariates]
    if study.site is not None and study.site.name not in study.covariates:
        columns.append(study.site.astype(object).rename("site").to_frame())
    group, separator = None, None
    if study.etiology is not None:
        group, separator = study.etiology, SEVERAL_ETIOLOGIES
    else:
        group = next((level for level in described.values() if level.nunique() > 1), None)
    columns.append(study.features)
    data = pd.concat(columns, axis=1)
    return baseline_table(data, group=group, labels=study.labels, units=study.units, separator=separator)


def groupings(study: Study, described: dict[str, pd.Series]) -> dict[str, pd.Series]:
    """What missingness is laid out by: site, single-label etiology, outcomes."""
    found: dict[str, pd.Series] = {}
    if study.site is not None:
        found["site"] = study.site.astype(object)
    if study.etiology is not None and not study.etiology.astype(str).str.contains(SEVERAL_ETIOLOGIES).any():
        found["etiology"] = study.etiology.astype(object)
    return found | {name: level for name, level in described.items() if level.notna().any()}


def outcome_as_level(outcome: Outcome) -> pd.Series:
    """An outcome in words for grouping: event or not, class, or the number itself."""
    index = pd.Index(outcome.patient_id, name="patient_id")
    if outcome.status is not None:
        words = {0.0: "no event", 1.0: "event"}
        words |= {float(k): f"competing event {k - 1:.0f}" for k in np.unique(outcome.status) if k > 1}
        return pd.Series(outcome.status, index=index).map(words).rename(outcome.name)
    value = pd.Series(outcome.value, index=index, name=outcome.name)
    if outcome.kind == "binary":
        return value.map({0.0: "no", 1.0: "yes"})
    if outcome.categories:
        return value.map(dict(enumerate(outcome.categories)))
    return value


def event_indicator(outcome: Outcome) -> pd.Series | None:
    """1 for the event, 0 for none or another, NaN unknown; None where the outcome counts no events."""
    index = pd.Index(outcome.patient_id, name="patient_id")
    if outcome.status is not None:
        return pd.Series(np.where(np.isfinite(outcome.status), outcome.status == 1, np.nan), index=index)
    return pd.Series(outcome.value, index=index) if outcome.kind == "binary" else None
