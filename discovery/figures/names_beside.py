"""Names beside marks of a scatter, where there is room: none over another name, a mark or a line to one."""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from discovery.figures.style import QUIET, figure_of, text_width

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SIZE, LINE = 6.6, 8.4  # points: of the letters, and from line to line
MARK = 4.4  # points that a mark reaches to each side
ASIDE, UPWARD = (6, 12, 20, 30, 42, 56, 72), (0, 9, 18, 27, 38, 50, 64)  # where a name may begin
LINED = 9  # points from which on a thin line joins name and mark
CROSSING = 40  # points of way that a name goes to keep off an axis line


def name_marks(
    ax: Axes,
    marks: np.ndarray,
    names: list[str],
    *,
    lines_at: tuple[float, ...] = (),
    levels: tuple[float, ...] = (),
) -> list[int]:
    """Write `names` of the first of `marks` (n, 2; data) beside them; returns which ones found a place.

    Call it when all else is drawn, since it needs to know how large the axes become. A name without room is
    left out. `lines_at` and `levels`: vertical and horizontal lines that names keep off if they can.
    """
    figure = figure_of(ax)
    figure.get_layout_engine().execute(figure)  # type: ignore[union-attr]
    at = ax.transData.transform(marks)
    frame = ax.bbox
    boxes = np.column_stack([at - MARK, at + MARK])
    words = [text.get_window_extent() for text in ax.texts]
    taken = np.array([[box.x0, box.y0, box.x1, box.y1] for box in words]).reshape(-1, 4)
    across = [ax.transData.transform((x, 0))[0] for x in lines_at]
    along = [ax.transData.transform((0, y))[1] for y in levels]
    ways = np.empty((0, 2))  # points on the lines between names and marks
    named = []
    for k, name in enumerate(names):
        size = np.array([72 * text_width(ax, [name], SIZE), LINE * (name.count("\n") + 1)])
        best = None
        for aside, up, side, updown in product(ASIDE, UPWARD, (1, -1), (1, -1)):
            start = at[k] + (side * aside, updown * up)
            low = start - ((size[0] if side < 0 else 0.0), size[1] / 2)
            box = np.concatenate([low, low + size])
            cost = float(np.hypot(aside, up))
            cost += CROSSING * (
                any(box[0] < x < box[2] for x in across) + any(box[1] < y < box[3] for y in along)
            )
            if best is not None and cost >= best[0]:
                continue
            inside = frame.x0 <= box[0] and box[2] <= frame.x1 and frame.y0 <= box[1] and box[3] <= frame.y1
            way = at[k] + np.linspace(0.1, 1.0, 12)[:, None] * (start - at[k])
            lined = way if np.hypot(aside, up) > LINED else way[:0]
            free = not _meet(box, np.vstack([boxes, taken])) and not _hold(box, ways)
            if inside and free and not any(_hold(other, lined) for other in taken):
                best = (cost, box, start, side, lined)
        if best is None:
            continue
        _, box, start, side, lined = best
        taken, ways = np.vstack([taken, box]), np.vstack([ways, lined])
        named.append(k)
        _write(ax, name, marks[k], start - at[k], side, joined=len(lined) > 0)
    return named


def _write(ax: Axes, name: str, mark: np.ndarray, offset: np.ndarray, side: int, *, joined: bool) -> None:
    line = {"arrowstyle": "-", "color": QUIET, "linewidth": 0.4, "shrinkA": 0, "shrinkB": 2}
    ax.annotate(
        name, tuple(mark), xytext=tuple(offset), textcoords="offset points",
        ha="left" if side > 0 else "right", va="center", fontsize=SIZE, linespacing=1.05, zorder=4,
        arrowprops=line if joined else None,
        bbox={"boxstyle": "square,pad=0", "facecolor": "white", "edgecolor": "none", "alpha": 0.8},
    ).set_in_layout(False)  # fmt: skip


def _meet(box: np.ndarray, others: np.ndarray) -> bool:
    """Whether `box` (x0, y0, x1, y1) overlaps any of `others`."""
    return bool(
        (
            (box[0] < others[:, 2])
            & (others[:, 0] < box[2])
            & (box[1] < others[:, 3])
            & (others[:, 1] < box[3])
        ).any()
    )


def _hold(box: np.ndarray, points: np.ndarray) -> bool:
    """Whether any of `points` (n, 2) lies in `box`."""
    x, y = points[:, 0], points[:, 1]
    return bool(((box[0] <= x) & (x <= box[2]) & (box[1] <= y) & (y <= box[3])).any())
