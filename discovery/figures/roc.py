"""Receiver operating characteristic: what a cut anywhere on the scale would find and miss."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from discovery.figures.labels import lines
from discovery.figures.style import GROUPS, QUIET, figure_of, say, set_size, set_title
from discovery.report.format import discrimination_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_roc(rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "") -> Axes:
    """Draw `rows` (marker, fpr, tpr; auc, auc_low, auc_high when there), points in drawing order.

    `marker` names a curve: a marker by itself, the base model, the base model with the marker.
    """
    if rows.empty:
        return say(ax, "No curve to draw: one of the two outcome classes is empty.")
    set_size(ax, width=4.8, height=5.0 + 0.3 * rows["marker"].nunique())
    set_title(ax, title, detail)
    ax.plot([0, 1], [0, 1], color=QUIET, linewidth=0.8, linestyle=(0, (1, 2)))
    ax.text(
        0.62,
        0.6,
        "no information",
        rotation=45,
        rotation_mode="anchor",
        ha="center",
        va="top",
        transform_rotates_text=True,
        fontsize=7,
        color=QUIET,
    )
    for k, (name, curve) in enumerate(rows.groupby("marker", sort=False)):
        colour, _, dash = GROUPS[k % len(GROUPS)]
        words = lines(name, 56)
        if "auc" in curve:
            ends = (curve[end].iloc[0] if end in curve else None for end in ("auc_low", "auc_high"))
            words += f"\nAUC {discrimination_interval(curve['auc'].iloc[0], *ends)}"
        ax.plot(curve["fpr"], curve["tpr"], color=colour, linestyle=dash, label=words)
    ax.set(
        xlim=(-0.01, 1.01),
        ylim=(-0.01, 1.01),
        aspect="equal",
        xlabel="False positive share (1 − specificity)",
        ylabel="True positive share (sensitivity)",
    )
    figure_of(ax).legend(*ax.get_legend_handles_labels(), loc="outside lower left", handlelength=3.2)
    return ax
