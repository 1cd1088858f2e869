"""One recording to look at: where the lumen lay, what was left out, the landmarks, the averaged beat."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from discovery.figures.style import (
    BLUE,
    INK,
    QUIET,
    RULE,
    VERMILION,
    say,
    set_size,
    set_title,
    stack,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SITE_LANES = ("RV", "PA", "RA", "wedge", "undetermined")
STATE_LANES = ("flush", "zero", "flat", "clipped", "missing")
MARKS = {  # colour, marker: never colour alone
    "end of diastole, or foot": (INK, "o"),
    "steepest rise": (BLUE, "^"),
    "systolic peak": (VERMILION, "s"),
    "steepest fall": (BLUE, "v"),
    "diastolic minimum": ("#3d9e8f", "D"),
}
FITS = ("exponential", "cosine")
LANE_COLOURS = {"RV": VERMILION, "PA": BLUE, "RA": "#3d9e8f", "wedge": "#7f00ff"}


def draw_trace(rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "") -> Axes:
    """Draw the whole record, lanes of site and quality under it, and ten seconds with their landmarks.

    `rows` has part, name, start_s, end_s, low, high: range (lowest and highest pressure of a stretch), site,
    state, window (share of accepted beats in `high`), sample, accepted and rejected (landmarks by name).
    """
    parts = {name: table for name, table in rows.groupby("part", sort=False)}
    ranges = parts.get("range", rows.iloc[:0])
    if ranges.empty or ranges["high"].isna().all():
        return say(ax, "No pressure to draw: nothing was recorded.")
    lanes = _lanes(parts)
    heights = [1.15, 0.15 * len(lanes), 1.55]
    top, gaps, bottom = 0.5 if not detail else 0.85, [0.07, 0.52], 0.78
    set_size(ax, height=top + sum(heights) + sum(gaps) + bottom)
    whole, under, close = stack(ax, heights=heights, gaps=gaps, left=1.05, top=top)
    set_title(ax, title, detail)
    scale, unit = _time_unit(float(ranges["end_s"].max()) - float(ranges["start_s"].min()))
    middle = 0.5 * (ranges["start_s"] + ranges["end_s"]) / scale
    whole.fill_between(middle, ranges["low"], ranges["high"], color=QUIET, linewidth=0.4, step="mid")
    whole.set_ylabel("Pressure (mmHg)")
    limits = (float(ranges["start_s"].min()) / scale, float(ranges["end_s"].max()) / scale)
    whole.set_xlim(*limits)
    whole.tick_params(labelbottom=False)
    _draw_lanes(under, lanes, scale)
    under.set(xlim=limits, xlabel=f"Time from the start of the file ({unit})")
    _draw_excerpt(close, parts)
    if "sample" in parts:
        start, end = parts["sample"]["start_s"].min() / scale, parts["sample"]["start_s"].max() / scale
        whole.axvspan(start, end, color=VERMILION, alpha=0.18, linewidth=0)
        whole.annotate(
            "below", ((start + end) / 2, 1), xycoords=("data", "axes fraction"), ha="center", va="bottom",
            fontsize=7, color=QUIET, annotation_clip=False,
        )  # fmt: skip
    return ax


def _time_unit(length_s: float) -> tuple[float, str]:
    if length_s < 600:
        return 1.0, "s"
    return (60.0, "min") if length_s < 3 * 3600 else (3600.0, "h")


def _lanes(parts: dict[str, pd.DataFrame]) -> list[tuple[str, pd.DataFrame]]:
    """Lanes from the top down: sites seen, states seen, windows."""
    lanes = []
    for part, order in (("site", SITE_LANES), ("state", STATE_LANES)):
        table = parts.get(part)
        if table is not None:
            present = [name for name in order if (table["name"] == name).any()]
            lanes += [(name, table[table["name"] == name]) for name in present]
    if "window" in parts:
        lanes.append(("beats accepted", parts["window"]))
    return lanes


def _draw_lanes(ax: Axes, lanes: list[tuple[str, pd.DataFrame]], scale: float) -> None:
    for place, (name, table) in enumerate(lanes):
        spans = [
            (row.start_s / scale, max(row.end_s - row.start_s, 0.0) / scale) for row in table.itertuples()
        ]
        if name == "beats accepted":
            for (start, width), row in zip(spans, table.itertuples()):
                valid = row.name == "valid"
                ax.broken_barh(
                    [(start, width)],
                    (place - 0.38, 0.76),
                    facecolor=BLUE if valid else "white",
                    alpha=0.15 + 0.6 * float(row.high) if valid else 1.0,
                    edgecolor=QUIET,
                    linewidth=0.5,
                    hatch=None if valid else "////",
                )
            continue
        colour = LANE_COLOURS.get(name, QUIET)
        ax.broken_barh(spans, (place - 0.38, 0.76), facecolor=colour, edgecolor=colour, linewidth=0.3)
    ax.set_yticks(range(len(lanes)), [name for name, _ in lanes])
    ax.set_ylim(len(lanes) - 0.4, -0.6)
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="x", color=RULE, linewidth=0.5)


def _draw_excerpt(ax: Axes, parts: dict[str, pd.DataFrame]) -> None:
    samples = parts.get("sample")
    ax.set(xlabel="Time from the start of the file (s)", ylabel="Pressure (mmHg)")
    if samples is None:
        return
    ax.plot(samples["start_s"], samples["high"], color=INK, linewidth=0.9)
    accepted = parts.get("accepted")
    for name, (colour, marker) in MARKS.items():
        mine = accepted[accepted["name"] == name] if accepted is not None else None
        if mine is not None and len(mine):
            ax.plot(mine["start_s"], mine["high"], marker, color=colour, markersize=4, label=name)
    rejected = parts.get("rejected")
    if rejected is not None and len(rejected):
        ax.plot(rejected["start_s"], rejected["high"], "x", color=QUIET, markersize=6, label="beat left out")
    ax.set_xlim(float(samples["start_s"].min()), float(samples["start_s"].max()))
    if ax.get_legend_handles_labels()[0]:
        ax.legend(
            loc="upper center", bbox_to_anchor=(0.5, -0.24), ncols=6, handletextpad=0.2, columnspacing=1.2
        )


def draw_beat(rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "") -> Axes:
    """Draw an averaged beat with its spread, landmarks and fits.

    `rows` has part (beat, landmark, exponential, cosine), name, time_ms, pressure_mmhg, low, high.
    """
    beat = rows[rows["part"] == "beat"]
    if beat.empty:
        return say(ax, "No averaged beat: no window has ten beats that may be averaged.")
    set_size(ax, height=4.7)
    stack(ax, heights=[2.9], gaps=[], left=0.6, top=0.55)
    if not detail and str(beat["name"].iloc[0]).startswith("RV") and not rows["part"].isin(FITS).any():
        detail = "no fit is drawn: the sampling rate or the line cannot carry one, or it failed"
    set_title(ax, title, detail)
    x = beat["time_ms"]
    ax.fill_between(x, beat["low"], beat["high"], color=RULE, linewidth=0, label="one standard deviation")
    ax.plot(x, beat["pressure_mmhg"], color=INK, label=str(beat["name"].iloc[0]))
    for part, colour, dash in (("exponential", VERMILION, "solid"), ("cosine", BLUE, (0, (5, 1.5)))):
        fit = rows[rows["part"] == part]
        if len(fit):
            ax.plot(
                fit["time_ms"], fit["pressure_mmhg"], color=colour, linestyle=dash, linewidth=1.6,
                label=str(fit["name"].iloc[0]), zorder=4,
            )  # fmt: skip
    for row in rows[rows["part"] == "landmark"].itertuples():
        colour, marker = MARKS[row.name]
        ax.plot(
            [row.time_ms], [row.pressure_mmhg], marker, color=colour, markersize=5.5, label=row.name, zorder=5
        )
    ax.set(xlabel="Time from the steepest rise (ms)", ylabel="Pressure (mmHg)")
    ax.set_xlim(float(x.min()), float(x.max()))
    ax.legend(loc="upper center", bbox_to_anchor=(0.5, -0.13), ncols=2)
    return ax
