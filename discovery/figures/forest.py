"""Forest of the leading markers: the estimate with its interval, the shrunk one beneath it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.figures.labels import row_labels
from discovery.figures.scales import effect_axis, interval_lines
from discovery.figures.style import (
    BLUE,
    QUIET,
    RULE,
    VERMILION,
    bare,
    figure_of,
    say,
    set_size,
    set_title,
    split_for_words,
)
from discovery.report.format import effect_interval, p_value

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_marker_forest(
    rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "", adjusted: str = "adjusted"
) -> Axes:
    """Draw `rows` (label, effect_measure, estimate, ci_low, ci_high, shrunk_estimate, q_value) as given.

    `shrunk_low`, `shrunk_high` are drawn when there. Order and numbers are the caller's; all rows
    carry the same effect measure. Effects are on the scale of the table (natural log of a ratio).
    """
    if rows.empty:
        return say(ax, "No marker to draw: no feature could be estimated for this outcome.")
    rows = rows.reset_index(drop=True)
    set_size(ax, height=1.45 + 0.27 * len(rows))
    measure = str(rows["effect_measure"].iloc[0])
    names = row_labels(rows["label"].tolist())
    heads = ("Estimate (95 % interval)", "q")
    intervals = [effect_interval(row.estimate, row.ci_low, row.ci_high, measure) for row in rows.itertuples()]
    q_values = [p_value(q) for q in rows["q_value"]]
    ax, words = split_for_words(ax, names, [[heads[0], *intervals], [heads[1], *q_values]])
    set_title(ax, title, detail)
    y = np.arange(len(rows))[::-1].astype(float)
    shrunk = rows.get("shrunk_estimate", pd.Series(np.nan, index=rows.index)).to_numpy(float)
    shrunk_low = rows.get("shrunk_low", pd.Series(np.nan, index=rows.index)).to_numpy(float)
    shrunk_high = rows.get("shrunk_high", pd.Series(np.nan, index=rows.index)).to_numpy(float)
    low, high, estimate = (rows[c].to_numpy(float) for c in ("ci_low", "ci_high", "estimate"))

    reach = np.concatenate([estimate, low, high, shrunk, shrunk_low, shrunk_high])
    effect_axis(ax, reach, measure, adjusted=adjusted)
    ax.axvline(0, color=QUIET, linewidth=0.8, zorder=1)
    for at in y[::2]:
        ax.axhspan(at - 0.5, at + 0.5, color="#f4f5f7", zorder=0)
        words.axhspan(at - 0.5, at + 0.5, color="#f4f5f7", zorder=0)
    interval_lines(ax, y + 0.14, low, high, color=BLUE, width=1.5)
    interval_lines(ax, y - 0.18, shrunk_low, shrunk_high, color=VERMILION, width=0.9)
    ax.plot(estimate, y + 0.14, "s", color=BLUE, markersize=4.2, label="estimate, 95 % interval", zorder=4)
    if np.isfinite(shrunk).any():
        ax.plot(
            shrunk,
            y - 0.18,
            "D",
            markerfacecolor="white",
            markeredgecolor=VERMILION,
            markersize=3.8,
            linestyle="none",
            label="shrunk for having been selected",
            zorder=4,
        )
    ax.set_yticks(y, names, linespacing=1.0)
    ax.tick_params(axis="y", length=0)
    ax.set_ylim(-0.5, len(rows) - 0.5)
    ax.spines["left"].set_visible(False)
    figure_of(ax).legend(
        *ax.get_legend_handles_labels(), loc="outside lower right", ncols=2, borderpad=0.1, handlelength=1.4
    )

    bare(words)
    words.set(xlim=(0, 1), ylim=ax.get_ylim())
    head = len(rows) - 0.5
    for x, align, heading, column in (
        (0.02, "left", heads[0], intervals),
        (1.0, "right", heads[1], q_values),
    ):
        words.text(x, head + 0.1, heading, ha=align, va="bottom", color=QUIET, fontsize=7.5)
        for at, text in zip(y, column):
            words.text(x, at, text, ha=align, va="center", fontsize=7.5)
    ax.axhline(head, color=RULE, linewidth=0.7)
    return ax
