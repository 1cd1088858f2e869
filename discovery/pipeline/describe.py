"""Who is in the study: flow of patients, baseline table, missing values, sites."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.cohort.attrition import attrition_table
from discovery.cohort.baseline import baseline_table
from discovery.cohort.count_groups import count_groups
from discovery.cohort.missing import missing_patterns, missing_table
from discovery.cohort.sites import site_feature_shift, site_table
from discovery.pipeline.survival_wing import cause_names
from discovery.study import Outcome, Study

SEVERAL_ETIOLOGIES = ";"
COUNTED = ("count", "recurrent")  # kinds whose value is a number of events


def describe_cohort(study: Study, designs: Sequence[Design]) -> dict[str, pd.DataFrame]:
    """The tables "attrition", "baseline", "missing" and, with sites, "sites" and "site_shift"."""
    levels = {outcome.name: outcome_as_level(study, outcome) for outcome in study.outcomes}
    tables = {
        "attrition": flow_of(study, designs),
        "baseline": baseline(study, levels),
        "missing": missing_table(
            pd.concat([study.covariates, study.features], axis=1),
            by=groupings(study, levels),
            along=counts_of(study),
            several=[etiology_name(study)] if several_etiologies(study) else [],
            labels=study.labels,
        ),
    }
    gaps = pd.concat([study.covariates, study.features], axis=1)
    gaps = gaps.loc[:, gaps.isna().any()]
    if gaps.shape[1]:
        tables["missing_patterns"] = missing_patterns(gaps)
    if study.site is not None:
        events = {o.name: event_indicator(o) for o in study.outcomes if event_indicator(o) is not None}
        tables["sites"] = site_table(study.site, events)
        tables["site_shift"] = site_feature_shift(study.features, study.site, labels=study.labels)
    return tables


def flow_of(study: Study, designs: Sequence[Design]) -> pd.DataFrame:
    """Who left at which step, to the patients of `designs`."""
    return attrition_table(study.attrition, {d.outcome: d.left_out for d in designs})


def baseline(study: Study, levels: Mapping[str, pd.Series]) -> pd.DataFrame:
    """Covariates, site and features, by etiology if there is one, else by the first outcome."""
    data, group, separator = baseline_data(study, levels)
    return baseline_table(data, group=group, labels=study.labels, units=study.units, separator=separator)


def baseline_data(
    study: Study, levels: Mapping[str, pd.Series]
) -> tuple[pd.DataFrame, pd.Series | None, str | None]:
    """What the baseline table describes, by which groups, and what separates several of a patient."""
    columns = [study.covariates]
    if study.site is not None:
        columns.append(study.site.astype(object).rename(site_name(study)).to_frame())
    data = pd.concat([*columns, study.features], axis=1)
    if study.etiology is not None:
        return data, study.etiology, SEVERAL_ETIOLOGIES
    first = next((o for o in study.outcomes if levels[o.name].nunique() > 1), None)
    return data, None if first is None else named_for_heads(levels[first.name], first), None


def groupings(study: Study, levels: Mapping[str, pd.Series]) -> dict[str, pd.Series]:
    """What missingness is laid out by: site and etiology under their columns' names, outcomes."""
    found: dict[str, pd.Series] = {}
    if study.site is not None:
        found[site_name(study)] = study.site.astype(object)
    if study.etiology is not None:
        found[etiology_name(study)] = study.etiology.astype(object)
    counts = {name: count_groups(number) for name, number in counts_of(study).items()}
    return found | {name: counts.get(name, level) for name, level in levels.items() if level.notna().any()}


def counts_of(study: Study) -> dict[str, pd.Series]:
    """Outcome -> number of events of each patient, of the outcomes that count them."""
    return {
        outcome.name: outcome_as_level(study, outcome)
        for outcome in study.outcomes
        if outcome.kind in COUNTED and outcome.value is not None and np.isfinite(outcome.value).any()
    }


def several_etiologies(study: Study) -> bool:
    """Whether a patient may have more than one etiology."""
    return study.etiology is not None and bool(
        study.etiology.astype(str).str.contains(SEVERAL_ETIOLOGIES, regex=False).any()
    )


def etiology_name(study: Study) -> str:
    """What the user calls the column of etiologies."""
    return study.settings.patients.etiology or "etiology"


def site_name(study: Study) -> str:
    """What the user calls the column of sites."""
    return study.settings.patients.site or "site"


def outcome_as_level(study: Study, outcome: Outcome) -> pd.Series:
    """An outcome in words for grouping, in order: event or not, class; a number stays one.

    A competing event has its name, see `cause_names`.
    """
    index = pd.Index(outcome.patient_id, name="patient_id")
    if outcome.kind == "survival" and outcome.status is not None:
        words = {0.0: "no event", 1.0: "event"}
        words |= {float(k): name for k, name in cause_names(study, outcome.name).items() if k > 1}
        return in_order(outcome.status, words, index, outcome.name)
    if outcome.kind == "binary" and outcome.value is not None:
        return in_order(outcome.value, {0.0: "no", 1.0: "yes"}, index, outcome.name)
    if outcome.categories and outcome.value is not None:
        words = {float(k): text for k, text in enumerate(outcome.categories)}
        return in_order(outcome.value, words, index, outcome.name)
    return pd.Series(outcome.value, index=index, name=outcome.name)


def in_order(codes: np.ndarray, words: Mapping[float, str], index: pd.Index, name: str) -> pd.Series:
    """`codes` (n,) in words, the categories in the order of `words`; other codes missing."""
    texts = pd.Series(codes, index=index).map(words)
    return pd.Series(pd.Categorical(texts, categories=list(words.values())), index=index, name=name)


def named_for_heads(level: pd.Series, outcome: Outcome) -> pd.Series:
    """The levels with what they are levels of; a number by its thirds, a number of events in groups."""
    if not isinstance(level.dtype, pd.CategoricalDtype):
        level = count_groups(level) if outcome.kind in COUNTED else thirds_in_words(level)
    causes = set(level.cat.categories) - {"no event", "event"} if outcome.kind == "survival" else set()
    return level.cat.rename_categories(
        {word: word if word in causes else f"{outcome.label}: {word}" for word in level.cat.categories}
    )


def thirds_in_words(values: pd.Series) -> pd.Series:
    """Three groups of like size by quantiles (type 7), fewer where values are tied, named by the cuts.

    Two different values at least.
    """
    cuts = np.unique(np.nanquantile(values, [1 / 3, 2 / 3]))
    cuts = cuts[cuts < values.max()]
    if not cuts.size:  # most have the largest value
        cuts = np.array([values[values < values.max()].max()])
    edges: list[str] = []
    for digits in (4, 8, 17):
        edges = [f"{cut:.{digits}g}" for cut in cuts]
        if len(set(edges)) == len(cuts):
            break
    words = [f"up to {edges[0]}", *(f"above {low}, up to {high}" for low, high in pairwise(edges))]
    words.append(f"above {edges[-1]}")
    codes = np.where(values.notna(), np.searchsorted(cuts, values), np.nan)
    return in_order(codes, {float(k): text for k, text in enumerate(words)}, values.index, str(values.name))


def event_indicator(outcome: Outcome) -> pd.Series | None:
    """1 for the event, 0 for none or another, NaN unknown; None where the outcome counts no events."""
    index = pd.Index(outcome.patient_id, name="patient_id")
    if outcome.kind == "survival" and outcome.status is not None:
        return pd.Series(np.where(np.isfinite(outcome.status), outcome.status == 1, np.nan), index=index)
    return pd.Series(outcome.value, index=index) if outcome.kind == "binary" else None
