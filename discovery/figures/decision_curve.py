"""Decision curves: net benefit of acting on a predicted risk against its threshold."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from discovery.figures.save import SavedFigure, save_figure
from discovery.figures.style import BLUE, INK, QUIET, VERMILION, figure_of, say, set_size, set_title
from discovery.report.format import counted, whole
from discovery.report.methods_models import base_sentence
from discovery.report.settings import OutcomeRun, RunSettings

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LINES = {  # model -> colour, dash, width
    "signature": (BLUE, "solid", 1.8),
    "best single marker": (VERMILION, (0, (5, 1.5)), 1.4),
    "base model": (INK, (0, (1.2, 1.2)), 1.4),
    "everybody": (QUIET, (0, (6, 1.5, 1.2, 1.5)), 0.9),
    "nobody": (QUIET, "solid", 0.9),
}


def decision_figures(
    tables: Mapping[str, pd.DataFrame], outcome: OutcomeRun, settings: RunSettings, folder: Path
) -> list[SavedFigure]:
    """The figure of an outcome's decision curves, none where there are none."""
    table = tables.get("decision_curves", pd.DataFrame())
    if table.empty or not (table["outcome"] == outcome.name).any():
        return []
    rows = table[table["outcome"] == outcome.name].drop(columns="outcome").reset_index(drop=True)
    title = f"Net benefit of the signature: {outcome.label}"
    horizon = rows["horizon"].iloc[0]
    unit = f" {outcome.time_unit}" if outcome.time_unit else ""
    by = f" by {horizon:.4g}{unit}" if pd.notna(horizon) else ""
    n = _people(tables, outcome)
    detail = (
        f"{n}risks{by} predicted for patients left out of the fit (cross-validation). "
        "A threshold of this curve is no threshold for care"
    )
    detail = detail[:1].upper() + detail[1:] if not n else detail
    more = (
        "Net benefit: patients rightly picked less those wrongly picked, weighed by the odds of the "
        "threshold, out of all; “everybody” and “nobody”: picked without a model. No intervals; what lies "
        f"far below 0 is cut off. {base_sentence(settings, outcome)}"
    ).strip()
    draw = partial(draw_decision_curves, title=title, detail=detail)
    name = f"{outcome.name}_net_benefit"
    return [
        save_figure(name, draw, rows, folder, title=title, caption=f"{detail}. {more}", outcome=outcome.name)
    ]


def _people(tables: Mapping[str, pd.DataFrame], outcome: OutcomeRun) -> str:
    """`n = 235, 90 cases; `, as the signature was judged; nothing where that is not known or masked."""
    judged = tables.get("signature_performance", pd.DataFrame(columns=["outcome", "n", "events"]))
    judged = judged[judged["outcome"] == outcome.name]
    if judged.empty or pd.isna(judged["n"].iloc[0]):
        return ""
    n, events = judged["n"].iloc[0], judged["events"].iloc[0]
    return (
        f"n = {whole(n)}" + ("" if pd.isna(events) else f", {whole(events)} {counted(outcome.kind)}") + "; "
    )


def draw_decision_curves(rows: pd.DataFrame, ax: Axes, *, title: str = "", detail: str = "") -> Axes:
    """Draw `rows` (model, threshold, net_benefit); curves far below 0 are cut off."""
    if rows.empty:
        return say(ax, "No risk could be predicted for this outcome.")
    set_size(ax, height=3.3)
    set_title(ax, title, detail)
    for model, (color, dash, width) in LINES.items():
        mine = rows[rows["model"] == model]
        ax.plot(
            mine["threshold"], mine["net_benefit"], color=color, linestyle=dash, linewidth=width, label=model
        )
    top = float(rows["net_benefit"].max())
    ax.set_ylim(-0.25 * max(top, 0.02), 1.08 * max(top, 0.02))
    ax.set_xlim(float(rows["threshold"].min()), float(rows["threshold"].max()))
    ax.set_xlabel("Threshold of the predicted risk")
    ax.set_ylabel("Net benefit")
    figure_of(ax).legend(loc="outside lower right", ncols=5, borderpad=0.1, handlelength=2.6)
    return ax
