"""What became of the groups, and of the thirds of the axes: curves over time, and levels at one time."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.figures.curves import SMALL, curve_words, draw_curves, entry_clause, entry_sentence
from discovery.figures.labels import short
from discovery.figures.save import SavedFigure, save_figure
from discovery.figures.scales import time_axis
from discovery.figures.style import GROUPS, QUIET, RULE, THIRDS, set_size, set_title, split
from discovery.report.format import whole

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from discovery.report.settings import OutcomeRun, RunSettings

GROUPED = "phenotype"
MOST_LEVELS = 4
NOT_ADJUSTED = "not adjusted, for looking only, no thresholds for care; intervals of 95 %"
MEASURES = {"mean": "Mean", "rate": "Number by time watched", "share": "Share of patients"}


def course_figures(
    tables: Mapping[str, pd.DataFrame], settings: RunSettings, folder: Path
) -> list[SavedFigure]:
    """Curves or levels of every outcome, by group and by third of the axes beyond chance."""
    out = []
    curves, levels = (tables.get(f"phenotype_{name}", pd.DataFrame()) for name in ("curves", "levels"))
    at_risk = tables.get("phenotype_at_risk", pd.DataFrame())
    for outcome in settings.outcomes:
        if len(curves):
            mine = curves[curves["outcome"] == outcome.name]
            for by, rows in mine.groupby("feature", sort=False):
                beside = at_risk[(at_risk["outcome"] == outcome.name) & (at_risk["feature"] == by)]
                out.append(_curves(rows, beside, str(by), searched(tables), outcome, folder))
        if len(levels):
            mine = levels[levels["outcome"] == outcome.name]
            if len(mine):
                out.append(_levels(mine, outcome, folder))
    return [figure for figure in out if figure is not None]


def searched(tables: Mapping[str, pd.DataFrame]) -> str:
    """`n = 233 in the search for groups`; nothing where a count of them is masked."""
    n = _n(tables.get("phenotypes", pd.DataFrame(columns=["size"]))["size"])
    return f"{n} in the search for groups" if n else ""


def divided(by: str) -> str:
    return "by group" if by == GROUPED else f"by third of {by}"


def _curves(rows, at_risk, by: str, people: str, outcome: OutcomeRun, folder: Path) -> SavedFigure | None:
    largest = at_risk.groupby("group", sort=False)["n_at_risk"].max()
    rows = rows[rows["group"].isin(set(largest[largest >= SMALL].index))]
    if rows.empty:
        return None
    rows = pd.concat([rows.assign(part="curve"), at_risk.assign(part="at risk")], ignore_index=True)
    title = f"{outcome.label} {divided(by)}"
    words = time_axis(outcome.time_unit)
    if not at_risk.empty and not outcome.delayed_entry:  # all are at risk when it begins
        people = _n(at_risk.groupby("group")["n_at_risk"].max())
    n = f"{people}; " if people else ""
    detail = _sentence(f"{n}{NOT_ADJUSTED}{entry_clause(outcome)}")
    caption = f"{detail}. {curve_words(rows)} {entry_sentence(outcome, at_risk)}".strip()
    drawn = partial(draw_curves, title=title, detail=detail, time_label=words)
    rows = rows.drop(columns="outcome").reset_index(drop=True)
    name = f"phenotype_curves_{outcome.name}_{by}"
    return save_figure(name, drawn, rows, folder, title=title, caption=caption)


def _levels(rows: pd.DataFrame, outcome: OutcomeRun, folder: Path) -> SavedFigure:
    title = f"{outcome.label} by group and along the axes"
    if GROUPED not in set(rows["by"]):
        title = f"{outcome.label} along the axes"
    n = _n(_of_one_division(rows))
    detail = _sentence(f"{n}{'; ' if n else ''}{NOT_ADJUSTED}")
    drawn = partial(draw_levels, title=title, detail=detail, unit=outcome.unit)
    rows = rows.drop(columns="outcome").reset_index(drop=True)
    name = f"phenotype_levels_{outcome.name}"
    return save_figure(name, drawn, rows, folder, title=title, caption=f"{detail}.")


def _of_one_division(rows: pd.DataFrame) -> pd.Series:
    """Patients in each group of the first division: every division and class counts the same ones."""
    return rows[rows["by"] == rows["by"].iloc[0]].drop_duplicates("group")["n"]


def _n(sizes: pd.Series) -> str:
    return f"n = {whole(sizes.sum())}" if len(sizes) and sizes.notna().all() else ""


def _sentence(text: str) -> str:
    return text if text.startswith("n =") else text[:1].upper() + text[1:]


def draw_levels(table: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "", unit: str = "") -> Axes:
    """Dots with intervals: a row a group, a panel a class of the outcome (the first four)."""
    levels = list(dict.fromkeys(table["level"].fillna("").astype(str)))[:MOST_LEVELS]
    labels, marks = [], []
    for by, rows in table.groupby("by", sort=False):
        groups = list(dict.fromkeys(rows["group"].astype(str)))
        styles = THIRDS if by != GROUPED and len(groups) == 3 else GROUPS
        for k, group in enumerate(groups):
            labels.append((str(by), group, f"{group}" if by == GROUPED else f"{by}: {group}"))
            marks.append(styles[k % len(styles)])
    set_size(ax, height=1.1 + 0.23 * len(labels))
    panels = split(ax, widths=(1.0,) * len(levels)) if len(levels) > 1 else [ax]
    set_title(ax, title, detail)
    measure = MEASURES[str(table["measure"].iloc[0])]
    unit = f" ({unit})" if unit and measure != MEASURES["share"] else ""
    y = np.arange(len(labels))[::-1]
    for k, (panel, level) in enumerate(zip(panels, levels)):
        mine = table[table["level"].fillna("").astype(str) == level].set_index(["by", "group"])
        for at, (by, group, _), (colour, marker, _) in zip(y, labels, marks):
            if (by, group) in mine.index:
                row = mine.loc[(by, group)]
                panel.plot([row["ci_low"], row["ci_high"]], [at, at], color=colour, linewidth=1.2)
                panel.plot([row["estimate"]], [at], marker, color=colour, markersize=4.5)
        for line in np.flatnonzero([a[0] != b[0] for a, b in zip(labels[1:], labels)]):
            panel.axhline(y[line] - 0.5, color=RULE, linewidth=0.7)
        panel.set_ylim(-0.6, len(labels) - 0.4)
        panel.set_yticks(y, [short(text, 40) for _, _, text in labels] if k == 0 else [""] * len(labels))
        panel.tick_params(axis="y", length=0)
        panel.set_xlabel(f"{measure}{unit}")
        if level:
            panel.set_title(short(level, 30), loc="left", fontsize=8, color=QUIET)
    return ax
