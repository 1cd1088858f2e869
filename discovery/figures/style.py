"""How every figure looks: one font, colours that hold on white paper, never colour alone.

Colours keep a contrast of at least 3.2:1 on white and stay apart under simulated colour-blindness.
Each comes with a marker and a dash pattern, so that a grey copy says the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from discovery.figures.labels import drawable, wrap
from discovery.figures.letters import font_families

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK = "#1b1f24"
QUIET = "#595959"
RULE = "#c9ced6"
BLUE = "#0072b2"
VERMILION = "#d55e00"

WIDTH = 7.1  # inches: two columns of a journal page (180 mm)
TITLE_LINES, DETAIL_LINES = 3, 4
WORD_GAP = 0.14  # inches between columns of words
GROUPS = (  # colour, marker, dash
    (BLUE, "o", "solid"),
    (VERMILION, "s", (0, (5, 1.5))),
    (INK, "^", (0, (1.2, 1.2))),
    ("#7f00ff", "D", (0, (6, 1.5, 1.2, 1.5))),
    ("#3d9e8f", "v", (0, (3, 3))),
)
THIRDS = ((BLUE, "o", "solid"), (QUIET, "^", (0, (1.2, 1.2))), (VERMILION, "s", (0, (5, 1.5))))

SETTINGS: dict[str, Any] = {
    "font.size": 8,
    "axes.titlesize": 8.5,
    "axes.labelsize": 8,
    "axes.labelcolor": INK,
    "axes.edgecolor": QUIET,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "axes.axisbelow": True,
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "legend.fontsize": 7.5,
    "legend.frameon": False,
    "lines.linewidth": 1.3,
    "figure.dpi": 72,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "text.color": INK,
    "text.parse_math": False,  # a name with a dollar sign is a name, not a formula
    "text.usetex": False,
    "text.hinting": "no_hinting",  # letters as wide in the layout as in the files
    "svg.fonttype": "path",  # the same letters on every machine
    "svg.hashsalt": "discovery",
    "pdf.fonttype": 42,
    "path.simplify": False,
}


@contextmanager
def house_style() -> Iterator[None]:
    """Draw inside this: the settings above over matplotlib's own defaults, put back afterwards."""
    import matplotlib as mpl

    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(SETTINGS | {"font.family": [*font_families()]})  # type: ignore[arg-type]
        yield


def new_axes(width: float = WIDTH, height: float = 3.0) -> Axes:
    """Axes in a figure of their own, in inches, without any global state."""
    from matplotlib.figure import Figure

    from discovery.figures.renderers import Canvas

    figure = Figure(figsize=(width, height), layout="constrained")
    Canvas(figure)
    return figure.add_subplot()


def figure_of(ax: Axes) -> Figure:
    """The figure that holds `ax`."""
    figure = ax.get_figure(root=True)
    assert figure is not None
    return figure  # type: ignore[return-value]


def set_size(ax: Axes, *, height: float, width: float | None = None) -> None:
    """Make the figure as high (and wide) in inches as its rows need."""
    figure = figure_of(ax)
    figure.set_size_inches(width or figure.get_size_inches()[0], height)


def split(ax: Axes, *, widths: tuple[float, ...] = (), heights: tuple[float, ...] = ()) -> list[Axes]:
    """Divide the place of `ax` side by side (`widths`), top down (`heights`) or both, row after row; parts
    below one another begin and end at the same places. `ax` keeps the first part."""
    spec = ax.get_subplotspec()
    assert spec is not None
    widths, heights = widths or (1.0,), heights or (1.0,)
    grid = spec.subgridspec(len(heights), len(widths), width_ratios=widths, height_ratios=heights)
    parts = [grid[row, column] for row in range(len(heights)) for column in range(len(widths))]
    ax.set_subplotspec(parts[0])
    return [ax, *(figure_of(ax).add_subplot(part) for part in parts[1:])]


def apart(ax: Axes, inches: float) -> None:
    """Keep panels side by side at least so far from each other, tick labels and all."""
    figure_of(ax).get_layout_engine().set(w_pad=inches / 2)  # type: ignore[union-attr,call-arg]


