"""Figures of the continuous axes: how many, what they are made of, who lies where, how the beat changes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.figures.labels import short
from discovery.figures.style import (
    BLUE,
    GROUPS,
    INK,
    QUIET,
    RULE,
    THIRDS,
    VERMILION,
    say,
    set_size,
    set_title,
    split,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LOADING_ROWS = 12
LOADING_AXES = 4
SIDES = 2.1  # of a biplot: room for names at either side, in half widths of the picture


def draw_axes(table: pd.DataFrame, ax: Axes, *, title: str = "") -> Axes:
    """Variance by component, the null's 95 % beside it, and how alike the axis comes out of resamples."""
    if table.empty:
        return say(ax, "No axis was kept.")
    set_size(ax, height=2.7)
    ax, likeness = split(ax, widths=(1.0, 1.0))
    set_title(ax, title)
    x = np.arange(1, len(table) + 1)
    beyond = table["beyond_chance"].to_numpy(bool)
    ax.plot(x, table["component_variance"], color=RULE, linewidth=1)
    for which, face, word in ((beyond, BLUE, "beyond chance"), (~beyond, "white", "not beyond chance")):
        if which.any():
            ax.plot(x[which], table["component_variance"][which], "o", color=BLUE, markerfacecolor=face,
                    linestyle="none", label=word)  # fmt: skip
    ax.plot(x, table["parallel_95"], color=VERMILION, linestyle=(0, (4, 2)), label="shuffled features, 95 %")
    ax.set(xlabel="Component", ylabel="Variance (eigenvalue)", ylim=(0, None))
    ax.set_xticks(x)
    ax.legend()
    for level, word in ((0.95, "same axis"), (0.85, "fairly similar")):
        likeness.axhline(level, color=RULE, linewidth=0.8)
        likeness.annotate(f"{level:g}: {word}", (1, level), xycoords=("axes fraction", "data"),
                          xytext=(3, 0), textcoords="offset points", fontsize=7, color=QUIET,
                          va="center")  # fmt: skip
    for at, low, mid in zip(x, table["congruence_low"], table["congruence"]):
        likeness.plot([at, at], [low, mid], color=INK, linewidth=1)
    for which, face in ((beyond, INK), (~beyond, "white")):
        likeness.plot(x[which], table["congruence"][which], "s", color=INK, markerfacecolor=face,
                      markersize=4, linestyle="none")  # fmt: skip
    likeness.set(ylabel="Congruence in bootstrap samples", ylim=(0, 1.05), xlim=(0.5, x[-1] + 0.5))
    likeness.set_xticks(x, table["axis"].tolist())
    return ax


def draw_loadings(table: pd.DataFrame, ax: Axes, *, title: str = "") -> Axes:
    """Correlations of features with the first axes as dots, with their intervals."""
    axes = list(dict.fromkeys(table["axis"]))[:LOADING_AXES]
    table = table[table["axis"].isin(axes)]
    wide = table.pivot(index="feature", columns="axis", values="correlation")[axes]
    picked = list(dict.fromkeys(name for axis in axes for name in wide[axis].abs().nlargest(4).index))
    picked = picked[: LOADING_ROWS + LOADING_AXES]
    label = table.drop_duplicates("feature").set_index("feature")["label"]
    set_size(ax, height=1.4 + 0.2 * len(picked))
    panels = split(ax, widths=(1.0,) * len(axes))
    set_title(ax, title)
    y = np.arange(len(picked))[::-1]
    for k, (panel, axis) in enumerate(zip(panels, axes)):
        mine = table[table["axis"] == axis].set_index("feature").loc[picked]
        value = mine["correlation"].to_numpy(float)
        panel.axvline(0, color=RULE, linewidth=0.8)
        panel.hlines(y, mine["ci_low"], mine["ci_high"], color=BLUE, linewidth=1)
        panel.plot(value, y, "o", color=BLUE, markersize=3.6)
        panel.set(xlim=(-1.08, 1.08), ylim=(-0.6, len(picked) - 0.4))
        panel.set_title(axis, fontsize=8)
        panel.set_yticks(y, [short(label[name], 40) for name in picked] if k == 0 else [""] * len(picked))
        panel.tick_params(axis="y", length=0)
        panel.set_xticks([-1, 0, 1])
        panel.set_xlabel("Correlation")
    return ax


