"""How well models predict patients left out: accuracy over time, and risks against what happened."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.figures.labels import lines
from discovery.figures.style import GROUPS, QUIET, figure_of, say, set_size, set_title, split

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_accuracy(
    rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "", time_label: str = "Time"
) -> Axes:
    """AUC and Brier score over time, a line a model: `rows` has model, measure ("AUC at", "Brier score at"),
    time, estimate, ci_low, ci_high (a band)."""
    if rows.empty:
        return say(ax, "No accuracy over time to draw: it is not defined for this outcome.")
    set_size(ax, height=3.3)
    left, right = split(ax, widths=(1.0, 1.0))
    set_title(left, title, detail)
    models = list(dict.fromkeys(rows["model"]))
    for k, model in enumerate(models):
        colour, marker, dash = GROUPS[k % len(GROUPS)]
        for panel, measure in ((left, "AUC at"), (right, "Brier score at")):
            mine = rows[(rows["model"] == model) & (rows["measure"] == measure)].sort_values("time")
            if mine.empty:
                continue
            low, high = mine["ci_low"].to_numpy(float), mine["ci_high"].to_numpy(float)
            panel.fill_between(mine["time"], low, high, color=colour, alpha=0.13, linewidth=0)
            panel.plot(
                mine["time"], mine["estimate"], color=colour, linestyle=dash, marker=marker, markersize=3,
                markevery=4,
            )  # fmt: skip
        right.plot(
            [], [], color=colour, linestyle=dash, marker=marker, markersize=3, label=lines(model, 60, 1)
        )
    left.axhline(0.5, color=QUIET, linewidth=0.7, linestyle=(0, (1, 2)))
    low = rows.loc[rows["measure"] == "AUC at", ["estimate", "ci_low"]].min().min()
    left.set_ylim(min(0.45, float(low) - 0.03 if np.isfinite(low) else 0.45), 1.0)
    right.set_ylim(0, None)
    left.set(xlabel=time_label, ylabel="AUC of the risk by then")
    right.set(xlabel=time_label, ylabel="Brier score (lower is better)")
    figure_of(ax).legend(
        *right.get_legend_handles_labels(), loc="outside lower left", ncols=len(models), handlelength=3.2
    )
    return left


def draw_calibration(rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "") -> Axes:
    """One panel a model: `rows` has model, part ("group" or "curve"); groups predicted, observed, ci_low,
    ci_high, n; curves risk, observed. On the diagonal the risks are right."""
    groups = rows[rows["part"] == "group"] if len(rows) else rows
    if groups.empty:
        return say(ax, "No calibration to draw.")
    models = list(dict.fromkeys(groups["model"]))
    set_size(ax, height=4.5, width=7.1 if len(models) > 1 else 4.2)
    panels = split(ax, widths=(1.0,) * len(models)) if len(models) > 1 else [ax]
    set_title(panels[0], title, detail)
    most = float(np.nanmax(groups[["predicted", "observed", "ci_high"]].to_numpy(float)))
    most = min(1.0, 1.06 * most)
    for k, (panel, model) in enumerate(zip(panels, models)):
        colour, marker, _ = GROUPS[k % len(GROUPS)]
        mine = groups[groups["model"] == model]
        panel.plot([0, 1], [0, 1], color=QUIET, linewidth=0.8, linestyle=(0, (1, 2)))
        curve = rows[(rows["part"] == "curve") & (rows["model"] == model)]
        if len(curve):
            panel.plot(curve["risk"], curve["observed"], color=colour, linewidth=1.1)
        panel.vlines(mine["predicted"], mine["ci_low"], mine["ci_high"], color=colour, linewidth=1.2)
        panel.plot(mine["predicted"], mine["observed"], marker, color=colour, markersize=5)
        panel.set(xlim=(0, most), ylim=(0, most), aspect="equal", xlabel="Predicted risk")
        panel.set_title(lines(model, 46, 2), loc="left", fontsize=7.5, color=QUIET)
    panels[0].set_ylabel("Observed risk")
    return panels[0]
