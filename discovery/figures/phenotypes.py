"""Figures of the search for groups: the test against noise first, then what was cut, then the axes."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.figures.labels import short
from discovery.figures.save import SavedFigure, save_figure
from discovery.figures.style import (
    BLUE,
    GROUPS,
    INK,
    QUIET,
    RULE,
    VERMILION,
    figure_of,
    say,
    set_size,
    set_title,
    split,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PROFILE_ROWS = 20
LOADING_ROWS = 12
LOADING_AXES = 4
NULLS = {
    "gaussian": "normal cohorts with the same correlations",
    "copula": "cohorts with the same margins and correlations",
}


def colours(names: list[str]) -> dict[str, tuple]:
    """Colour, marker and dash of each group; the sixth begins again."""
    return {name: GROUPS[k % len(GROUPS)] for k, name in enumerate(names)}


def phenotype_figures(tables: Mapping[str, pd.DataFrame], folder: Path) -> list[SavedFigure]:
    """Every figure whose table is there, in the order of the argument."""
    steps = (
        ("phenotype_null", draw_null, "Is there any structure", "The cohort against 199 cohorts of each kind "
         "without groups: the largest standardised silhouette over 2 to 6 groups."),
        ("phenotype_separation", draw_separation, "Is there a gap between the groups",
         "Scores of patients by a rule that never saw them. One hump is a continuum cut in pieces, a dip "
         "between two humps is a gap."),
        ("phenotype_stability", draw_stability, "Would the groups come back",
         "Overlap (Jaccard) of each group with its likeness in bootstrap samples, with 95 % of the draws. "
         "0.75 is asked for."),
        ("phenotype_consensus", draw_consensus, "How often two patients fall together",
         "Share of bootstrap samples that put two patients into one group; patients sorted by group."),
        ("phenotype_profiles", draw_profiles, "What tells the groups",
         "Each group against all others, in SDs inside the groups. These features made the groups: a "
         "description, no test."),
        ("phenotype_beats", draw_beats, "The mean beat of each group",
         "Normalised beat: 0 end-diastolic, 1 systolic peak; bands are 1 SD of the patients."),
        ("phenotype_map", draw_map, "A map of the patients", ""),
        ("phenotype_axes", draw_axes, "Continuous axes",
         "Variance of each axis against that of shuffled features (95 % of them below the line)."),
        ("phenotype_loadings", draw_loadings, "What the axes are made of",
         "Correlation of the features with each axis; the features that correlate most with any."),
    )  # fmt: skip
    out = []
    for name, draw, title, caption in steps:
        table = tables.get(name, pd.DataFrame())
        if len(table):
            words = str(table["caption"].iloc[0]) if name == "phenotype_map" else caption
            drawn = partial(draw, title=title)
            out.append(save_figure(name, drawn, table, folder, title=title, caption=words))
    return out


def draw_null(table: pd.DataFrame, ax: Axes, *, title: str = "") -> Axes:
    """Histogram of the null statistics of each kind, the cohort's own as a line."""
    kinds = list(dict.fromkeys(table["null"]))
    set_size(ax, height=2.6)
    panels = split(ax, widths=(1.0,) * len(kinds))
    set_title(ax, title)
    for panel, kind in zip(panels, kinds):
        mine = table[table["null"] == kind]
        drawn = mine.loc[mine["part"] == "draw", "statistic"].to_numpy(float)
        row = mine[mine["part"] == "observed"].iloc[0]
        panel.hist(drawn, bins=24, color=RULE, edgecolor="white", linewidth=0.4)
        panel.axvline(row["statistic"], color=VERMILION, linewidth=1.6)
        panel.set_title(f"{NULLS.get(kind, kind)}\np = {row['p_value']:.3g}", fontsize=8, loc="left")
        panel.set_xlabel("Standardised silhouette (line: this cohort)")
        panel.set_ylabel("Cohorts without groups")
    return ax


def draw_separation(table: pd.DataFrame, ax: Axes, *, title: str = "") -> Axes:
    """Density of the held-out scores, a panel a group."""
    names = list(dict.fromkeys(table["phenotype"]))
    set_size(ax, height=2.3)
    panels = split(ax, widths=(1.0,) * len(names))
    set_title(ax, title)
    for panel, (name, (colour, _, _)) in zip(panels, colours(names).items()):
        mine = table[table["phenotype"] == name]
        panel.fill_between(mine["x"], mine["density"], color=colour, alpha=0.18, linewidth=0)
        panel.plot(mine["x"], mine["density"], color=colour)
        panel.set_title(f"{name}: p = {min(float(mine['p_value'].iloc[0]), 1.0):.2g}", fontsize=8, loc="left")
        panel.set_xlabel("Score of left-out patients")
        panel.set_yticks([])
        panel.spines["left"].set_visible(False)
    return ax


