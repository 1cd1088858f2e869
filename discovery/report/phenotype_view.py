"""The search for groups on the page: the verdict first, then what was found, then outcomes."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from discovery.report import format as words
from discovery.report.page_tables import Table

MOST_TELLING = 5


def phenotype_views(
    tables: Mapping[str, pd.DataFrame], labels: Mapping[str, str]
) -> list[tuple[str, str, Table]]:
    """(anchor, heading, table) of the search; nothing where there was none."""
    if not len(tables.get("phenotype_words", ())):
        return []
    word = tables["phenotype_words"].iloc[0]
    out = [("phenotypes", "Phenotypes", _groups(tables, str(word["sentence"]), str(word["reasons"])))]
    if len(tables.get("phenotype_mix", ())):
        out.append(("phenotype-mix", "Etiologies in the groups", _mix(tables["phenotype_mix"])))
    if len(tables.get("phenotype_axes", ())):
        out.append(("phenotype-axes", "Continuous axes", _axes(tables)))
    if len(tables.get("phenotype_outcomes", ())):
        out.append(
            (
                "phenotype-outcomes",
                "Axes, groups and outcomes",
                _outcomes(tables["phenotype_outcomes"], labels),
            )
        )
    return out


def _groups(tables, sentence: str, reasons: str) -> Table:
    profiles = tables.get("phenotype_profiles", pd.DataFrame())
    rows = []
    for row in tables["phenotypes"].itertuples():
        told = ""
        if len(profiles):
            mine = profiles[(profiles["phenotype"] == row.phenotype) & (profiles["order"] <= MOST_TELLING)]
            mine = mine.sort_values("order", kind="stable")
            told = "; ".join(
                f"{r.label} {words.number(r.effect)} ({words.interval(r.ci_low, r.ci_high)})"
                for r in mine.itertuples()
            )
        rows.append((str(row.phenotype), words.whole(row.size), words.fixed(row.stability), told))
    heads = ("Group", "Patients", "Stability (Jaccard)", "Told most by (difference from all others, SD)")
    note = f"Why this verdict: {reasons}. The features made the groups: a description, no test."
    return Table(heads, tuple(rows), note, sentence)


def _mix(mix: pd.DataFrame) -> Table:
    rows = [
        (
            f"{r.phenotype}: {r.etiology}",
            words.whole(r.n),
            words.percent(r.of_phenotype),
            words.percent(r.of_etiology),
        )
        for r in mix.itertuples()
    ]
    return Table(("Group and etiology", "Patients", "Of the group", "Of the etiology"), tuple(rows))


def _axes(tables) -> Table:
    loadings = tables.get("phenotype_loadings", pd.DataFrame())
    rows = []
    for r in tables["phenotype_axes"].itertuples():
        made = ""
        if len(loadings):
            mine = loadings[loadings["axis"] == r.axis]
            mine = mine.reindex(mine["correlation"].abs().sort_values(ascending=False, kind="stable").index)
            made = "; ".join(
                f"{m.label} {words.fixed(m.correlation)}" for m in mine.head(MOST_TELLING).itertuples()
            )
        rows.append(
            (
                str(r.axis),
                words.percent(r.share),
                "yes" if r.beyond_chance else "no",
                words.fixed(r.congruence),
                made,
            )
        )
    heads = ("Axis", "Of the variance", "Beyond chance", "Congruence in resamples", "Made of (correlation)")
    return Table(heads, tuple(rows))


def _outcomes(table: pd.DataFrame, labels: Mapping[str, str]) -> Table:
    rows = [
        (
            f"{r.group_or_axis}: {labels.get(r.outcome, r.outcome)}",
            words.ratio_name(r.effect_measure),
            words.effect_interval(r.estimate, r.ci_low, r.ci_high, r.effect_measure),
            words.p_value(r.p_value),
            words.p_value(r.q_value),
        )
        for r in table.itertuples()
    ]
    note = "Adjusted as the features are; the outcomes had no part in making groups or axes."
    return Table(
        ("Axis or group, outcome", "Effect", "Estimate (95 % interval)", "p", "q"), tuple(rows), note
    )
