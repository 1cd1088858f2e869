"""Axes that read well: ratios on a log axis, p-values upward."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from discovery.report.format import is_log_ratio, ratio_name

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_SPREAD = math.log(1000.0)  # effects beyond a ratio of 1000 are drawn at the edge, with an arrow


def ratio_ticks(low: float, high: float, most: int = 7) -> list[float]:
    """Ratios for the ticks of a log axis from `low` to `high` (natural logs); always with 1 in reach."""
    for steps in (
        (1, 1.1, 1.2, 1.3, 1.4, 1.5, 1.75, 2, 2.5, 3, 4, 5, 6, 8),
        (1, 1.25, 1.5, 2, 3, 4, 6),
        (1, 1.5, 2, 3, 5),
        (1, 2, 5),
        (1, 3),
        (1,),
    ):
        up = [s * 10**k for k in range(6) for s in steps]
        ticks = sorted({round(t, 6) for t in up} | {1 / t for t in up})
        inside = [t for t in ticks if low - 1e-9 <= math.log(t) <= high + 1e-9]
        if len(inside) <= most:
            return inside
    return [t for t in (0.0001, 0.01, 1.0, 100.0, 10000.0) if low <= math.log(t) <= high]


def ratio_text(ratio: float) -> str:
    """A tick's ratio, as short as it can be."""
    if ratio >= 1:
        return f"{ratio:.4g}"
    return f"{ratio:.2g}"


def effect_axis(
    ax: Axes, values: np.ndarray, effect_measure: str, *, adjusted: str = "", most_ticks: int = 7
) -> tuple[float, float]:
    """Set the x axis of `ax` for effects; returns its limits (natural scale of the table).

    A log ratio gets ratios on its ticks. The limits hold every finite value, up to a ratio of 1000.
    """
    finite = values[np.isfinite(values)]
    low, high = (float(finite.min()), float(finite.max())) if len(finite) else (-0.5, 0.5)
    low, high = min(low, 0.0), max(high, 0.0)
    pad = 0.06 * max(high - low, 0.2)
    low, high = low - pad, high + pad
    words = ratio_name(effect_measure)
    if is_log_ratio(effect_measure):
        low, high = max(low, -MOST_SPREAD), min(high, MOST_SPREAD)
        ticks = ratio_ticks(low, high, most_ticks)
        if len(ticks) >= 2:
            ax.set_xticks([math.log(t) for t in ticks], [ratio_text(t) for t in ticks])
        words += " (log scale)"
    ax.set_xlim(low, high)
    ax.set_xlabel(words + (f", {adjusted}" if adjusted else ""))
    return low, high


def interval_lines(
    ax: Axes, y: np.ndarray, low: np.ndarray, high: np.ndarray, *, color: str, width: float
) -> None:
    """Horizontal intervals; one that runs out of the axes (or has no end) gets an arrow at the edge."""
    left, right = ax.get_xlim()
    for at, a, b in zip(y, low, high):
        if np.isnan(a) and np.isnan(b):
            continue
        start = left if np.isnan(a) else max(a, left)
        end = right if np.isnan(b) else min(b, right)
        if start > end:
            continue
        ax.plot([start, end], [at, at], color=color, linewidth=width, solid_capstyle="butt", zorder=2)
        if np.isnan(a) or a < left:
            ax.plot([left], [at], marker="<", color=color, markersize=4, clip_on=False, zorder=3)
        if np.isnan(b) or b > right:
            ax.plot([right], [at], marker=">", color=color, markersize=4, clip_on=False, zorder=3)


def time_axis(unit: str) -> str:
    """The words of a time axis; `unit` may go on with where time starts ("days from the landmark at 7")."""
    if unit and not unit.startswith("from "):
        return f"Time ({unit})"
    return f"Time (unit not stated{', ' if unit else ''}{unit})"


def minus_log10(p_values: np.ndarray) -> np.ndarray:
    """-log10 p; NaN stays NaN."""
    with np.errstate(divide="ignore"):
        return -np.log10(np.clip(p_values, np.finfo(float).tiny, 1.0)) + 0.0  # p = 1 is 0, not -0
