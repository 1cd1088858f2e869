"""The back ends of matplotlib that write a figure, remembering how large a text is and where its letters lie.

Names and numbers come again from figure to figure, and matplotlib lays each out anew for every back end and
every figure: that took half of the drawing time. Everything else is matplotlib's own, to the last byte.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.backends.backend_mixed import MixedModeRenderer
from matplotlib.backends.backend_pdf import PdfFile, RendererPdf
from matplotlib.backends.backend_svg import RendererSVG
from matplotlib.font_manager import fontManager, get_font
from matplotlib.textpath import TextToPath

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.font_manager import FontProperties

POINTS = 72  # an inch
MOST = 20_000  # texts to remember, some 20 MB
_sizes: dict[tuple, tuple[float, float, float]] = {}
_laid_out: dict[tuple, tuple[list, list]] = {}
_heights: dict[tuple, tuple] = {}
_glyphs: dict[str, Any] = {}


def _room(memory: dict) -> dict:
    if len(memory) >= MOST:
        memory.clear()
    return memory


class _Remembering:
    """Of a renderer: texts without formulas are measured once, in letters of `measured_as`."""

    measured_as: tuple[str, float] = ("points", POINTS)

    def get_text_width_height_descent(self, s, prop, ismath):
        if ismath:
            return super().get_text_width_height_descent(s, prop, ismath)  # type: ignore[misc]
        key = (*self.measured_as, s, hash(prop))
        found = _sizes.get(key)
        if found is None:
            found = super().get_text_width_height_descent(s, prop, ismath)  # type: ignore[misc]
            _room(_sizes)[key] = found
        return found

    def _get_font_height_metrics(self, prop):
        """Ascent, descent and gap of a line, in the arithmetic of `Text`; matplotlib asks from 3.11 on."""
        dots = self.measured_as[1]
        key = (dots, hash(prop))
        if key not in _heights:
            _room(_heights)[key] = _line_height(prop, dots)
        return _heights[key]


def _line_height(prop: FontProperties, dots: float) -> tuple:
    font = get_font(fontManager._find_fonts_by_props(prop))  # type: ignore[attr-defined]
    table, head = font.get_sfnt_table("OS/2"), font.get_sfnt_table("head")
    if table is None or head is None:
        return None, None, None
    scale = 1 / head["unitsPerEm"] * prop.get_size_in_points() * dots / 72
    ascent, descent = table["sTypoAscender"] * scale, -table["sTypoDescender"] * scale
    return ascent, descent, table["sTypoLineGap"] * scale


class _Screen(_Remembering, RendererAgg):
    @property
    def measured_as(self):  # type: ignore[override]
        return "points", self.dpi


class _Pdf(_Remembering, RendererPdf):
    pass


class _Svg(_Remembering, RendererSVG):
    measured_as = ("path", POINTS)

    def __init__(self, *args, **named):
        super().__init__(*args, **named)
        self._text2path = _Letters()


class _Letters(TextToPath):
    """Letters as paths; a text is laid out once, always in the same size."""

    def get_glyphs_with_font(self, font, s, glyph_map=None, return_new_glyphs_only=False, **more):
        key = (font.fname, s, *sorted(more.items()))
        found = _laid_out.get(key)
        if found is None:
            info, glyphs, rects = super().get_glyphs_with_font(font, s, **more)
            _glyphs.update(glyphs)
            found = _room(_laid_out)[key] = (info, rects)
        info, rects = found
        before = {} if glyph_map is None else glyph_map
        new = {name: _glyphs[name] for name, *_ in info if name not in before}
        return info, new if return_new_glyphs_only else {**before, **new}, rects


class Canvas(FigureCanvasAgg):
    """Where a figure is laid out, and drawn as PNG."""

    def get_renderer(self):
        size = (*self.get_width_height(physical=True), self.figure.dpi)
        if self._lastKey != size:
            self.renderer, self._lastKey = _Screen(*size), size
        return self.renderer


def svg_bytes(figure: Figure, title: str) -> bytes:
    """`figure` as it is laid out."""
    text = io.StringIO()
    width, height = figure.get_size_inches()
    size = (POINTS * width, POINTS * height)
    _draw(figure, _Svg(*size, text, image_dpi=POINTS, metadata={"Date": None, "Title": title}))
    return text.getvalue().encode()


def pdf_bytes(figure: Figure, title: str) -> bytes:
    """`figure` as it is laid out, on a page of its size."""
    out = io.BytesIO()
    width, height = figure.get_size_inches()
    file = PdfFile(out, metadata={"CreationDate": None, "Title": title})
    try:
        file.newPage(width, height)
        _draw(figure, _Pdf(file, POINTS, height, width))
        file.finalize()
    finally:
        file.close()
    return out.getvalue()


def _draw(figure: Figure, renderer: RendererSVG | RendererPdf) -> None:
    figure.set_dpi(POINTS)
    mixed: Any = MixedModeRenderer(figure, *figure.get_size_inches(), POINTS, renderer)  # type: ignore[call-arg]
    figure.draw(mixed)
    mixed.finalize()
