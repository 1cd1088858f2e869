"""The signature on the page: what is in it, how good it is, its equation."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from discovery.report import format as words
from discovery.report.page_tables import Table


def signature_views(tables: Mapping[str, pd.DataFrame], labels: Mapping[str, str]) -> list[tuple[str, Table]]:
    """(heading, table) for each outcome with a signature."""
    out = []
    for word in tables["signature_words"].itertuples():
        rows = tables["signature_performance"]
        rows = rows[rows["outcome"] == word.outcome]
        texts = tuple(
            (
                str(r.model),
                words.discrimination(r.apparent),
                words.discrimination_interval(r.corrected, r.ci_low, r.ci_high),
                words.gain_interval(r.gain, r.gain_low, r.gain_high),
                words.gain_interval(r.gain_over_single, r.gain_over_single_low, r.gain_over_single_high),
                ""
                if words.missing(r.calibration_slope)
                else f"{words.fixed(r.calibration_slope)} ({words.interval(r.slope_low, r.slope_high)})",
            )
            for r in rows.itertuples()
        )
        measure = words.measure(rows["measure"].iloc[0])
        heads = (
            "Model", f"{measure}, apparent", f"{measure}, corrected (95 %)", "Above the base model",
            "Above the best marker", "Calibration slope",
        )  # fmt: skip
        mine = tables["signature"]
        mine = mine[(mine["outcome"] == word.outcome) & (mine["role"] == "marker")]
        kept = [f"{r.label} {words.percent(r.selected_share)}" for r in mine.itertuples()]
        note = f"{_patients(rows)}Linear predictor: {word.equation}."
        if kept:
            note += f" Share of bootstrap draws that chose the same feature: {words.listed(kept, limit=10)}."
        heading = f"Signature: {labels.get(word.outcome, word.outcome)}"
        out.append((heading, Table(heads, texts, note, words.with_measures(word.sentence))))
    return out


def _patients(rows: pd.DataFrame) -> str:
    """How many patients the models were judged in and how many left out; "" where that is masked."""
    n, left_out = rows["n"].iloc[0], rows["n_left_out"].iloc[0]
    if words.missing(n) or words.missing(left_out):
        return ""
    without = f"; {words.plural(int(left_out), 'patient')} without the outcome or a covariate left out"
    return f"{words.plural(int(n), 'patient')}{without if left_out else ''}. "
