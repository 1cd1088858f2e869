"""A continuous outcome against a marker, both with the base model taken out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.figures.style import BLUE, QUIET, VERMILION, say, set_size, set_title

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_partial_residual(
    rows: pd.DataFrame,
    ax: Axes,
    *,
    title: str = "",
    detail: str = "",
    x_label: str = "Marker, adjusted (SD)",
    y_label: str = "Outcome, adjusted (SD)",
) -> Axes:
    """Draw bins and a line: `rows` has part ("bin" or "line"), x, y, ci_low, ci_high, n.

    A bin is the mean of `n` patients with its interval, never one patient: a figure leaves the house.
    """
    if rows.empty:
        return say(ax, "No relation to draw: the marker or the outcome does not vary.")
    set_size(ax, height=3.5)
    set_title(ax, title, detail)
    line = rows[rows["part"] == "line"].sort_values("x")
    bins = rows[rows["part"] == "bin"]
    ax.axhline(0, color=QUIET, linewidth=0.6, linestyle=(0, (1, 2)))
    ax.fill_between(line["x"], line["ci_low"], line["ci_high"], color=VERMILION, alpha=0.13, linewidth=0)
    ax.plot(line["x"], line["y"], color=VERMILION, linestyle=(0, (5, 1.5)), label="fitted line, 95 % band")
    for row in bins.itertuples():
        ax.plot([row.x, row.x], [row.ci_low, row.ci_high], color=BLUE, linewidth=1.1)
    size = np.clip(3 + np.sqrt(bins["n"].to_numpy(float)) / 3, 3, 9)
    ax.scatter(
        bins["x"],
        bins["y"],
        s=size**2,
        color=BLUE,
        marker="o",
        zorder=3,
        label=_bin_words(bins["n"].to_numpy(float)),
    )
    ax.set(xlabel=x_label, ylabel=y_label)
    ax.legend(loc="best")
    return ax


def _bin_words(n: np.ndarray) -> str:
    if len(n) == 0:
        return "no bin"
    low, high = int(n.min()), int(n.max())
    return f"mean of {low} patients" if low == high else f"mean of {low} to {high} patients"
