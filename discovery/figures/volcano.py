"""Effect against evidence for every feature; the leading families carry a colour and a shape."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.figures.labels import short
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

    The first four families met get a colour and a shape; the first six features get their name. With
    `fdr`, a line runs through the largest p whose q-value is within it; no line when none is.
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
    if fdr is not None:
        found = seen["q_value"].to_numpy(float) <= fdr
        if found.any():
            cut = float(y[found].min())
            ax.axhline(cut, color=QUIET, linewidth=0.8, linestyle=(0, (5, 1.5)))
            left = _fewer_left(shown_x[(y >= cut) & (y <= cut + 0.07 * top)], low, high)
            ax.text(
                low if left else high, cut, f"q ≤ {fdr:g} from here up", va="bottom",
                ha="left" if left else "right", fontsize=7, color=QUIET,
            )  # fmt: skip
    _name_the_first(ax, shown_x, y, [short(t, 30) for t in seen["label"]], top)
    ax.set_ylabel("−log10 p (two-sided)")
    ax.legend(loc="upper left", bbox_to_anchor=(1.01, 1), title="Family", alignment="left")
    return ax


def _fewer_left(x: np.ndarray, low: float, high: float) -> bool:
    """Whether fewer of the points at `x` would be behind a word at the left end of the axis."""
    word = 0.3 * (high - low)
    return bool((x <= low + word).sum() < (x >= high - word).sum())


def _name_the_first(ax: Axes, x: np.ndarray, y: np.ndarray, names: list[str], top: float) -> None:
    """Names beside their points, moved apart downward so that they do not cover each other."""
    low, high = ax.get_xlim()
    step = 0.045 * top
    for side in (-1, 1):
        mine = [k for k in range(min(NAMED, len(x))) if (x[k] >= 0) == (side > 0)]
        height = top
        for k in sorted(mine, key=lambda k: -y[k]):
            height = min(y[k], height - step)
            inner = (high - x[k] if side > 0 else x[k] - low) < 0.38 * (high - low)
            toward = -side if inner else side
            ax.annotate(
                names[k],
                (x[k], y[k]),
                xytext=(x[k] + toward * 0.018 * (high - low), height),
                ha="left" if toward > 0 else "right",
                va="center",
                fontsize=6.6,
                zorder=4,
                bbox={"boxstyle": "square,pad=0.1", "facecolor": "white", "edgecolor": "none", "alpha": 0.8},
                arrowprops={"arrowstyle": "-", "color": QUIET, "linewidth": 0.4, "shrinkA": 0, "shrinkB": 2},
            )
