"""Figures of the search for groups: the test against noise first, then what was cut, then the axes."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.figures.labels import short
from discovery.figures.phenotype_axes import draw_axes, draw_axis_beats, draw_biplot, draw_loadings
from discovery.figures.phenotype_courses import course_figures, searched
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
from discovery.report.format import p_phrase

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from discovery.report.settings import RunSettings

PROFILE_ROWS = 20
NULLS = {
    "gaussian": "normal cohorts with the same correlations",
    "copula": "cohorts with the same margins and correlations",
}


def colours(names: list[str]) -> dict[str, tuple]:
    """Colour, marker and dash of each group; the sixth begins again."""
    return {name: GROUPS[k % len(GROUPS)] for k, name in enumerate(names)}


def phenotype_figures(
    tables: Mapping[str, pd.DataFrame], settings: RunSettings, folder: Path
) -> list[SavedFigure]:
    """Every figure whose table is there, in the order of the argument: where there are no groups the axes
    come before what was cut all the same."""
    verdict = tables.get("phenotype_words", pd.DataFrame())
    found = bool(verdict["groups"].iloc[0]) if len(verdict) else False
    cut = GROUP_STEPS if found else AXIS_STEPS
    n = searched(tables)
    n = f"{n}. " if n else ""
    out = []
    for name, draw, title, caption in (*FIRST_STEPS, *cut, *(AXIS_STEPS if found else GROUP_STEPS)):
        table = tables.get(name, pd.DataFrame())
        if len(table):
            words = n + (str(table["caption"].iloc[0]) if name == "phenotype_map" else caption)
            drawn = partial(draw, title=title)
            out.append(save_figure(name, drawn, table, folder, title=title, caption=words))
    return [*out, *course_figures(tables, settings, folder)]


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
        panel.set_title(f"{NULLS.get(kind, kind)}\n{p_phrase(row['p_value'])}", fontsize=8, loc="left")
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
        panel.set_title(
            f"{name}: {p_phrase(min(float(mine['p_value'].iloc[0]), 1.0))}", fontsize=8, loc="left"
        )
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
    known = table["size"].notna()
    sizes = [f" (n = {size})" if seen else "" for size, seen in zip(table["size"], known)]
    ax.set_yticks(y, [f"{name}{size}" for name, size in zip(table["phenotype"], sizes)])
    ax.set_xlabel("Overlap with the best match in bootstrap samples (Jaccard)")
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
    effect = table.pivot(index="feature", columns="phenotype", values="effect")[names].dropna(how="all")
    if effect.empty:
        return say(ax, "No difference to draw: all are masked.")
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


def draw_choice(table: pd.DataFrame, ax: Axes, *, title: str = "") -> Axes:
    """The standardised silhouette of each number of groups, over the band of cohorts without groups."""
    set_size(ax, height=2.6)
    set_title(ax, title)
    k = table["k"].to_numpy()
    ax.fill_between(k, table["null_low"], table["null_high"], color=RULE, alpha=0.5, linewidth=0,
                    label="cohorts without groups, 95 %")  # fmt: skip
    ax.plot(k, table["standardised"], color=BLUE, linewidth=1, zorder=2)
    chosen = table["chosen"].to_numpy(bool)
    for which, face, word in ((~chosen, "white", "tried"), (chosen, BLUE, "chosen")):
        ax.plot(k[which], table["standardised"][which], "o", color=BLUE, markerfacecolor=face,
                linestyle="none", label=word)  # fmt: skip
    ax.set_xticks(k)
    ax.set(xlabel="Number of groups", ylabel="Standardised silhouette")
    ax.legend(loc="upper left", bbox_to_anchor=(1, 1))
    return ax


FIRST_STEPS = (
    ("phenotype_null", draw_null, "Is there any structure?", "The cohort against 199 cohorts of each kind "
     "without groups: the largest standardised silhouette over the numbers of groups tried."),
)  # fmt: skip
GROUP_STEPS = (
    ("phenotype_choice", draw_choice, "How many groups?", "The silhouette less its mean in normal cohorts "
     "without groups, in their SDs. Chosen: the smallest number that the best does not beat by more than "
     "chance."),
    ("phenotype_separation", draw_separation, "Is there a gap between the groups?",
     "Scores of patients by a rule that never saw them. One hump is a continuum cut in pieces, a dip "
     "between two humps is a gap."),
    ("phenotype_stability", draw_stability, "Would the groups come back?",
     "Overlap (Jaccard) of each group with its best match in bootstrap samples, with 95 % of the draws. "
     "0.75 is asked for."),
    ("phenotype_consensus", draw_consensus, "How often two patients fall together",
     "Share of bootstrap samples that put two patients into one group; patients sorted by group."),
    ("phenotype_profiles", draw_profiles, "What tells the groups",
     "Each group against all others, in SDs inside the groups. These features made the groups: a "
     "description, no test."),
    ("phenotype_beats", draw_beats, "The mean beat of each group",
     "Normalised beat: 0 end-diastolic, 1 systolic peak; bands are 1 SD of the patients."),
    ("phenotype_map", draw_map, "A map of the patients", ""),
)  # fmt: skip
AXIS_STEPS = (
    ("phenotype_axes", draw_axes, "Continuous axes",
     "Left: the variance of each component against that of shuffled features (95 % of them below the line). "
     "Right: how alike each axis comes out of bootstrap samples (Tucker's congruence, median and lower "
     "2.5 %)."),
    ("phenotype_loadings", draw_loadings, "What the axes are made of",
     "Correlation of the features with each axis, with 95 % bootstrap intervals; the features that "
     "correlate most with any."),
    ("phenotype_biplot", draw_biplot, "Patients and features on the first two axes",
     "Points are patients (in SDs of the axis); arrows are the correlations of features with the two axes "
     "(the circle is a correlation of 1)."),
    ("phenotype_axis_beats", draw_axis_beats, "The mean beat along the axes",
     "Normalised beat of the lowest and the highest third of patients on each axis beyond chance; bands are "
     "1 SD of the patients."),
)  # fmt: skip
