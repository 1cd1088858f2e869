"""How wrong features get when a recording gets worse: curves, and a map over the fluid line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from discovery.figures.style import GROUPS, INK, QUIET, RULE, figure_of, say, set_size, set_title

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

FACTORS = (
    ("sampling rate", "Samples a second", True),
    ("noise", "Noise, SD (mmHg)", False),
    ("step", "Digitiser step (mmHg)", False),
)
# What is drawn unless the caller says otherwise: one of each kind of feature.
SHOWN = {
    "rv_systolic_pressure": "Systolic pressure",
    "rv_end_diastolic_pressure": "End-diastolic pressure",
    "rv_diastolic_pressure_gradient": "Diastolic gradient",
    "rv_systolic_duration": "Systolic duration",
    "rv_dpdt_max": "dP/dt max",
    "rv_tau_exponential": "Time constant, free asymptote",
}
TOP_PERCENT = 60.0
TOP_UNITS = {"mmHg": 5.0}  # errors of pressures are drawn in mmHg, all others in %


def draw_degradation_curves(rows: pd.DataFrame, ax: Axes, *, shown: dict[str, str] | None = None) -> Axes:
    """Draw the worst error over records against sampling rate, noise and digitiser step.

    `rows`: factor, value, feature, unit, worst, worst_share. A row of panels for pressures (mmHg), one for
    all else (% of the value). A value that is missing is not drawn.
    """
    shown = shown or SHOWN
    rows = rows[rows["feature"].isin(list(shown))]
    if rows.empty:
        return say(ax, "No degradation to draw.")
    set_size(ax, height=4.8)
    set_title(
        ax,
        "Error of features when a recording gets worse",
        "largest of the records of a published circulation model; noise and steps at 250 samples a second",
    )
    spec = ax.get_subplotspec()
    assert spec is not None
    grid = spec.subgridspec(2, len(FACTORS))
    ax.set_subplotspec(grid[0, 0])
    kinds = [
        [key for key in shown if _pressure(rows, key)],
        [key for key in shown if not _pressure(rows, key)],
    ]
    for down, keys in enumerate(kinds):
        for across, (factor, label, log) in enumerate(FACTORS):
            place = ax if down == across == 0 else figure_of(ax).add_subplot(grid[down, across])
            for number, key in enumerate(keys):
                mine = rows[(rows["factor"] == factor) & (rows["feature"] == key)].sort_values("value")
                y = mine["worst"].abs() if down == 0 else 100 * mine["worst_share"].abs()
                colour, marker, dash = GROUPS[number % len(GROUPS)]
                place.plot(
                    mine["value"], y, color=colour, marker=marker, markersize=3.5, linestyle=dash,
                    label=shown[key],
                )  # fmt: skip
            if log:
                place.set_xscale("log")
                ticks = [60, 100, 250, 500, 1000]
                place.set_xticks(ticks, [str(tick) for tick in ticks], minor=False)
                place.set_xticks([], minor=True)
                place.tick_params(axis="x", labelsize=6.5)
            room = 1.45 if across == len(FACTORS) - 1 else 1.05  # for the legend
            place.set_ylim(0, room * max(place.get_ylim()[1], 1e-3))
            place.grid(axis="y", color=RULE, linewidth=0.5)
            if down == 1:
                place.set_xlabel(label)
            if across == 0:
                place.set_ylabel("Error (mmHg)" if down == 0 else "Error (% of the value)")
            if across == len(FACTORS) - 1:
                place.legend(loc="upper left", labelcolor=INK)
    return ax


def draw_line_errors(rows: pd.DataFrame, ax: Axes, *, shown: dict[str, str] | None = None) -> Axes:
    """Draw a map of the worst error for each feature: natural frequency across, damping up.

    `rows`: factor, natural_hz, damping, feature, unit, worst, worst_share. The number stands in each cell; an
    empty cell had no value left in any record.
    """
    shown = shown or SHOWN
    rows = rows[(rows["factor"] == "line") & rows["feature"].isin(list(shown))]
    if rows.empty:
        return say(ax, "No degradation to draw.")
    across, keys = 2, list(shown)
    down = -(-len(keys) // across)
    set_size(ax, height=0.7 + 2.1 * down)
    set_title(
        ax,
        "Error of features behind a fluid line",
        "an ideal second-order line at 250 samples a second; largest of the records of a circulation model",
    )
    spec = ax.get_subplotspec()
    assert spec is not None
    grid = spec.subgridspec(down, across)
    ax.set_subplotspec(grid[0, 0])
    for k, key in enumerate(keys):
        place = ax if k == 0 else figure_of(ax).add_subplot(grid[k // across, k % across])
        mine = rows[rows["feature"] == key]
        pressure = _pressure(rows, key)
        values = mine.assign(shown=mine["worst"] if pressure else 100 * mine["worst_share"])
        table = values.pivot(index="damping", columns="natural_hz", values="shown")
        top = TOP_UNITS["mmHg"] if pressure else TOP_PERCENT
        place.imshow(
            np.abs(table.to_numpy()), cmap="Oranges", vmin=0, vmax=top, aspect="auto", origin="lower"
        )
        for i, line in enumerate(table.to_numpy()):
            for j, value in enumerate(line):
                if np.isfinite(value):
                    text = f"{value:+.1f}" if pressure else f"{value:+.0f}"
                    dark = abs(value) > 0.6 * top
                    place.text(
                        j, i, text, ha="center", va="center", fontsize=6, color="white" if dark else INK
                    )
        place.set_xticks(range(table.shape[1]), [f"{hz:g}" for hz in table.columns])
        place.set_yticks(range(table.shape[0]), [f"{zeta:g}" for zeta in table.index])
        place.tick_params(length=0, labelsize=6.5)
        place.set_title(f"{shown[key]} ({'mmHg' if pressure else '%'})", loc="left", color=INK)
        if k // across == down - 1:
            place.set_xlabel("Natural frequency (Hz)")
        if k % across == 0:
            place.set_ylabel("Damping")
        for side in place.spines.values():
            side.set_color(QUIET)
    return ax


def _pressure(rows: pd.DataFrame, key: str) -> bool:
    unit = rows.loc[rows["feature"] == key, "unit"]
    return bool(len(unit)) and str(unit.iloc[0]) == "mmHg"
