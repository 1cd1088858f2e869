"""Rank intervals with the probability of being near the top, and the gain with its interval."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.figures.labels import row_labels
from discovery.figures.scales import interval_lines
from discovery.figures.style import (
    BLUE,
    QUIET,
    RULE,
    VERMILION,
    say,
    set_size,
    set_title,
    split,
    split_for_words,
)
from discovery.report.format import gain_interval, measure, probability

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_rank_intervals(
    rows: pd.DataFrame,
    ax: Axes,
    *,
    title: str = "",
    detail: str = "",
    top: int = 10,
    features: int | None = None,
) -> Axes:
    """Draw `rows` (label, rank, rank_low, rank_high, probability_in_top) as given.

    `top` is the k of "among the first k"; `features` the number ranked, for the words on the axis.
    """
    if rows.empty or rows["rank_low"].isna().all():
        return say(ax, "No rank interval to draw: ranks were not resampled in this run.")
    from matplotlib.ticker import MaxNLocator

    rows = rows.reset_index(drop=True)
    set_size(ax, height=1.15 + 0.25 * len(rows))
    ax, share = split(ax, widths=(1.0, 0.42))
    set_title(ax, title, detail)
    y = np.arange(len(rows))[::-1].astype(float)
    low, high, rank = (rows[c].to_numpy(float) for c in ("rank_low", "rank_high", "rank"))
    last = max(float(np.nanmax(np.concatenate([high, rank]))), 2.0)

    ax.set_xlim(0.5, last + 0.5)
    if top < last:
        ax.axvspan(0.5, top + 0.5, color="#eef3f8", zorder=0)
        if top > 1:
            ax.text(
                top + 0.4, len(rows) - 0.45, f"first {top}", ha="right", va="bottom", fontsize=7, color=QUIET
            )
    interval_lines(ax, y, low, high, color=BLUE, width=1.6)
    ax.plot(rank, y, "o", color=BLUE, markersize=4.2, zorder=4)
    ax.set_yticks(y, row_labels(rows["label"].tolist()), linespacing=1.0)
    ax.tick_params(axis="y", length=0)
    ax.set_ylim(-0.6, len(rows) - 0.4)
    of = f" of {features}" if features else ""
    ax.set_xlabel(f"Rank{of} (1 = strongest), approximate 95 % bootstrap interval")
    ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    _first_tick_is_one(ax, last)

    chance = rows["probability_in_top"].to_numpy(float)
    share.barh(y, np.nan_to_num(chance), height=0.55, color="#9db7cf", edgecolor=BLUE, linewidth=0.6)
    for at, value in zip(y, chance):
        inside = np.isfinite(value) and value > 0.72
        share.text(
            value - 0.02 if inside else np.nan_to_num(value) + 0.02,
            at,
            probability(value),
            va="center",
            ha="right" if inside else "left",
            fontsize=7,
        )
    share.set(
        xlim=(0, 1),
        ylim=ax.get_ylim(),
        xlabel="Probability of " + (f"being\namong the first {top}" if top > 1 else "ranking\nfirst"),
    )
    share.set_xticks([0, 0.5, 1], ["0", "0.5", "1"])
    share.set_yticks([])
    return ax


def draw_gain(rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "") -> Axes:
    """Draw `rows` (label, gain_measure, gain, gain_low, gain_high) as given; negative gains as they are."""
    if rows.empty or rows["gain"].isna().all():
        return say(ax, "No gain to draw: the gain over the base model was not estimated in this run.")
    rows = rows.reset_index(drop=True)
    set_size(ax, height=1.15 + 0.25 * len(rows))
    names = row_labels(rows["label"].tolist())
    gains = [gain_interval(row.gain, row.gain_low, row.gain_high) for row in rows.itertuples()]
    ax, words = split_for_words(ax, names, [gains])
    set_title(ax, title, detail)
    y = np.arange(len(rows))[::-1].astype(float)
    gain, low, high = (rows[c].to_numpy(float) for c in ("gain", "gain_low", "gain_high"))
    reach = np.concatenate([gain, low, high, [0.0]])
    a, b = float(np.nanmin(reach)), float(np.nanmax(reach))
    pad = 0.06 * max(b - a, 1e-3)
    ax.set_xlim(a - pad, b + pad)
    ax.axvline(0, color=VERMILION, linewidth=0.9, linestyle=(0, (5, 1.5)), zorder=1)
    interval_lines(ax, y, low, high, color=BLUE, width=1.5)
    ax.plot(gain, y, "s", color=BLUE, markersize=4, zorder=4)
    ax.set_yticks(y, names, linespacing=1.0)
    ax.tick_params(axis="y", length=0)
    ax.set_ylim(-0.6, len(rows) - 0.4)
    ax.set_xlabel(
        f"Gain in {measure(rows['gain_measure'].iloc[0])} over the base model,\n"
        "corrected for fitting and for selection (approximate 95 % interval)"
    )
    words.set_axis_off()
    words.set(xlim=(0, 1), ylim=ax.get_ylim())
    words.axvline(0, color=RULE, linewidth=0)
    for at, text in zip(y, gains):
        words.text(0, at, text, va="center", fontsize=7.5)
    return ax


def _first_tick_is_one(ax: Axes, last: float) -> None:
    ticks = [t for t in ax.get_xticks() if 2 <= t <= last + 0.5]
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 1
    ax.set_xticks([1, *(t for t in ticks if t - 1 > 0.5 * step)])