def draw_stability(table: pd.DataFrame, ax: Axes, *, title: str = "") -> Axes:
    """Bars of the mean Jaccard index with the spread of the draws."""
    set_size(ax, height=1.1 + 0.34 * len(table))
    set_title(ax, title)
    y = np.arange(len(table))[::-1]
    for at, row, (colour, _, _) in zip(y, table.itertuples(), colours(table["phenotype"].tolist()).values()):
        ax.barh(at, row.jaccard, height=0.55, color=colour, alpha=0.55)
        ax.plot([row.low, row.high], [at, at], color=INK, linewidth=1)
        ax.text(1.01, at, f"{row.jaccard:.2f}, {row.word}", va="center", fontsize=7.5)
    ax.axvline(0.75, color=QUIET, linewidth=0.9, linestyle=(0, (3, 2)))
    ax.set(xlim=(0, 1), ylim=(-0.6, len(table) - 0.4))
    ax.set_yticks(y, [f"{row.phenotype} (n = {row.size})" for row in table.itertuples(index=False)])
    ax.set_xlabel("Overlap with the likeness in bootstrap samples (Jaccard)")
    return ax


def draw_consensus(table: pd.DataFrame, ax: Axes, *, title: str = "") -> Axes:
    """The consensus matrix as a grey map."""
    set_size(ax, height=4.6)
    set_title(ax, title)
    n = int(table["row"].max()) + 1
    share = np.full((n, n), np.nan)
    share[table["row"], table["column"]] = table["share"]
    image = ax.imshow(share, cmap="Greys", vmin=0, vmax=1, interpolation="nearest", aspect="equal")
    names = table.drop_duplicates("row").sort_values("row")["phenotype"].to_numpy()
    edges = np.flatnonzero(names[1:] != names[:-1]) + 0.5
    for edge in edges:
        ax.axhline(edge, color=VERMILION, linewidth=0.8)
        ax.axvline(edge, color=VERMILION, linewidth=0.8)
    bounds = np.concatenate([[-0.5], edges, [n - 0.5]])
    ax.set_yticks((bounds[1:] + bounds[:-1]) / 2, list(dict.fromkeys(names)))
    ax.set_xticks([])
    figure_of(ax).colorbar(image, ax=ax, shrink=0.6, label="Share of samples together")
    return ax


def draw_profiles(table: pd.DataFrame, ax: Axes, *, title: str = "") -> Axes:
    """Heat map of the effects: the features that tell a group most, groups side by side."""
    names = list(dict.fromkeys(table["phenotype"]))
    effect = table.pivot(index="feature", columns="phenotype", values="effect")[names]
    top = effect.abs().max(axis=1).sort_values(ascending=False, kind="stable").index[:PROFILE_ROWS]
    effect = effect.loc[top]
    label = table.drop_duplicates("feature").set_index("feature")["label"]
    set_size(ax, height=1.4 + 0.21 * len(effect))
    set_title(ax, title, f"The {len(effect)} features with the largest differences")
    reach = float(np.nanmax(np.abs(effect.to_numpy()))) if effect.size else 1.0
    image = ax.imshow(effect.to_numpy(), cmap="RdBu_r", vmin=-reach, vmax=reach, aspect="auto")
    for i, row in enumerate(effect.to_numpy()):
        for j, value in enumerate(row):
            if np.isfinite(value):
                dark = abs(value) > 0.6 * reach
                ax.text(j, i, f"{value:+.1f}".replace("-", "−"), ha="center", va="center", fontsize=7,
                        color="white" if dark else INK)  # fmt: skip
    ax.set_xticks(range(len(names)), names)
    ax.set_yticks(range(len(effect)), [short(label[name], 48) for name in effect.index])
    ax.tick_params(length=0)
    for side in ax.spines.values():
        side.set_visible(False)
    figure_of(ax).colorbar(image, ax=ax, shrink=0.6, label="Difference from all others (SD)")
    return ax


