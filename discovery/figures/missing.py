"""Where values are missing: features against sites (or another grouping), never single patients."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.figures.labels import drawable, row_labels, short
from discovery.figures.style import QUIET, figure_of, say, set_size, set_title
from discovery.report.format import percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_missing_map(
    rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "", group_label: str = ""
) -> Axes:
    """Draw `rows` (variable, label, level, n, percent_missing): a column for each level, in their order.

    A cell that is not in the table stays blank.
    """
    if rows.empty:
        return say(ax, "No value is missing.")
    names, groups = list(dict.fromkeys(rows["variable"])), list(dict.fromkeys(rows["level"]))
    labels = rows.drop_duplicates("variable")["label"].astype(str).tolist()
    sizes = rows.drop_duplicates("level").set_index("level")["n"]
    square = np.full((len(names), len(groups)), np.nan)
    row = rows["variable"].map({name: k for k, name in enumerate(names)}).to_numpy(int)
    column = rows["level"].map({name: k for k, name in enumerate(groups)}).to_numpy(int)
    square[row, column] = rows["percent_missing"].to_numpy(float) / 100
    set_size(ax, height=min(1.6 + 0.22 * len(names), 9.5))
    set_title(ax, title, detail)
    image = ax.imshow(square, cmap="Blues", vmin=0, vmax=1, interpolation="nearest", aspect="auto")
    if len(names) <= 40 and len(groups) <= 10:
        for (i, j), value in np.ndenumerate(square):
            text = "–" if np.isnan(value) else percent(value)
            ax.text(
                j, i, text, ha="center", va="center", fontsize=7, color="white" if value > 0.55 else "#1b1f24"
            )
    ax.set_yticks(range(len(names)), row_labels(labels, 46), linespacing=0.95, fontsize=6.8)
    ax.set_xticks(
        range(len(groups)),
        [f"{short(g, 18)}\n(n = {sizes[g]:.0f})" for g in groups],
        rotation=0 if len(groups) <= 6 else 90,
    )
    ax.xaxis.tick_top()
    ax.tick_params(length=0)
    ax.set_xlabel(drawable(group_label), color=QUIET)
    ax.xaxis.set_label_position("top")
    for side in ax.spines.values():
        side.set_visible(False)
    if len(names) < 8:
        return ax  # the numbers in the cells say it; a bar would not fit
    bar = figure_of(ax).colorbar(image, ax=ax, shrink=0.7, aspect=24, pad=0.02)
    bar.set_label("Share of patients without a value")
    bar.set_ticks([0, 0.25, 0.5, 0.75, 1], labels=["0", "25 %", "50 %", "75 %", "100 %"])
    bar.outline.set_visible(False)  # type: ignore[operator]
    return ax
