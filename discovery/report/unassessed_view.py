"""Features that could not be assessed, and what stood in the way, where the reader looks for them."""

from __future__ import annotations

import re
from collections.abc import Mapping

import pandas as pd

from discovery.report import format as words
from discovery.report.headline import base_verdict
from discovery.report.page_tables import Table
from discovery.report.settings import RunSettings
from discovery.terms import NOT_ASSESSABLE

MOST_ROWS = 60
MOST_RULES = 2
MISSING = re.compile(r"([\d.]+) % missing")


def unassessed_view(tables: Mapping[str, pd.DataFrame], settings: RunSettings) -> Table | None:
    """A row a feature that is not assessable for some outcome: for which, why, and why values are missing.

    None where every feature was assessed.
    """
    markers = tables["markers"]
    mine = markers[markers["verdict"].map(base_verdict) == NOT_ASSESSABLE]
    if mine.empty:
        return None
    labels = {outcome.name: outcome.label for outcome in settings.outcomes}
    reasons = _reasons(tables.get("why_missing"))
    rows = []
    for feature, block in mine.groupby("feature", sort=False):
        of = [labels.get(name, name) for name in block["outcome"]]
        whose = "all outcomes" if len(labels) > 1 and len(of) == len(labels) else words.listed_apart(of)
        why = _why(list(dict.fromkeys(block["verdict_rule"].dropna())) if "verdict_rule" in block else [])
        missing = reasons.get(str(feature), words.DASH) if MISSING.search(why) else words.DASH
        rows.append((str(block["label"].iloc[0]), whose, why, missing))
    known = any(row[-1] != words.DASH for row in rows)
    lead = (
        f"{unassessed_count(markers)}. Where they could not, this study says neither that they have an "
        "effect nor that they have none."
    )
    note = f"The first {MOST_ROWS} of {len(rows)}; all are in markers.csv. " if len(rows) > MOST_ROWS else ""
    note += "Patients by reason at the first visit: why_missing.csv." if known else ""
    heads = ("Feature", "For", "Why not assessed", *(["Why values are missing"] if known else []))
    shown = tuple(row if known else row[:-1] for row in rows[:MOST_ROWS])
    return Table(heads, shown, note.strip(), lead)


def unassessed_count(markers: pd.DataFrame) -> str:
    """How many features could be assessed for no outcome and for some only; "" where all were for all."""
    gone = markers["verdict"].map(base_verdict) == NOT_ASSESSABLE
    share = gone.groupby(markers["feature"]).mean()
    never, partly, several = int((share == 1).sum()), int(share.between(0, 1, "neither").sum()), len(share)
    if not never + partly:
        return ""
    if markers["outcome"].nunique() == 1:
        return f"{never} of {words.plural(several, 'feature')} could not be assessed"
    some = f"{partly} of {words.plural(several, 'feature')} could be assessed for some outcomes only"
    if not never:
        return some
    none = f"{never} of {words.plural(several, 'feature')} could not be assessed for any outcome"
    return f"{none}, {partly} for some only" if partly else none


def _why(rules: list[str]) -> str:
    """The rules of all outcomes; those that differ in the share missing alone as one with its range."""
    shares = [found for rule in rules if (found := MISSING.match(rule))]
    if len(rules) > 1 and len(shares) == len(rules):
        least, *_, most = sorted((found[1] for found in shares), key=float)
        return f"{least} to {most} % missing{rules[0][shares[0].end() :]}"
    return words.with_minus(words.listed_apart(rules, limit=MOST_RULES)) or words.DASH


def _reasons(table: pd.DataFrame | None) -> dict[str, str]:
    """Feature -> its reasons, the commonest first, with the patients of each (none where masked)."""
    if table is None or table.empty:
        return {}
    out = {}
    for feature, block in table.groupby("feature", sort=False):
        parts = [
            str(row.reason) + ("" if words.missing(row.n) else f" ({words.plural(int(row.n), 'patient')})")
            for row in block.itertuples()
        ]
        out[str(feature)] = "; ".join(parts)
    return out
