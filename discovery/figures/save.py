"""One figure, three files: `<id>.svg`, `<id>.pdf`, and `<id>.csv` with exactly what was drawn."""

from __future__ import annotations

import io
import re
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from discovery.figures.style import WIDTH, figure_of, house_style, new_axes
from discovery.files import write_bytes, write_csv
from discovery.report.saved_figure import SavedFigure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_one_at_a_time = threading.RLock()  # the style is a setting of the whole process


def save_figure(
    figure_id: str,
    draw: Callable[[pd.DataFrame, Axes], Axes],
    table: pd.DataFrame,
    folder: Path,
    *,
    title: str = "",
    caption: str = "",
    description: str = "",
    outcome: str = "",
    width: float = WIDTH,
    height: float = 3.0,
) -> SavedFigure:
    """Draw `table` with `draw` and write the three files into `folder`, the same bytes every time.

    `draw(table, axes)` may make the figure higher for its rows. `width` and `height` are inches.
    `figure_id` becomes the file name: letters, digits, `-`, `_` stay, all else turns into `_`.
    """
    name = file_name(figure_id)
    drawn = table.copy()
    svg, pdf = _rendered(name, draw, drawn, width, height, paper=True)
    folder = Path(folder)
    return SavedFigure(
        figure_id=name,
        svg=write_bytes(folder / f"{name}.svg", svg),
        pdf=write_bytes(folder / f"{name}.pdf", pdf),
        csv=write_csv(drawn, folder / f"{name}.csv"),
        title=title,
        caption=caption,
        description=description or title,
        outcome=outcome,
    )


def save_screen_figure(
    figure_id: str, draw: Callable[[pd.DataFrame, Axes], Axes], table: pd.DataFrame, folder: Path
) -> tuple[Path, Path]:
    """The SVG and CSV of `save_figure` alone: half the time, for pictures to look through."""
    name = file_name(figure_id)
    drawn = table.copy()
    svg, _ = _rendered(name, draw, drawn, WIDTH, 3.0, paper=False)
    folder = Path(folder)
    return write_bytes(folder / f"{name}.svg", svg), write_csv(drawn, folder / f"{name}.csv")


def _rendered(
    name: str,
    draw: Callable[[pd.DataFrame, Axes], Axes],
    table: pd.DataFrame,
    width: float,
    height: float,
    *,
    paper: bool,
) -> tuple[bytes, bytes]:
    """SVG and, for paper, PDF."""
    from discovery.figures.renderers import pdf_bytes, svg_bytes

    with _one_at_a_time, house_style():
        ax = draw(table, new_axes(width, height))
        figure = figure_of(ax)
        find_places(figure)  # once for both files
        # straight to the two back ends: `savefig` would draw each figure once more, for nothing
        return svg_bytes(figure, name), pdf_bytes(figure, name) if paper else b""


def find_places(figure: Figure) -> None:
    """Run the layout of `figure` and keep it. An axis of equal scales moves what is around it, and that the
    axis: there the layout is run until nothing is cut off at an edge."""
    engine = figure.get_layout_engine()
    rounds = 1 if all(ax.get_aspect() == "auto" for ax in figure.axes) else 3
    for _ in range(rounds):
        engine.execute(figure)  # type: ignore[union-attr]
    figure.set_layout_engine("none")


def file_name(figure_id: str) -> str:
    """A name that every file system takes, from any text; at most 100 letters."""
    return re.sub(r"[^A-Za-z0-9_-]+", "_", figure_id).strip("_")[:100] or "figure"


def picture(
    draw: Callable[[pd.DataFrame, Axes], Axes],
    table: pd.DataFrame,
    *,
    width: float = WIDTH,
    height: float = 3.0,
    dots_per_inch: int = 160,
) -> bytes:
    """The same drawing as PNG bytes, for a slide or a quick look."""
    with _one_at_a_time, house_style():
        ax = draw(table.copy(), new_axes(width, height))
        out = io.BytesIO()
        figure = figure_of(ax)
        find_places(figure)
        figure.savefig(out, format="png", dpi=dots_per_inch, metadata={"Software": None})
    return out.getvalue()