def draw_biplot(table: pd.DataFrame, ax: Axes, *, title: str = "") -> Axes:
    """Patients as points and features as arrows on the first two axes."""
    patients, features = (table[table["part"] == part] for part in ("patient", "feature"))
    set_size(ax, height=4.2)
    set_title(ax, title)
    reach = float(np.abs(patients[["x", "y"]].to_numpy()).max()) * 1.05 if len(patients) else 1.0
    reach = max(reach, 2.5)
    names = sorted(set(patients["name"].fillna("").astype(str)))
    for k, name in enumerate(names):
        colour, marker, _ = GROUPS[k % len(GROUPS)]
        mine = patients[patients["name"].fillna("").astype(str) == name]
        ax.plot(mine["x"], mine["y"], marker, color=colour if name else QUIET, markersize=3, alpha=0.45,
                linestyle="none", label=name or None, zorder=2)  # fmt: skip
    length = 0.82 * reach
    angle = np.linspace(0, 2 * np.pi, 200)
    ax.plot(length * np.cos(angle), length * np.sin(angle), color=RULE, linewidth=0.7, zorder=1)
    ends = features[["x", "y"]].to_numpy(dtype=float) * length
    for x, y in ends:
        ax.annotate("", (x, y), (0, 0), arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 0.9,
                    "shrinkA": 0, "shrinkB": 0, "mutation_scale": 7}, zorder=3)  # fmt: skip
    _names_beside(ax, ends, [short(name, 30) for name in features["name"]], reach)
    ax.hlines(0, -reach, reach, color=RULE, linewidth=0.6, zorder=0)
    ax.vlines(0, -reach, reach, color=RULE, linewidth=0.6, zorder=0)
    ticks = np.arange(-int(reach), int(reach) + 1)
    ax.set_xticks(ticks)
    ax.set_yticks(ticks)
    ax.set(xlim=(-SIDES * reach, SIDES * reach), ylim=(-reach, reach), aspect="equal")
    ax.spines["bottom"].set_bounds(-reach, reach)
    ax.spines["left"].set_position(("data", -reach))
    ax.set_xlabel(f"{table['x_axis'].iloc[0]} (patients: SD)")
    ax.text(-reach, 1.03 * reach, f"{table['y_axis'].iloc[0]} (patients: SD)", ha="center", va="bottom")
    if any(names):
        ax.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=len(names))
    return ax


def _names_beside(ax: Axes, ends: np.ndarray, names: list[str], reach: float) -> None:
    """Names in a column at either side, in the order of the heights of the arrows, joined by a thin line."""
    for side, away in ((-1, 1.22), (1, 1.06)):
        mine = np.flatnonzero((ends[:, 0] >= 0) if side > 0 else (ends[:, 0] < 0))
        mine = mine[np.argsort(-ends[mine, 1], kind="stable")]
        heights = ends[mine, 1].copy()
        for k in range(1, len(heights)):
            heights[k] = min(heights[k], heights[k - 1] - reach / 8)
        if len(heights) and heights[-1] < -reach:
            heights += -reach - heights[-1]
        for place, height in zip(mine, heights):
            ax.annotate(names[place], tuple(ends[place]), (side * away * reach, height), textcoords="data",
                        ha="left" if side > 0 else "right", va="center", fontsize=7,
                        arrowprops={"arrowstyle": "-", "color": QUIET, "linewidth": 0.5, "shrinkA": 1,
                                    "shrinkB": 1})  # fmt: skip


def draw_axis_beats(table: pd.DataFrame, ax: Axes, *, title: str = "") -> Axes:
    """The mean normalised beat at either end of each axis, a panel an axis."""
    axes = list(dict.fromkeys(table["axis"]))
    set_size(ax, height=2.7)
    panels = split(ax, widths=(1.0,) * max(len(axes), 2))
    set_title(ax, title)
    for panel in panels[len(axes) :]:
        panel.set_axis_off()
    for k, (panel, axis) in enumerate(zip(panels, axes)):
        for name, (colour, _, dash) in (("lowest third", THIRDS[0]), ("highest third", THIRDS[2])):
            mine = table[(table["axis"] == axis) & (table["part"] == name)]
            panel.fill_between(mine["phase"], mine["low"], mine["high"], color=colour, alpha=0.13,
                               linewidth=0)  # fmt: skip
            word = name.removesuffix(" third")
            panel.plot(mine["phase"], mine["pressure"], color=colour, linestyle=dash, label=word)
        panel.axvline(1.0, color=RULE, linewidth=0.7)
        panel.set_xticks([0.5, 1.5], ["systole", "diastole"])
        panel.set(xlim=(0, 2))
        panel.set_title(axis, fontsize=8, loc="left")
        if k == 0:
            panel.set_ylabel("Share of developed pressure")
    panels[0].legend(title="Third", title_fontsize=7.5, loc="upper right", handlelength=1.5)
    return ax
