"""Who stayed in the study: a box for each step, and beside it who left and why."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from discovery.figures.labels import lines
from discovery.figures.style import INK, QUIET, RULE, say, set_size, set_title
from discovery.report.format import missing, plural

if TYPE_CHECKING:
    from matplotlib.axes import Axes

NOT_SHOWN = "number not shown"


def draw_attrition(rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "") -> Axes:
    """Draw `rows` (step, n, n_left_out, reason) top down: `n` are those that remain after the step.

    A number that is masked is said not to be shown.
    """
    if rows.empty:
        return say(ax, "No step to draw: the flow of patients was not recorded.")
    set_size(ax, height=0.75 + 0.78 * len(rows))
    set_title(ax, title, detail)
    ax.set_axis_off()
    ax.set(xlim=(0, 100), ylim=(-len(rows) + 0.55, 0.45))
    box = {"boxstyle": "round,pad=0.45,rounding_size=0.25", "facecolor": "white", "linewidth": 0.9}
    for k, row in enumerate(rows.itertuples()):
        if k:
            ax.annotate(
                "",
                (24, -k + 0.34),
                (24, -k + 0.66),
                arrowprops={
                    "arrowstyle": "-|>",
                    "color": QUIET,
                    "linewidth": 0.9,
                    "shrinkA": 0,
                    "shrinkB": 0,
                },
            )
        ax.text(
            24,
            -k,
            f"{lines(row.step, 40)}\n{NOT_SHOWN if missing(row.n) else f'n = {row.n:.0f}'}",
            ha="center",
            va="center",
            linespacing=1.35,
            bbox={**box, "edgecolor": INK},
        )
        hidden = missing(row.n_left_out)
        if not missing(row.reason) if hidden else row.n_left_out:
            left = f"patients ({NOT_SHOWN})" if hidden else plural(int(row.n_left_out), "patient")
            reason = "" if missing(row.reason) else f": {row.reason}"
            ax.plot([24, 56], [-k + 0.5, -k + 0.5], color=QUIET, linewidth=0.9)
            ax.text(
                57,
                -k + 0.5,
                lines(f"{left} left out{reason}", 44, 3),
                ha="left",
                va="center",
                linespacing=1.35,
                bbox={**box, "edgecolor": RULE},
                fontsize=7.5,
            )
    return ax
