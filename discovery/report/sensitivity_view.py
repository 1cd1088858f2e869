"""The sensitivity board as a table: one row an alternative, one column a finding."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from discovery.report import format as words
from discovery.report.headline import warned
from discovery.report.page_tables import Table
from discovery.terms import COMPLETE, FINE_GRAY, MAIN


def sensitivity_views(
    board: pd.DataFrame, labels: Mapping[str, str], flags: Mapping[tuple[str, str], object] | None = None
) -> list[tuple[str, Table]]:
    """(heading, table) for each outcome; `flags` of (outcome, feature), by which a name is warned of."""
    out = []
    for outcome, rows in board.groupby("outcome", sort=False):
        names = dict(zip(rows["feature"], rows["label"].astype(str)))
        measure = rows["effect_measure"].iloc[0]
        texts = []
        for alternative, block in rows.groupby("alternative", sort=False):
            cells = {row.feature: row for row in block.itertuples()}
            texts.append((str(alternative), *(_cell(cells.get(name), measure) for name in names)))
        directed = bool(rows["estimate"].notna().any())
        if directed:
            texts.append(("E-value (limit of the interval)", *(_e_value(rows, name) for name in names)))
        held = [
            warned(names[n], (flags or {}).get((str(outcome), str(n))))
            for n in names
            if rows.loc[rows["feature"] == n, "survives_all"].any()
        ]
        lead = (
            f"Held under every alternative: {words.listed(held)}."
            if held
            else "No finding held under every alternative."
        )
        note = (
            f"{words.ratio_name(measure)} with 95 % interval. In brackets what is not plain: “weaker”, the "
            "sign of the main analysis with p above 0.05; “sign turns”. Smaller samples are less sure: "
            "“weaker” with a site left out is not a refutation. E-value: how strong (risk ratio) an "
            "unmeasured confounder would have to be to explain the estimate, or its interval, away."
        )
        if not directed:
            note = (
                "Test over all classes; such an effect has no sign and no single size. “Weaker”: p above "
                "0.05. Smaller samples are less sure: “weaker” with a site left out is not a refutation."
            )
        if (rows["alternative"] == FINE_GRAY).any():
            note += " In the Fine-Gray row the ratio is that of subdistribution hazards."
        if (rows["alternative"] == COMPLETE).any():
            note += (
                " The main analysis has missing values imputed; every other row is of the patients with all "
                "values of its model (“not adjusted”: of the adjusted one)."
            )
        heads = ("Alternative", *names.values())
        out.append(
            (
                f"Sensitivity analyses: {labels.get(str(outcome), outcome)}",
                Table(heads, tuple(texts), note, lead),
            )
        )
    return out


def _cell(row, measure) -> str:
    if row is None:
        return ""
    if words.missing(row.estimate) and not words.missing(row.p_value):
        text = words.p_phrase(row.p_value)
    elif words.missing(row.estimate) or words.missing(row.p_value):
        why = str(row.note or "")
        return why if why.startswith("not ") else f"not done: {why}" if why else "not done"
    else:
        text = words.effect_interval(row.estimate, row.ci_low, row.ci_high, measure)
    return text if row.result == "holds" else f"{text} [{row.result}]"


def _e_value(rows: pd.DataFrame, name: str) -> str:
    row = rows[(rows["feature"] == name) & (rows["alternative"] == MAIN)]
    if row.empty or words.missing(row["e_value"].iloc[0]):
        return ""
    return f"{words.fixed(row['e_value'].iloc[0])} ({words.fixed(row['e_value_limit'].iloc[0])})"
