"""The effect of leading features as smooth curves, with a band and a rug."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.figures.labels import lines
from discovery.figures.scales import MOST_SPREAD, ratio_text, ratio_ticks
from discovery.figures.style import BLUE, QUIET, RULE, say, set_size, set_title, split
from discovery.report.format import is_log_ratio, ratio_name
from discovery.report.format import unit as unit_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_splines(rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "") -> Axes:
    """One panel a feature, side by side, on one scale of the effect.

    `rows`: feature, label, unit, effect_measure, words (a line of text under the panel's name), part
    ("curve", "knot", "rug"), value (feature's unit), estimate, ci_low, ci_high (log ratio or slope).
    A tick of the rug is the mean of several patients; a triangle marks a knot.
    """
    if rows.empty:
        return say(ax, "No curve to draw: the features take too few distinct values.")
    features = list(dict.fromkeys(rows["feature"]))
    set_size(ax, height=3.5, width=7.1 if len(features) > 1 else 4.4)
    panels = split(ax, widths=(1.0,) * len(features)) if len(features) > 1 else [ax]
    set_title(panels[0], title, detail)
    measure = str(rows["effect_measure"].iloc[0])
    curves = rows[rows["part"] == "curve"]
    estimate = curves["estimate"].to_numpy(float)
    reach = curves[["ci_low", "ci_high"]].to_numpy(float)
    # an interval that runs far beyond the curves must not flatten them
    room = max(1.5 * float(np.ptp(estimate)), 0.5)
    low = max(float(np.nanmin(reach)), float(estimate.min()) - room, -MOST_SPREAD)
    high = min(float(np.nanmax(reach)), float(estimate.max()) + room, MOST_SPREAD)
    pad = 0.06 * (high - low)
    low, high = low - 2.2 * pad, high + pad
    for panel, feature in zip(panels, features):
        mine = rows[rows["feature"] == feature]
        _panel(panel, mine, low, high)
        if is_log_ratio(measure):
            ticks = ratio_ticks(low, high)
            if len(ticks) >= 2:
                panel.set_yticks([math.log(t) for t in ticks], [ratio_text(t) for t in ticks])
        if panel is panels[0]:
            per = "Outcome in SD" if "slope" in measure else ratio_name(measure).removesuffix(" per 1 SD")
            scale = " (log scale)" if is_log_ratio(measure) else ""
            panel.set_ylabel(lines(f"{per} against the median{scale}", 44))
        else:
            panel.tick_params(labelleft=False)
    return panels[0]


def _panel(ax: Axes, rows: pd.DataFrame, low: float, high: float) -> None:
    curve = rows[rows["part"] == "curve"].sort_values("value")
    x = curve["value"].to_numpy(float)
    ax.axhline(0, color=QUIET, linewidth=0.7, linestyle=(0, (1, 2)))
    ax.fill_between(x, curve["ci_low"], curve["ci_high"], color=BLUE, alpha=0.14, linewidth=0)
    ax.plot(x, curve["estimate"], color=BLUE, linewidth=1.5)
    ax.set_ylim(low, high)
    rug = rows.loc[rows["part"] == "rug", "value"].to_numpy(float)
    rug = rug[(rug >= x.min()) & (rug <= x.max())]
    tall = 0.035 * (high - low)
    ax.vlines(rug, low, low + tall, color=QUIET, linewidth=0.6)
    knots = rows.loc[rows["part"] == "knot", "value"].to_numpy(float)
    ax.plot(knots, np.full(len(knots), low + 1.8 * tall), "v", color=RULE, markersize=3.5)
    first = rows.iloc[0]
    unit = f" ({unit_words(first['unit'])})" if first["unit"] else ""
    ax.set_xlabel(lines(f"{first['label']}{unit}", 32, 3))
    ax.set_title(str(first["words"]), loc="left", fontsize=7.5, color=QUIET)