def draw_beats(table: pd.DataFrame, ax: Axes, *, title: str = "") -> Axes:
    """The mean normalised beats on one pair of axes."""
    names = list(dict.fromkeys(table["phenotype"]))
    set_size(ax, height=3.0)
    set_title(ax, title)
    for name, (colour, _, dash) in colours(names).items():
        mine = table[table["phenotype"] == name]
        ax.fill_between(mine["phase"], mine["low"], mine["high"], color=colour, alpha=0.13, linewidth=0)
        ax.plot(mine["phase"], mine["pressure"], color=colour, linestyle=dash, label=name)
    ax.axvline(1.0, color=RULE, linewidth=0.7)
    ax.set_xticks([0.5, 1.5], ["systole", "diastole"])
    ax.set(xlim=(0, 2), ylabel="Share of developed pressure")
    ax.legend()
    return ax


def draw_map(table: pd.DataFrame, ax: Axes, *, title: str = "") -> Axes:
    """The flat map, for drawing only: no axes, since its distances mean nothing."""
    set_size(ax, height=4.2)
    set_title(ax, title, "For drawing only: distances and gaps between islands are not evidence")
    names = sorted(set(table["phenotype"]))
    for name, (colour, marker, _) in colours(names).items():
        mine = table[table["phenotype"] == name]
        ax.plot(
            mine["x"],
            mine["y"],
            marker,
            color=colour,
            markersize=3.4,
            alpha=0.75,
            linestyle="none",
            label=name,
        )
    ax.set(xticks=[], yticks=[])
    for side in ax.spines.values():
        side.set_color(RULE)
    ax.legend(loc="upper left", bbox_to_anchor=(1, 1))
    return ax


def draw_axes(table: pd.DataFrame, ax: Axes, *, title: str = "") -> Axes:
    """Variance by axis, the null's 95 % beside it, and how alike the axis comes out of resamples."""
    if table.empty:
        return say(ax, "No axis was kept.")
    set_size(ax, height=2.7)
    ax, likeness = split(ax, widths=(1.0, 1.0))
    set_title(ax, title)
    x = np.arange(1, len(table) + 1)
    beyond = table["beyond_chance"].to_numpy(bool)
    ax.plot(x, table["variance"], color=RULE, linewidth=1)
    for which, face in ((beyond, BLUE), (~beyond, "white")):
        ax.plot(x[which], table["variance"][which], "o", color=BLUE, markerfacecolor=face, linestyle="none")
    ax.plot(x, table["parallel_95"], color=VERMILION, linestyle=(0, (4, 2)), label="shuffled, 95 %")
    ax.set(xlabel="Axis", ylabel="Variance (eigenvalue)")
    ax.set_xticks(x)
    ax.legend()
    likeness.plot(x, table["congruence"], "s", color=INK, markersize=4)
    for at, low, mid in zip(x, table["congruence_low"], table["congruence"]):
        likeness.plot([at, at], [low, mid], color=INK, linewidth=1)
    for level, word in ((0.95, "equal"), (0.85, "fairly similar")):
        likeness.axhline(level, color=RULE, linewidth=0.8)
        likeness.text(x[-1] + 0.4, level, word, fontsize=7, color=QUIET, ha="right", va="bottom")
    likeness.set(xlabel="Axis", ylabel="Congruence in resamples", ylim=(0, 1.05), xlim=(0.5, x[-1] + 0.5))
    likeness.set_xticks(x)
    return ax


def draw_loadings(table: pd.DataFrame, ax: Axes, *, title: str = "") -> Axes:
    """Correlations of features with the first axes as dots."""
    axes = list(dict.fromkeys(table["axis"]))[:LOADING_AXES]
    wide = table[table["axis"].isin(axes)].pivot(index="feature", columns="axis", values="correlation")[axes]
    picked = list(dict.fromkeys(name for axis in axes for name in wide[axis].abs().nlargest(4).index))
    rows = wide.loc[picked[: LOADING_ROWS + LOADING_AXES]]
    label = table.drop_duplicates("feature").set_index("feature")["label"]
    set_size(ax, height=1.2 + 0.2 * len(rows))
    panels = split(ax, widths=(1.0,) * len(axes))
    set_title(ax, title)
    y = np.arange(len(rows))[::-1]
    for k, (panel, axis) in enumerate(zip(panels, axes)):
        value = rows[axis].to_numpy(float)
        panel.hlines(y, 0, value, color=RULE, linewidth=1.6)
        panel.plot(value, y, "o", color=BLUE, markersize=3.6)
        panel.axvline(0, color=QUIET, linewidth=0.7)
        panel.set(xlim=(-1.05, 1.05), ylim=(-0.6, len(rows) - 0.4))
        panel.set_title(axis, fontsize=8)
        panel.set_yticks(y, [short(label[name], 40) for name in rows.index] if k == 0 else [""] * len(rows))
        panel.tick_params(axis="y", length=0)
        panel.set_xticks([-1, 0, 1])
    return ax
