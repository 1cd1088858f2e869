"""Which features say the same: rank correlations, ordered so that families lie together."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.figures.labels import distinct, short
from discovery.figures.style import INK, QUIET, figure_of, say, set_size, set_title

if TYPE_CHECKING:
    from matplotlib.axes import Axes

NAMED = 60  # more rows than this are drawn without their names; the families are named instead


def draw_correlation_map(rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "") -> Axes:
    """Draw `rows` (feature, other, correlation, label, family): one row for each pair, as a square map.

    The order on the axes is the order in which `feature` first appears; `label` and `family` belong to
    `feature`. A pair that is not in the table, or has no correlation, stays blank.
    """
    if rows.empty:
        return say(ax, "No correlation map to draw: fewer than two features.")
    about = rows.drop_duplicates("feature").set_index("feature")
    names = list(about.index)
    place = {name: k for k, name in enumerate(names)}
    square = np.full((len(names), len(names)), np.nan)
    known = rows[rows["other"].isin(place)]
    i, j = known["feature"].map(place).to_numpy(int), known["other"].map(place).to_numpy(int)
    square[i, j] = square[j, i] = known["correlation"].to_numpy(float)

    per_row = 0.115 if len(names) <= NAMED else 0.03
    set_size(ax, height=min(max(1.2 + per_row * len(names), 4.2), 7.2))
    set_title(ax, title, detail)
    image = ax.imshow(square, cmap="RdBu_r", vmin=-1, vmax=1, interpolation="nearest", aspect="auto")
    bar = figure_of(ax).colorbar(image, ax=ax, shrink=0.6, aspect=24, pad=0.02)
    bar.set_label("Spearman correlation")
    bar.set_ticks([-1, -0.7, 0, 0.7, 1], labels=["−1", "−0.7", "0", "0.7", "1"])
    bar.outline.set_visible(False)  # type: ignore[operator]

    groups = _runs([str(f) for f in about["family"]])
    for start, stop, _ in groups:
        box = np.array([[start, start], [stop, start], [stop, stop], [start, stop], [start, start]]) - 0.5
        ax.plot(box[:, 0], box[:, 1], color=INK, linewidth=0.8)
    if len(names) <= NAMED:
        size = 7 if len(names) <= 40 else 5.6
        ax.set_yticks(range(len(names)), distinct([str(x) for x in about["label"]], 46), fontsize=size)
    else:
        wide = [(a, b, f) for a, b, f in groups if b - a >= max(2, len(names) // 60)]
        ax.set_yticks(
            [(a + b - 1) / 2 for a, b, _ in wide],
            [f"{short(f, 30)} ({b - a})" for a, b, f in wide],
            fontsize=6.5,
        )
    ax.set_xticks([])
    ax.set_xlabel("Features in the same order as on the left; a box is a family", color=QUIET)
    ax.tick_params(length=0)
    for side in ax.spines.values():
        side.set_visible(False)
    return ax


def _runs(values: list[str]) -> list[tuple[int, int, str]]:
    out: list[tuple[int, int, str]] = []
    for k, value in enumerate(values):
        if out and out[-1][2] == value:
            out[-1] = (out[-1][0], k + 1, value)
        else:
            out.append((k, k + 1, value))
    return out
