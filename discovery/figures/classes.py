"""Odds of single classes for the leading features of an outcome without an order."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path

import pandas as pd

from discovery.figures.group_forest import draw_group_forest
from discovery.figures.save import save_figure
from discovery.report.class_effects import class_rows
from discovery.report.methods_models import model_sentence
from discovery.report.saved_figure import SavedFigure
from discovery.report.settings import OutcomeRun, RunSettings


def class_figures(
    tables: Mapping[str, pd.DataFrame], outcome: OutcomeRun, settings: RunSettings, folder: Path
) -> list[SavedFigure]:
    """A forest of every class against the first, for the leading features; none for other kinds."""
    if outcome.kind != "multiclass" or not len(tables.get("associations", ())):
        return []
    rows = class_rows(tables["associations"], tables["markers"], outcome.name)
    if rows.empty:
        return []
    title = f"Classes one by one: {outcome.label}"
    detail = f"n = {outcome.n}; odds of each class against the first, per 1 SD of the leading features"
    return [
        save_figure(
            f"{outcome.name}_classes",
            partial(draw_group_forest, title=title, detail=detail),
            rows,
            folder,
            title=title,
            caption=f"{detail}. {model_sentence(settings, outcome)} Squares: odds ratios with 95 % Wald "
            "intervals. The test that ranks a feature is over all classes together (q at the heading).",
            outcome=outcome.name,
        )
    ]
