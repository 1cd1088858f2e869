"""Strips of pressure side by side: recorded and virtual ones in the same frame and scale of time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from discovery.figures.labels import short
from discovery.figures.style import BLUE, INK, QUIET, RULE, figure_of, say, set_size, set_title

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

ROW_INCHES = 0.82
LINES = {"RV": (INK, "solid"), "PA": (BLUE, (0, (3.5, 1.2))), "CVP": (QUIET, (0, (1.2, 1.2)))}


def draw_gallery(rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "", across: int = 2) -> Axes:
    """Draw the strips as a grid of small panels, in the order in which they appear.

    `rows`: panel, origin, signal, time_s, pressure_mmhg. A panel holds the signals of one panel and
    origin. Every panel has its own pressure axis and the same length of time.
    """
    if rows.empty:
        return say(ax, "No strip of pressure to draw.")
    keys = list(dict.fromkeys(zip(rows["panel"].astype(str), rows["origin"].astype(str))))
    down = -(-len(keys) // across)
    set_size(ax, height=0.55 + ROW_INCHES * down)
    set_title(ax, title, detail)
    spec = ax.get_subplotspec()
    assert spec is not None
    grid = spec.subgridspec(down, across)
    ax.set_subplotspec(grid[0, 0])
    longest = float(rows["time_s"].max())
    for k, (panel, origin) in enumerate(keys):
        place = ax if k == 0 else figure_of(ax).add_subplot(grid[k // across, k % across])
        mine = rows[(rows["panel"].astype(str) == panel) & (rows["origin"].astype(str) == origin)]
        for signal in dict.fromkeys(mine["signal"].astype(str)):
            line = mine[mine["signal"].astype(str) == signal]
            colour, dash = LINES.get(signal, (INK, "solid"))
            place.plot(
                line["time_s"].to_numpy(float), line["pressure_mmhg"].to_numpy(float),
                color=colour, linestyle=dash, linewidth=0.9,
            )  # fmt: skip
        top = float(np.nanmax(mine["pressure_mmhg"].to_numpy(float)))
        low = float(np.nanmin(mine["pressure_mmhg"].to_numpy(float)))
        place.set_xlim(0, longest)
        place.set_ylim(min(low, 0.0) - 0.06 * (top - low), top + 0.34 * (top - low))
        place.grid(axis="y", color=RULE, linewidth=0.4)
        place.text(
            0.01, 0.97, short(panel, 44), transform=place.transAxes, va="top", fontsize=7, color=INK,
            fontweight="bold",
        )  # fmt: skip
        if origin:
            place.text(
                0.99, 0.97, origin, transform=place.transAxes, va="top", ha="right", fontsize=7, color=QUIET
            )
        place.tick_params(labelsize=6.5)
        if k // across < down - 1 and k + across < len(keys):
            place.set_xticklabels([])
        else:
            place.set_xlabel("Time (s)", fontsize=7)
        if k % across == 0:
            place.set_ylabel("mmHg", fontsize=7)
    return ax
