"""What happens over time, by third of a marker: curves with the numbers still at risk."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.figures.labels import short
from discovery.figures.style import GROUPS, QUIET, THIRDS, bare, figure_of, say, set_size, set_title, split
from discovery.report.format import whole
from discovery.terms import MEAN_EPISODES

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from discovery.report.settings import OutcomeRun

SMALL = 5  # a curve over fewer patients than this says more about them than about the marker


def draw_curves(
    rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "", time_label: str = "Time"
) -> Axes:
    """Draw survival by group or, with competing events, the incidence in one panel for each cause.

    `rows` has a column `part`: rows of part "curve" carry curve, group, time, estimate, ci_low,
    ci_high; rows of part "at risk" carry group, time, n_at_risk. `curve` is "survival", `MEAN_EPISODES`, else
    the name of a cause, whose cumulative incidence it is. Groups and causes keep the order in which they
    appear.
    """
    curve = rows[rows["part"] == "curve"] if len(rows) else rows
    if curve.empty:
        return say(ax, "No curve to draw: the marker is constant or no patient was followed.")
    groups = list(dict.fromkeys(curve["group"].astype(str)))
    causes = list(dict.fromkeys(curve["curve"].astype(str)))
    rising, counted = causes != ["survival"], causes == [MEAN_EPISODES]
    styles = THIRDS if len(groups) == 3 else GROUPS
    at_risk = rows[rows["part"] == "at risk"]
    set_size(ax, height=3.45 + 0.16 * len(groups))
    set_title(ax, title, detail)
    parts = split(ax, widths=(1.0,) * len(causes), heights=(1.0, 0.085 * (len(groups) + 1.2)))
    panels, tables = parts[: len(causes)], parts[len(causes) :]
    last = float(rows["time"].max()) or 1.0
    highest = float(np.nanmax(curve[["estimate", "ci_high"]].to_numpy(float))) or 1.0

    for k, (panel, cause) in enumerate(zip(panels, causes)):
        for (colour, marker, dash), group in zip(_cycle(styles, len(groups)), groups):
            line = curve[(curve["group"].astype(str) == group) & (curve["curve"].astype(str) == cause)]
            t, s = line["time"].to_numpy(float), line["estimate"].to_numpy(float)
            low, high = line["ci_low"].to_numpy(float), line["ci_high"].to_numpy(float)
            panel.fill_between(t, low, high, step="post", color=colour, alpha=0.13, linewidth=0)
            panel.step(t, s, where="post", color=colour, linestyle=dash, linewidth=1.5)
            places = np.linspace(0, t[-1], 6)[1:-1] if len(t) else t
            spots = np.unique(np.searchsorted(t, places, side="right") - 1)
            panel.plot(t[spots], s[spots], marker, color=colour, markersize=4, linestyle="none")
            panel.plot(
                [], [], marker=marker, linestyle=dash, color=colour, markersize=4, label=short(group, 34)
            )
        panel.set_xlim(0, last)
        panel.set_ylim(0, 1.12 * highest if counted else min(1.0, 1.12 * highest) if rising else 1.0)
        panel.set_xlabel(time_label)
        if k == 0:
            words = "Cumulative incidence" if rising else "Event-free probability"
            panel.set_ylabel(MEAN_EPISODES.capitalize() if counted else words)
        if rising and not counted:
            panel.set_title(short(cause, 46), loc="left", fontsize=8, color=QUIET)
    figure_of(ax).legend(
        *panels[0].get_legend_handles_labels(),
        loc="outside lower left",
        handlelength=3.2,
        ncols=len(groups) if len(groups) <= 3 else 2,
    )
    _numbers_at_risk(tables[0], panels[0], at_risk, groups, styles)
    for table in tables[1:]:
        bare(table).text(
            0,
            1,
            "The same patients are at risk for every kind of event.",
            transform=table.transAxes,
            va="top",
            fontsize=7,
            color=QUIET,
        )
    return ax


def curve_words(rows: pd.DataFrame) -> str:
    """How the curves of `rows` (column curve) were estimated."""
    kinds = set(rows["curve"].dropna())
    if kinds == {"survival"}:
        return "Kaplan–Meier curves."
    if kinds == {MEAN_EPISODES}:
        return "Mean number of episodes a patient has had by then; those who died count as having no more."
    return "Cumulative incidence (Aalen–Johansen): the share who had this event by then, before any other."


def entry_clause(outcome: OutcomeRun) -> str:
    """For the line under a title: why numbers at risk may rise; nothing without delayed entry."""
    return "; patients enter at different times, so numbers at risk may rise" if outcome.delayed_entry else ""


def entry_sentence(outcome: OutcomeRun, at_risk: pd.DataFrame) -> str:
    """The same for the caption, with the time at which the curves of `at_risk` (column time) begin."""
    if not outcome.delayed_entry or at_risk.empty:
        return ""
    text = (
        "Patients came under observation at different times (delayed entry): they count as at risk from then "
        "on, so the numbers at risk rise before they fall."
    )
    start = float(at_risk["time"].min())
    if start > 0:
        unit = f" {outcome.time_unit}" if outcome.time_unit else ""
        text += (
            f" The curves begin at {start:.4g}{unit}, when enough patients are under observation, and "
            "hold for those who had no event until then."
        )
    return text


def _numbers_at_risk(
    table: Axes, panel: Axes, at_risk: pd.DataFrame, groups: list[str], styles: tuple
) -> None:
    from matplotlib.transforms import ScaledTranslation

    bare(table)
    table.sharex(panel)
    table.set_ylim(-len(groups) + 0.4, 1.2)
    if at_risk.empty:
        return
    if len(at_risk):
        table.annotate(
            "At risk",
            (0, 0.75),
            xycoords=("axes fraction", "data"),
            xytext=(-34, 0),
            ha="left",
            textcoords="offset points",
            fontsize=7,
            color=QUIET,
            va="center",
        )
    times = np.sort(at_risk["time"].unique())
    for row, ((colour, marker, _), group) in enumerate(zip(_cycle(styles, len(groups)), groups)):
        aside = ScaledTranslation(-18 / 72, 0, figure_of(table).dpi_scale_trans)
        table.plot(
            [0],
            [-row],
            marker,
            color=colour,
            markersize=4,
            clip_on=False,
            transform=table.get_yaxis_transform() + aside,
        )
        mine = at_risk[at_risk["group"].astype(str) == group].set_index("time")["n_at_risk"]
        for time in times:
            if time in mine.index:
                table.text(
                    time,
                    -row,
                    whole(mine.loc[time]),
                    ha="center",
                    va="center",
                    fontsize=7,
                    color=colour,
                    clip_on=False,
                )


def _cycle(styles: tuple, count: int) -> list:
    return [styles[k % len(styles)] for k in range(count)]
