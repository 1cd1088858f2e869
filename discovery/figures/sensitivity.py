"""The leading findings under every alternative: one column a finding, one row an alternative."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.figures.labels import lines, short
from discovery.figures.save import SavedFigure, save_figure
from discovery.figures.scales import effect_axis, interval_lines
from discovery.figures.style import (
    BLUE,
    QUIET,
    RULE,
    VERMILION,
    apart,
    figure_of,
    say,
    set_size,
    set_title,
    split,
)
from discovery.report.format import whole
from discovery.report.methods_models import model_sentence
from discovery.report.settings import OutcomeRun, RunSettings
from discovery.terms import COMPLETE, FINE_GRAY

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PANELS = 4
IMPUTED = (
    "The main analysis has missing values imputed; every other row is of the patients with all values of its "
    "model (“not adjusted”: of the adjusted one)."
)
SIGNS = (  # result, colour, marker, filled
    ("holds", BLUE, "o", True),
    ("weaker", QUIET, "o", False),
    ("sign turns", VERMILION, "s", True),
)
COLUMNS = (
    "feature", "label", "group", "alternative", "effect_measure", "estimate", "ci_low", "ci_high", "p_value",
    "n", "events", "result",
)  # fmt: skip


def sensitivity_figures(
    tables: Mapping[str, pd.DataFrame], outcome: OutcomeRun, settings: RunSettings, folder: Path
) -> list[SavedFigure]:
    """The figure of an outcome's board, none where there is no board."""
    board = tables.get("sensitivity", pd.DataFrame())
    if board.empty or not (board["outcome"] == outcome.name).any():
        return []
    rows = board.loc[board["outcome"] == outcome.name, list(COLUMNS)]
    if rows["estimate"].isna().all():  # classes without an order: no estimate to draw
        return []
    leaders = list(dict.fromkeys(rows["feature"]))
    rows = rows[rows["feature"].isin(leaders[:PANELS])]
    possible = rows.groupby("alternative")["estimate"].transform(lambda each: each.notna().any())
    without = list(dict.fromkeys(rows.loc[~possible, "alternative"].astype(str)))
    rows = rows[possible].reset_index(drop=True)
    title = f"Sensitivity of the leading findings: {outcome.label}"
    detail = (
        f"{_people(rows)}Dashed: the main analysis. Filled circle: same sign and p at most 0.05; bars are "
        "95 % intervals; effects per 1 SD"
    )
    imputed = bool((rows["alternative"] == COMPLETE).any())
    caption = (
        f"{detail}. Empty circle (weaker): same sign, p above 0.05. {model_sentence(settings, outcome)} "
        f"{IMPUTED if imputed else 'Nothing is imputed here.'} “From … on”: patients without an event until "
        "then, from that time on. "
        "Smaller samples are less sure: “weaker” with a group left out is no refutation."
    )
    if (rows["alternative"] == FINE_GRAY).any():
        caption += " In the Fine-Gray row the ratio is that of subdistribution hazards."
    if without:
        caption += f" Without an estimate: {'; '.join(without)}."
    if len(leaders) > PANELS:
        caption += f" The first {PANELS} of {len(leaders)} leading features; all are in sensitivity.csv."
    draw = partial(draw_sensitivity, title=title, detail=detail)
    name = f"{outcome.name}_sensitivity"
    return [save_figure(name, draw, rows, folder, title=title, caption=caption, outcome=outcome.name)]


def _people(rows: pd.DataFrame) -> str:
    """`n = 160 to 235 in the main analysis. `, over the features drawn; nothing where masked."""
    n = rows.loc[rows["alternative"] == rows["alternative"].iloc[0], "n"].dropna()
    if n.empty:
        return ""
    low, high = whole(n.min()), whole(n.max())
    return f"n = {low if low == high else f'{low} to {high}'} in the main analysis. "


def draw_sensitivity(rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "") -> Axes:
    """Draw `rows` with `COLUMNS`; features and alternatives in the caller's order, at most `PANELS` features.

    The vertical line is the estimate of the main analysis, whose rows come first.
    """
    names = list(dict.fromkeys(rows["feature"]))[:PANELS]
    if not names:
        return say(ax, "No leading feature to put to the test for this outcome.")
    order = list(dict.fromkeys(rows["alternative"]))
    set_size(ax, height=1.85 + 0.19 * len(order))
    panels = split(ax, widths=(1.0,) * len(names))
    apart(ax, 0.12)  # the last tick of a panel from the first of the next
    set_title(ax, title, detail)
    place = {name: len(order) - 1 - k for k, name in enumerate(order)}
    groups = rows.drop_duplicates("alternative").set_index("alternative")["group"]
    edges = [place[b] + 0.5 for a, b in pairwise(order) if groups[a] != groups[b]]
    for k, (panel, name) in enumerate(zip(panels, names)):
        mine = rows[rows["feature"] == name]
        y = mine["alternative"].map(place).to_numpy(float)
        low, high, estimate = (mine[c].to_numpy(float) for c in ("ci_low", "ci_high", "estimate"))
        measure = str(mine["effect_measure"].iloc[0])
        effect_axis(panel, np.concatenate([low, high, estimate]), measure, most_ticks=3)
        scale = panel.get_xlabel().removesuffix(" (log scale)").removesuffix(" per 1 SD")
        panel.set_xlabel("Slope (SD per SD)" if "slope" in measure else scale)
        panel.axvline(0, color=RULE, linewidth=0.8, zorder=1)
        panel.axvline(estimate[0], color=BLUE, linewidth=0.8, linestyle=(0, (2, 2)), zorder=1)
        interval_lines(panel, y, low, high, color=QUIET, width=0.9)
        for word, color, marker, filled in SIGNS:
            which = (mine["result"] == word).to_numpy()
            face = color if filled else "white"
            panel.plot(
                estimate[which], y[which], marker, markersize=4, color=color, markerfacecolor=face, zorder=4,
                linestyle="none", label=word if k == 0 else None,
            )  # fmt: skip
        panel.set_title(lines(mine["label"].iloc[0], width=int(88 / len(names) / 1.3), most=5), fontsize=7.5)
        for edge in edges:
            panel.axhline(edge, color=RULE, linewidth=0.5)
        panel.set_ylim(-0.7, len(order) - 0.3)
        panel.tick_params(axis="y", length=0)
        panel.spines["left"].set_visible(False)
        panel.set_yticks(
            list(place.values()), [short(name, 44) for name in place] if k == 0 else [""] * len(place)
        )
    figure_of(ax).legend(
        *ax.get_legend_handles_labels(), loc="outside lower right", ncols=3, borderpad=0.1, handlelength=1.2
    )
    return ax