def text_width(ax: Axes, texts: Iterable[str], size: float, *, bold: bool = False) -> float:
    """Inches that the widest line of `texts` takes in letters of `size` points; 0 without any."""
    from matplotlib.font_manager import FontProperties

    font = FontProperties(family=[*font_families()], size=size, weight="bold" if bold else "normal")
    figure = figure_of(ax)
    renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
    rows = [row for text in texts for row in str(text).split("\n")]
    widths = [renderer.get_text_width_height_descent(row, font, ismath=False)[0] for row in rows if row]
    return max(widths, default=0.0) / figure.dpi


def split_for_words(
    ax: Axes, names: Iterable[str], columns: Iterable[Iterable[str]], *, size: float = 7.5
) -> list[Axes]:
    """Divide `ax` into a picture and a part for `columns` of words, wide enough that none runs into another.

    `names` stand left of the picture; it keeps a quarter of the figure however long the words are.
    """
    need, free, least = _rooms(ax, names, columns, size)
    need = min(need, free - least)
    return split(ax, widths=(free - need, need))


def room_for_words(
    ax: Axes, names: Iterable[str], columns: Iterable[Iterable[str]], *, size: float = 7.5
) -> bool:
    """Whether `split_for_words` finds room for all columns, one beside the other."""
    need, free, least = _rooms(ax, names, columns, size)
    return need <= free - least


def _rooms(ax: Axes, names, columns, size: float) -> tuple[float, float, float]:
    """Inches that the columns need, that picture and columns have, and that the picture keeps."""
    width = figure_of(ax).get_size_inches()[0]
    need = sum(text_width(ax, column, size) + WORD_GAP for column in columns)
    return need, width - text_width(ax, names, size) - 0.3, 0.25 * width


def stack(ax: Axes, *, heights: list[float], gaps: list[float], left: float, top: float) -> list[Axes]:
    """`ax` and further axes under one another, all in inches: `gaps` lie above the second, the third, …

    For pictures made by the hundred: a fixed place spares the search for one that the layout makes.
    """
    figure = figure_of(ax)
    panels = [ax, *(figure.add_subplot() for _ in gaps)]
    width, height = figure.get_size_inches()
    figure.set_layout_engine("none")
    under = height - top
    for panel, own, gap in zip(panels, heights, [0.0, *gaps]):
        under -= gap + own
        panel.set_position((left / width, under / height, 1 - (left + 0.1) / width, own / height))
    return panels


def set_title(ax: Axes, title: str, detail: str = "") -> None:
    """What is shown in bold at the left edge; under it in plain letters the n and what was left out.

    Each takes a few lines at most, so that the longest names leave room for the picture.
    """
    if not title and not detail:
        return
    figure = figure_of(ax)
    head = _filled(ax, drawable(title), TITLE_LINES, 8.5, bold=True)
    foot = _filled(ax, drawable(detail), DETAIL_LINES, 8)
    below = len(foot.splitlines())
    figure.suptitle(head + "\n" * below, x=0.008, ha="left", fontsize=8.5, fontweight="bold", linespacing=1.3)
    drop = 4.5 + 12.9 * len(head.splitlines())  # points: the padding of the layout, then the bold lines
    figure.axes[0].annotate(
        foot,
        (0.008, 1),
        xycoords="figure fraction",
        xytext=(0, -drop),
        va="top",
        ha="left",
        textcoords="offset points",
        fontsize=8,
        color=QUIET,
        linespacing=1.35,
        annotation_clip=False,
    ).set_in_layout(False)


def _filled(ax: Axes, text: str, most: int, size: float, *, bold: bool = False) -> str:
    """`text` broken over at most `most` lines as wide as the figure of `ax`."""
    room = figure_of(ax).get_size_inches()[0] - 0.12
    letters = int(room * (14 if bold else 16))
    while True:
        rows = wrap(text, letters, max_lines=most, placeholder=" …")
        if letters <= 20 or text_width(ax, rows, size, bold=bold) <= room:
            return "\n".join(rows)
        letters -= 3


def say(ax: Axes, sentence: str) -> Axes:
    """A plain sentence in place of a picture that has nothing to show."""
    ax.set_axis_off()
    set_size(ax, height=1.1)
    ax.text(0, 0.5, sentence, transform=ax.transAxes, va="center", ha="left", color=QUIET, wrap=True)
    return ax


def bare(ax: Axes) -> Axes:
    """Axes that only carry text."""
    ax.set_axis_off()
    return ax
