"""Effects by group under headings: groups of a modifier, or sites with their summary."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.figures.labels import short
from discovery.figures.scales import effect_axis, interval_lines
from discovery.figures.style import (
    BLUE,
    INK,
    QUIET,
    RULE,
    VERMILION,
    bare,
    room_for_words,
    say,
    set_size,
    set_title,
    split_for_words,
)
from discovery.report.format import effect_interval, interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDEST, LEAST = 42, 18  # letters of a row's name: at most, and where the words beside it need the room
HEADING_LETTERS = 76  # of what a block of rows is of
HEADING, GROUP, POOLED, NEXT = "heading", "group", "pooled", "prediction"


def draw_group_forest(
    rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "", adjusted: str = "adjusted"
) -> Axes:
    """Draw `rows` in order: kind ("heading", "group", "pooled", "prediction"), label, effect_measure,
    estimate, ci_low, ci_high, people (text: patients and events).

    A square is a group; a diamond a pooled effect as wide as its interval; a dashed line where the effect
    at a new site is expected.
    """
    shown = rows[rows["kind"] != HEADING] if len(rows) else rows
    if shown.empty or shown[["ci_low", "ci_high"]].isna().all(axis=None):
        return say(ax, "No effect by group to draw: no group was large enough.")
    rows = rows.reset_index(drop=True)
    set_size(ax, height=1.35 + 0.21 * len(rows))
    measure = str(shown["effect_measure"].iloc[0])
    kind = rows["kind"].to_numpy()
    intervals = [_interval(row, measure) for row in rows.itertuples()]
    people = rows["people"].fillna("").astype(str).tolist()
    beside = [text for text, what in zip(people, kind) if what != HEADING]
    names, letters = _names(rows, WIDEST), WIDEST
    while letters > LEAST and not room_for_words(ax, names, [intervals, beside]):
        letters -= 4
        names = _names(rows, letters)
    ax, words = split_for_words(ax, names, [intervals, beside])
    set_title(ax, title, detail)
    y = np.arange(len(rows))[::-1].astype(float)
    low, high, estimate = (rows[c].to_numpy(float) for c in ("ci_low", "ci_high", "estimate"))
    effect_axis(ax, _reach(rows), measure, adjusted=adjusted)
    ax.axvline(0, color=QUIET, linewidth=0.8, zorder=1)
    group, pooled, new = kind == GROUP, kind == POOLED, kind == NEXT
    interval_lines(ax, y[group], low[group], high[group], color=BLUE, width=1.4)
    left, right = ax.get_xlim()
    inside = group & (estimate >= left) & (estimate <= right)
    ax.plot(estimate[inside], y[inside], "s", color=BLUE, markersize=4.2, zorder=4)
    for at in np.flatnonzero(pooled & np.isfinite(estimate)):
        a, b = max(low[at], left), min(high[at], right)
        ax.fill([a, estimate[at], b, estimate[at]], y[at] + np.array([0, 0.28, 0, -0.28]), color=VERMILION)
    for at in np.flatnonzero(new & np.isfinite(low)):
        ax.plot(
            [max(low[at], left), min(high[at], right)], [y[at]] * 2,
            color=VERMILION, linestyle=(0, (3, 1.5)), linewidth=1.3,
        )  # fmt: skip
    ax.set_yticks(y, names)
    ax.tick_params(axis="y", length=0)
    ax.set_ylim(-0.6, len(rows) - 0.4)
    ax.spines["left"].set_visible(False)
    bare(words)
    words.set(xlim=(0, 1), ylim=ax.get_ylim())
    for at, row, span, who in zip(y, rows.itertuples(), intervals, people):
        words.text(1.0, at, who, ha="right", va="center", fontsize=7.5, color=QUIET)
        if row.kind == HEADING:
            _heading(ax, at, row.label)
            for part in (ax, words):
                part.axhline(at + 0.5, color=RULE, linewidth=0.6)
        else:
            words.text(0, at, span, ha="left", va="center", fontsize=7.5, color=INK)
    return ax


def _names(rows: pd.DataFrame, letters: int) -> list[str]:
    return ["" if row.kind == HEADING else short(row.label, letters) for row in rows.itertuples()]


def _interval(row, measure: str) -> str:
    if row.kind == HEADING:
        return ""
    if row.kind == NEXT:
        return interval(row.ci_low, row.ci_high, measure)
    return effect_interval(row.estimate, row.ci_low, row.ci_high, measure)


def _heading(ax: Axes, at: float, label: object) -> None:
    """What the rows below are of, from the left edge of the figure over the empty row of the picture."""
    name, by, modifier = str(label).rpartition(", by ")
    end = f"{by}{short(modifier, HEADING_LETTERS // 2)}" if by else ""
    text = short(name if by else modifier, HEADING_LETTERS - len(end)) + end
    ax.annotate(
        text, (0.008, at), xycoords=("figure fraction", "data"), ha="left", va="center", fontsize=7.5,
        fontweight="bold", zorder=5, annotation_clip=False,
        bbox={"boxstyle": "square,pad=0.1", "facecolor": "white", "edgecolor": "none"},
    ).set_in_layout(False)  # fmt: skip


def _reach(rows: pd.DataFrame) -> np.ndarray:
    """Values that set the axis: all estimates, and intervals as far as they do not run away."""
    estimate = rows["estimate"].to_numpy(float)
    seen = estimate[np.isfinite(estimate)]
    ends = rows[["ci_low", "ci_high"]].to_numpy(float).ravel()
    ends = ends[np.isfinite(ends)]
    if not seen.size:
        return ends
    room = 3 * max(float(np.ptp(np.append(seen, 0.0))), 0.5)
    return np.concatenate([seen, np.clip(ends, min(seen.min(), 0) - room, max(seen.max(), 0) + room)])
