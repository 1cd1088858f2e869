"""Families against outcomes, on the page."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from discovery.report import format as words
from discovery.report.page_tables import Table

MOST = 20


def overview_view(table: pd.DataFrame, features: Mapping[str, str], outcomes: Mapping[str, str]) -> Table:
    """A row a family, a column an outcome: verdict of the lead, rank among families with its interval."""
    known = set(table["outcome"])
    names = [name for name in outcomes if name in known]
    groups = list(dict.fromkeys(table["redundancy_group"]))
    cells = {(r["redundancy_group"], r["outcome"]): r for r in table.to_dict("records")}
    rows = []
    for group in groups[:MOST]:
        mine = table[table["redundancy_group"] == group]
        leads = list(dict.fromkeys(features.get(lead, str(lead)) for lead in mine["lead"]))
        rows.append((" / ".join(leads), *(_cell(cells.get((group, name))) for name in names)))
    repeated = int((table.drop_duplicates("redundancy_group")["outcomes_with_candidate"] >= 2).sum())
    lead = (
        f"{words.plural(repeated, 'family', 'families').capitalize()} of features "
        f"{'has' if repeated <= 1 else 'have'} a candidate for two outcomes or more. Each cell: the verdict "
        "of the family's best feature for that outcome, and the family's rank with its interval. The "
        "outcomes are seen in the same patients: one does not confirm another."
    )
    note = f"The first {MOST}; all are in families_overview.csv." if len(groups) > MOST else ""
    return Table(("Family (best features)", *(outcomes[name] for name in names)), tuple(rows), note, lead)


def _cell(row: dict | None) -> str:
    if row is None or words.missing(row["family_rank"]):
        return words.DASH
    span = ""
    if not words.missing(row["family_rank_low"]):
        span = f" ({row['family_rank_low']:.0f} to {row['family_rank_high']:.0f})"
    return f"{row['verdict']}; rank {row['family_rank']:.0f}{span}"
