"""How well the features tell the etiologies apart, on the page."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from discovery.report import format as words
from discovery.report.page_tables import Table


def identification_views(tables: Mapping[str, pd.DataFrame]) -> list[tuple[str, str, Table]]:
    """(anchor, heading, table): each etiology, then who was taken for whom; nothing where it was not done."""
    if not len(tables.get("etiology_words", ())):
        return []
    word = tables["etiology_words"].iloc[0]
    rows = tuple(
        (
            str(r.etiology),
            words.whole(r.n),
            words.discrimination_interval(r.auc, r.auc_low, r.auc_high),
            words.discrimination(r.auc_covariates),
            words.discrimination(r.auc_site_left_out),
            words.percent(r.sensitivity),
            words.percent(r.precision),
        )
        for r in tables["etiology_classes"].itertuples()
    )
    heads = (
        "Etiology", "Patients", "AUC against the others (95 %)", "AUC, covariates and site alone",
        "AUC, sites left out", "Found", "Right when said",
    )  # fmt: skip
    slope = tables["etiology_model"]["calibration_slope"].iloc[-1]
    note = (
        "Patients with one etiology, every probability by a model that never saw the patient. Calibration "
        f"slope {words.fixed(slope)} (1: neither too sure nor too timid)."
    )
    if str(word["left_out"]):
        note += f" Too few to be told apart: {word['left_out']}."
    confusion = tables["etiology_confusion"]
    names = list(dict.fromkeys(confusion["etiology"]))
    wide = confusion.pivot(index="etiology", columns="said", values="n").reindex(index=names, columns=names)
    counts = tuple(
        (breakable(name), *(words.whole(value) for value in row)) for name, row in zip(names, wide.to_numpy())
    )
    return [
        ("identification", "Telling the etiologies apart", Table(heads, rows, note, str(word["sentence"]))),
        (
            "confusion",
            "Etiology (rows) and the most probable one (columns)",
            Table(("Etiology", *map(breakable, names)), counts),
        ),
    ]


def breakable(name: str) -> str:
    """A name that a narrow column may break after its underscores, and nowhere else if that will do."""
    return name.replace("_", "_\u200b")
