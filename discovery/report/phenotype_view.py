"""The search for groups on the page: the verdict first, then what was found, then outcomes."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from discovery.report import format as words
from discovery.report.page_tables import Table

MOST_TELLING = 5
LEVEL = 0.05
AXIS_KINDS = (("PC", "PC: principal component"), ("RC", "RC: rotated component"))
METHODS = {
    "kmeans": "k-means", "ward": "Ward's linkage", "mixture": "a mixture of normals",
    "density": "density (for comparison only)",
}  # fmt: skip


def phenotype_views(
    tables: Mapping[str, pd.DataFrame], labels: Mapping[str, str]
) -> list[tuple[str, str, Table]]:
    """(anchor, heading, table) of the search; nothing where there was none.

    Groups come first where they may be called phenotypes. Where not, the continuous axes do, and what was
    cut all the same stands behind them.
    """
    if not len(tables.get("phenotype_words", ())):
        return []
    word = tables["phenotype_words"].iloc[0]
    groups = [("phenotypes", "Phenotypes", _groups(tables, word))]
    if len(tables.get("phenotype_mix", ())):
        groups.append(("phenotype-mix", "Etiologies in the groups", _mix(tables["phenotype_mix"])))
    axes = []
    if len(tables.get("phenotype_axes", ())):
        axes.append(("phenotype-axes", "Continuous axes", _axes(tables, bool(word["groups"]))))
    if len(tables.get("phenotype_axis_mix", ())):
        view = _axis_mix(tables["phenotype_axis_mix"])
        axes.append(("phenotype-axis-mix", "Etiologies along the axes", view))
    out = [*groups, *axes] if word["groups"] else [*axes, *groups]
    if len(tables.get("phenotype_outcomes", ())):
        view = _outcomes(tables["phenotype_outcomes"], labels, bool(word["groups"]), str(word["verdict"]))
        out.append(("phenotype-outcomes", "Axes, groups and outcomes", view))
    checks = _checks(tables)
    return [*out, ("phenotype-checks", "How the groups were cut", checks)] if checks.rows else out


def _groups(tables, word: pd.Series) -> Table:
    profiles = tables.get("phenotype_profiles", pd.DataFrame())
    tested = "q_null" in profiles
    rows = []
    for row in tables["phenotypes"].itertuples():
        told = ""
        if len(profiles):
            mine = profiles[(profiles["phenotype"] == row.phenotype) & (profiles["order"] <= MOST_TELLING)]
            mine = mine[mine["effect"].notna()].sort_values("order", kind="stable")  # one may be masked
            told = "; ".join(
                f"{r.label} {words.number(r.effect)} ({words.interval(r.ci_low, r.ci_high)})"
                + (f", q {words.p_value(r.q_null)}" if tested else "")
                for r in mine.itertuples()
            )
        rows.append((str(row.phenotype), words.whole(row.size), words.fixed(row.stability), told))
    heads = ("Group", "Patients", "Stability (Jaccard)", "Told most by (difference from all others, SD)")
    note = f"Why this verdict: {words.with_printed_p(str(word['reasons']))}. "
    if tested:
        n = int((profiles.drop_duplicates("feature")["q_null"] <= LEVEL).sum())
        note += (
            "The features made the groups, so that differences are expected by cutting alone: q is that of "
            "each feature, over all groups, against cohorts without groups that were cut the same way "
            f"({n} of {profiles['feature'].nunique()} features at {LEVEL:g})."
        )
    else:
        note += "The features made the groups: a description, no test."
    return Table(heads, tuple(rows), note, str(word["sentence"]))


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


def _axes(tables, groups: bool) -> Table:
    loadings = tables.get("phenotype_loadings", pd.DataFrame())
    rows = []
    for r in tables["phenotype_axes"].itertuples():
        made = ""
        if len(loadings):
            mine = loadings[(loadings["axis"] == r.axis) & (loadings["order"] <= MOST_TELLING)]
            made = "; ".join(
                f"{m.label} {words.fixed(m.correlation)} ({words.interval(m.ci_low, m.ci_high)})"
                for m in mine.sort_values("order", kind="stable").itertuples()
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
    heads = (
        "Axis", "Of the variance", "Beyond chance", "Congruence in resamples",
        "Made of (correlation, 95 % interval)",
    )  # fmt: skip
    beyond = int(tables["phenotype_axes"]["beyond_chance"].sum())
    many = {0: "No axis is", 1: "One axis is"}.get(beyond, f"{beyond} axes are")
    kinds = {str(axis)[:2] for axis in tables["phenotype_axes"]["axis"]}
    named = "; ".join(words for short, words in AXIS_KINDS if short in kinds)
    lead = f"{many} beyond chance" + (f" ({named})." if named else ".")
    if not groups:
        lead = f"The search found no phenotypes, so the continuous axes are what to report. {lead}"
    return Table(heads, tuple(rows), lead=lead)


def _axis_mix(mix: pd.DataFrame) -> Table:
    rows = [
        (
            f"{r.axis}: {r.etiology}",
            words.whole(r.n),
            f"{words.fixed(r.mean)} ({words.interval(r.ci_low, r.ci_high)})",
        )
        for r in mix.itertuples()
    ]
    heads = ("Axis and etiology", "Patients", "Mean place (SD, 95 % interval)")
    return Table(heads, tuple(rows), "Not adjusted; 0 is the mean of all patients.")


def _checks(tables) -> Table:
    """The other ways to cut, and the check of sites."""
    rows = [
        (
            f"Cut by {METHODS.get(r.method, r.method)}",
            f"{words.whole(r.k)} groups, {words.whole(r.in_no_group)} patients in none",
            f"adjusted Rand index {words.fixed(r.adjusted_rand)} with the groups",
        )
        for r in tables.get("phenotype_methods", pd.DataFrame()).itertuples()
    ]
    rows += [
        (
            f"Sites: {r.measure}",
            words.fixed(r.value),
            "" if words.missing(r.p_value) else f"p {words.p_value(r.p_value)}",
        )
        for r in tables.get("phenotype_sites", pd.DataFrame()).itertuples()
    ]
    return Table(("Check", "Found", "Against the groups"), tuple(rows))


def _outcomes(table: pd.DataFrame, labels: Mapping[str, str], groups: bool, verdict: str) -> Table:
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
    if not groups:
        note += f" Groups in this table, if any, are no phenotypes (verdict: {verdict})."
    return Table(
        ("Axis or group, outcome", "Effect", "Estimate (95 % interval)", "p", "q"), tuple(rows), note
    )
