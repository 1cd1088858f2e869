"""Sites on the page, and features that were left out: what a reader asks, the rest in files."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from discovery.report import format as words
from discovery.report.page_tables import Table

MOST_SHIFTED, LEADING, NAMED = 20, 3, 12


def site_view(table: pd.DataFrame, outcomes: Mapping[str, str]) -> Table:
    """A row a site and outcome: patients, those with the outcome, events."""
    rows = []
    for row in table.to_dict("records"):
        events = words.whole(row["events"])
        if not words.missing(row["percent_events"]):
            events += f" ({words.percent(row['percent_events'] / 100)})"
        rows.append(
            (
                str(row["site"]),
                words.whole(row["n"]),
                outcomes.get(row["outcome"], str(row["outcome"])),
                words.whole(row["n_with_outcome"]),
                events,
            )
        )
    return Table(("Site", "Patients", "Outcome", "With the outcome known", "Events"), tuple(rows))


def shift_view(table: pd.DataFrame) -> Table:
    """The features that differ most between sites, each at the site that stands out."""
    known = table.dropna(subset=["smd"])
    known = known.assign(size=known["smd"].abs()).sort_values("size", ascending=False, kind="stable")
    each = known.drop_duplicates("feature")
    rows = [
        (
            str(row["label"]),
            str(row["site"]),
            words.fixed(row["smd"]),
            words.percent(row["variance_share"]),
            words.p_value(row["p_value"]),
        )
        for row in each.head(MOST_SHIFTED).to_dict("records")
    ]
    features = words.plural(len(each), "feature")
    which = f"The {len(rows)} of {features} that differ most" if len(rows) < len(each) else f"All {features}"
    note = (
        "Difference: mean of the site less that of all others, in SDs, not adjusted. Between sites: share of "
        f"the feature's variance. {which}; all sites of all features are in site_shift.csv."
    )
    heads = ("Feature", "Site that stands out", "Difference", "Between sites", "p over all sites")
    return Table(heads, tuple(rows), note)


def left_out_view(table: pd.DataFrame, markers: pd.DataFrame, outcomes: Mapping[str, str]) -> Table:
    """The first features of each outcome without each site, and their gain at that site."""
    ranked = markers.sort_values("rank", kind="stable")
    rows = []
    for outcome, label in outcomes.items():
        for first in ranked[ranked["outcome"] == outcome].head(LEADING).to_dict("records"):
            mine = table[(table["outcome"] == outcome) & (table["feature"] == first["feature"])]
            rows += [
                (
                    str(first["label"]),
                    label,
                    str(row["site_left_out"]),
                    words.effect(row["estimate"], str(first["effect_measure"])),
                    words.gain(row["gain"]),
                    words.whole(row["n"]),
                )
                for row in mine.to_dict("records")
            ]
    note = (
        f"The first {LEADING} features of each outcome; all are in leave_one_site_out.csv. Effect: "
        "ratio or slope per 1 SD in the models fitted to the other sites; gain over the base model in the "
        "patients of the site left out."
    )
    heads = ("Feature", "Outcome", "Site left out", "Effect at the others", "Gain there", "Patients there")
    return Table(heads, tuple(rows), note)


def excluded_view(table: pd.DataFrame) -> Table:
    """A row a reason."""
    rows = []
    for reason, block in table.groupby("reason", sort=False):
        names = list(dict.fromkeys(block["feature"].astype(str)))
        rows.append((str(reason), words.whole(len(names)), words.listed(names, limit=NAMED)))
    note = "All are in excluded_features.csv." if len(table) > NAMED else ""
    return Table(("Reason", "Features", "Which"), tuple(rows), note)
