"""Learned shape of the beat: what each component does to the mean waveform."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from discovery.figures.save import SavedFigure, save_figure
from discovery.figures.style import BLUE, INK, QUIET, RULE, VERMILION, figure_of, say, set_size, set_title

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ACROSS = 3
LINES = {"low": (BLUE, (0, (5, 1.5))), "mean": (INK, "solid"), "high": (VERMILION, (0, (1.2, 1.2)))}


def draw_shape_components(rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "") -> Axes:
    """Draw a small panel for each component: the mean beat, and the mean with so many SD less and more.

    `rows`: component, share, curve (low, mean, high), phase (0 to 1 systole, 1 to 2 diastole), pressure
    (0 end-diastolic, 1 systolic peak), sd.
    """
    if rows.empty:
        return say(ax, "No shape components: too few patients have a whole averaged beat.")
    numbers = list(dict.fromkeys(rows["component"]))
    down = -(-len(numbers) // ACROSS)
    set_size(ax, height=0.85 + 1.75 * down)
    set_title(ax, title, detail)
    spec = ax.get_subplotspec()
    assert spec is not None
    grid = spec.subgridspec(down, min(ACROSS, len(numbers)))
    ax.set_subplotspec(grid[0, 0])
    sd = f"{float(rows['sd'].iloc[0]):g} SD"
    names = {"low": f"mean − {sd}", "mean": "mean", "high": f"mean + {sd}"}
    limits = (float(rows["pressure"].min()) - 0.06, float(rows["pressure"].max()) + 0.1)
    for k, number in enumerate(numbers):
        place = ax if k == 0 else figure_of(ax).add_subplot(grid[k // ACROSS, k % ACROSS])
        mine = rows[rows["component"] == number]
        place.axvline(1.0, color=RULE, linewidth=0.7)
        for curve, (colour, dash) in LINES.items():
            line = mine[mine["curve"] == curve]
            place.plot(line["phase"], line["pressure"], color=colour, linestyle=dash, label=names[curve])
        place.set(xlim=(0, 2), ylim=limits)
        place.set_title(
            f"Component {number}: {100 * float(mine['share'].iloc[0]):.0f} % of variance", loc="left"
        )
        place.set_xticks([0.5, 1.5], ["systole", "diastole"])
        place.tick_params(axis="x", length=0)
        if k % ACROSS == 0:
            place.set_ylabel("Share of developed pressure")
    handles, labels = ax.get_legend_handles_labels()
    figure_of(ax).legend(handles, labels, loc="outside lower center", ncols=3, labelcolor=QUIET)
    return ax


def save_shape_components(rows: pd.DataFrame, folder: Path) -> SavedFigure:
    """Draw and save the figure of `rows`, which also hold n_beats: the patients learned from."""
    learned = f"Learned from {int(rows['n_beats'].iloc[0])} patients"
    title = "What the shape components of the beat stand for"
    detail = (
        f"{learned}; size, zero and rate taken out: systole and diastole each stretched to the same length, "
        "0 end-diastolic pressure, 1 the systolic peak"
    )
    caption = f"{detail}. A patient's score is the number of SD by which the beat goes that way."
    draw = partial(draw_shape_components, title=title, detail=detail)
    return save_figure("shape_components", draw, rows, folder, title=title, caption=caption)
