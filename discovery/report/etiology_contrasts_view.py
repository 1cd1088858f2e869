"""Which etiologies differ from which, on the page."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from discovery.report import format as words
from discovery.report.page_tables import Table

CLEAREST = 20


def contrasts_view(table: pd.DataFrame, labels: Mapping[str, str], fdr: float) -> Table:
    """The clearest pairs, and in a sentence how many of all hold."""
    known = table[table["estimate"].notna()]
    clear = known[known["q_value"] <= fdr]
    features = int(clear["feature"].nunique())
    found = (
        f"{words.whole(len(clear))} of {words.plural(len(known), 'pair')} "
        f"{'has' if len(clear) == 1 else 'have'} q ≤ {fdr:g}, in {words.plural(features, 'feature')}."
        if len(clear)
        else f"No pair of {words.whole(len(known))} has q ≤ {fdr:g}: which ones differ is not established."
    )
    lead = (
        "Every two etiologies in every feature, adjusted as the methods say: the first minus the second, in "
        f"SDs of the feature, or a log odds (marked) for a feature of two values. {found}"
    )
    first = known.sort_values(["q_value", "p_holm", "p_value"], kind="stable").head(CLEAREST)
    rows = tuple(
        (
            labels.get(row["feature"], str(row["feature"])),
            f"{row['etiology']} − {row['against']}",
            f"{words.fixed(row['estimate'])} ({words.fixed(row['ci_low'])} to {words.fixed(row['ci_high'])})"
            + (" log odds" if "odds" in row["effect_measure"] else ""),
            words.p_value(row["p_value"]),
            words.p_value(row["p_holm"]),
            words.p_value(row["q_value"]),
        )
        for row in first.to_dict("records")
    )
    note = "Intervals are for one pair each. p (Holm): over the pairs of a feature."
    if len(known) > CLEAREST:
        note += f" The {CLEAREST} clearest; all are in etiology_contrasts.csv."
    heads = ("Feature", "Etiologies", "Difference (95 % interval)", "p", "p (Holm)", "q")
    return Table(heads, rows, note, lead)
