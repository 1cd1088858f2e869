"""Effect against evidence for every feature; the leading families carry a colour and a shape."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.figures.labels import lines, short
from discovery.figures.names_beside import name_marks
from discovery.figures.scales import effect_axis, minus_log10
from discovery.figures.style import GROUPS, QUIET, say, set_size, set_title

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COLOURED = 4
NAMED = 6


def draw_volcano(
    rows: pd.DataFrame,
    ax: Axes,
    *,
    title: str = "",
    detail: str = "",
    adjusted: str = "adjusted",
    fdr: float | None = None,
) -> Axes:
    """Draw `rows` (label, family, effect_measure, estimate, p_value, q_value) in the order of their rank.

    The first four families met get a colour and a shape; the first six features get their name if
    it has room. With `fdr`, a line runs through the largest p whose q-value is within it; no line when
    none is.
    """
    seen = rows[rows["estimate"].notna() & rows["p_value"].notna()] if len(rows) else rows
    if seen.empty:
        return say(ax, "Nothing to draw: no feature could be estimated for this outcome.")
    set_size(ax, height=4.3)
    set_title(ax, title, detail)
    x, y = seen["estimate"].to_numpy(float), minus_log10(seen["p_value"].to_numpy(float))
    low, high = effect_axis(ax, x, str(seen["effect_measure"].iloc[0]), adjusted=adjusted)
    shown_x = np.clip(x, low, high)
    family = seen["family"].fillna("").astype(str).to_numpy()
    leading = list(dict.fromkeys(family))[:COLOURED]
    others = ~np.isin(family, leading)
    for (colour, marker, _), name in zip(GROUPS, leading):
        mine = family == name
        ax.plot(
            shown_x[mine],
            y[mine],
            marker,
            color=colour,
            markersize=4.6,
            linestyle="none",
            zorder=3,
            label=f"{short(name, 34) or 'no family'} ({mine.sum()})",
        )
    if others.any():
        ax.plot(
            shown_x[others],
            y[others],
            "o",
            color="#8a8f98",
            markersize=3,
            markeredgewidth=0,
            linestyle="none",
            label=f"other families ({others.sum()})",
            zorder=2,
        )
    top = max(float(y.max()) * 1.08, 1.5)
    ax.set_ylim(0, top)
    ax.axvline(0, color=QUIET, linewidth=0.8, zorder=1)
    levels: tuple[float, ...] = ()
    if fdr is not None:
        found = seen["q_value"].to_numpy(float) <= fdr
        if found.any():
            levels = (float(y[found].min()),)
            ax.axhline(
                levels[0],
                color=QUIET,
                linewidth=0.8,
                linestyle=(0, (5, 1.5)),
                label=f"q ≤ {fdr:g} from here up",
            )
    ax.set_ylabel("−log10 p (two-sided)")
    ax.legend(loc="upper left", bbox_to_anchor=(1.01, 1), title="Family", alignment="left")
    names = [lines(label, 30, 2) for label in seen["label"].head(NAMED)]
    name_marks(ax, np.column_stack([shown_x, y]), names, lines_at=(0.0,), levels=levels)
    return ax
