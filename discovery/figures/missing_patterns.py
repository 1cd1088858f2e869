"""Which variables are missing together: a row for each pattern, a column for each variable."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.figures.labels import short
from discovery.figures.save import SavedFigure, save_figure
from discovery.figures.style import QUIET, set_size, set_title
from discovery.report.format import plural, whole

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PATTERNS_SHOWN = 15
VARIABLES_SHOWN = 30
SMALL = 5  # a pattern of fewer patients is not drawn
COUNTS = ("pattern", "n_variables_missing", "n", "percent")


def pattern_figures(
    tables: Mapping[str, pd.DataFrame], labels: Mapping[str, str], folder: Path
) -> list[SavedFigure]:
    """The figure of the table "missing_patterns"; none where nothing is missing or no pattern is common."""
    table = tables.get("missing_patterns")
    if table is None or not len(table):
        return []
    size = table["n"].astype("Float64").fillna(0).to_numpy(float)  # a masked count counts as none
    common = table[size >= SMALL].head(PATTERNS_SHOWN)
    variables = [name for name in table.columns if name not in COUNTS]
    gone = {name: float(size[~table[name].to_numpy(bool)].sum()) for name in variables}
    chosen = sorted(variables, key=lambda name: -gone[name])[:VARIABLES_SHOWN]
    if not chosen or not (common["n_variables_missing"] > 0).any():
        return []
    rows = common.melt(id_vars=["pattern", "n"], value_vars=chosen, var_name="variable", value_name="seen")
    rows = rows.assign(label=[str(labels.get(name, name)) for name in rows["variable"]])
    title = "Patterns of missing values"
    hidden = len(table) - len(common)
    detail = f"{plural(len(common), 'pattern')}, the commonest first; filled: missing"
    caption = f"{detail}; an empty row: nothing is missing. At the right the patients (n) with each pattern."
    if hidden:
        caption += f" {plural(hidden, 'rarer pattern').capitalize()} in missing_patterns.csv."
    draw = partial(draw_missing_patterns, title=title, detail=detail)
    return [save_figure("missing_patterns", draw, rows, folder, title=title, caption=caption)]


def draw_missing_patterns(rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "") -> Axes:
    """Draw `rows` (pattern, n, variable, label, seen): a cell for each pattern and variable, in order."""
    patterns = list(dict.fromkeys(rows["pattern"]))
    names = list(dict.fromkeys(rows["variable"]))
    labels = rows.drop_duplicates("variable")["label"].astype(str).tolist()
    sizes = rows.drop_duplicates("pattern")["n"].tolist()
    square = np.zeros((len(patterns), len(names)))
    row = rows["pattern"].map({name: k for k, name in enumerate(patterns)}).to_numpy(int)
    column = rows["variable"].map({name: k for k, name in enumerate(names)}).to_numpy(int)
    square[row, column] = ~rows["seen"].to_numpy(bool)
    set_size(ax, height=min(2.0 + 0.24 * len(patterns), 7.0))
    set_title(ax, title, detail)
    ax.pcolormesh(
        np.arange(len(names) + 1) - 0.5, np.arange(len(patterns) + 1) - 0.5, square,
        cmap="Blues", vmin=0, vmax=1.25, edgecolors="white", linewidth=0.8,
    )  # fmt: skip
    ax.invert_yaxis()
    ax.set_yticks(range(len(patterns)), [whole(n) for n in sizes])
    ax.yaxis.tick_right()
    ax.yaxis.set_label_position("right")
    ax.set_ylabel("Patients", color=QUIET)
    ax.set_xticks(range(len(names)), [short(label, 28) for label in labels], rotation=90, fontsize=7)
    ax.tick_params(length=0)
    for side in ax.spines.values():
        side.set_visible(False)
    return ax
