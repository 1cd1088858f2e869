"""First cohort beside second: what was announced, where the second was expected, what it gave."""

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
    split,
)
from discovery.report.format import effect_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COLUMNS = (
    "outcome", "feature", "label", "effect_measure", "estimate_first", "shrunk_first", "prediction_low",
    "prediction_high", "estimate", "ci_low", "ci_high", "verdict", "p_holm", "n", "events",
)  # fmt: skip


def draw_replication(rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "") -> Axes:
    """Draw `rows` with `COLUMNS`, all of one effect measure, in the caller's order.

    A grey band is the prediction interval of the second cohort's estimate, a diamond the first cohort's
    estimate shrunk for selection, a square with its interval the second cohort's.
    """
    if rows.empty:
        return say(ax, "No finding was frozen for this outcome: there is nothing to replicate.")
    rows = rows.reset_index(drop=True)
    set_size(ax, height=1.55 + 0.42 * len(rows))
    ax, words = split(ax, widths=(1.0, 0.85))
    set_title(ax, title, detail)
    y = np.arange(len(rows))[::-1].astype(float)
    measure = str(rows["effect_measure"].iloc[0])
    values = rows[["estimate_first", "shrunk_first", "prediction_low", "prediction_high", "estimate",
                   "ci_low", "ci_high"]].to_numpy(float)  # fmt: skip
    effect_axis(ax, values.ravel(), measure)
    left, right = ax.get_xlim()
    ax.axvline(0, color=QUIET, linewidth=0.8, zorder=1)
    for at, low, high in zip(y, rows["prediction_low"], rows["prediction_high"]):
        if np.isfinite(low) and np.isfinite(high):
            low, high = max(low, left), min(high, right)
            name = "expected in the second cohort (95 %)" if at == y[0] else None
            ax.barh(at, high - low, left=low, height=0.62, color="#e3e6ea", zorder=0, label=name)
    ax.plot(
        rows["shrunk_first"], y + 0.16, "D", markerfacecolor="white", markeredgecolor=VERMILION, markersize=4,
        linestyle="none", zorder=4,
        label="first cohort" + (", shrunk" if (rows["shrunk_first"] != rows["estimate_first"]).any() else ""),
    )  # fmt: skip
    interval_lines(
        ax, y - 0.12, rows["ci_low"].to_numpy(float), rows["ci_high"].to_numpy(float), color=BLUE, width=1.6
    )
    ax.plot(
        rows["estimate"], y - 0.12, "s", color=BLUE, markersize=4.4, label="second cohort, 95 %", zorder=4
    )
    ax.set_yticks(y, row_labels(rows["label"].tolist()), linespacing=1.0)
    ax.tick_params(axis="y", length=0)
    ax.set_ylim(-0.6, len(rows) - 0.4)
    ax.spines["left"].set_visible(False)
    figure_of(ax).legend(
        *ax.get_legend_handles_labels(), loc="outside lower right", ncols=3, borderpad=0.1, handlelength=1.4
    )
    bare(words)
    words.set(xlim=(0, 1), ylim=ax.get_ylim())
    head = len(rows) - 0.45
    words.text(0.02, head + 0.05, "Second cohort (95 % interval)", va="bottom", color=QUIET, fontsize=7.5)
    for at, row in zip(y, rows.itertuples()):
        text = effect_interval(row.estimate, row.ci_low, row.ci_high, measure)
        words.text(0.02, at + 0.14, str(row.verdict), va="center", fontsize=7.5, fontweight="bold")
        words.text(0.02, at - 0.2, text, va="center", fontsize=7.5)
    ax.axhline(head, color=RULE, linewidth=0.7)
    return ax
