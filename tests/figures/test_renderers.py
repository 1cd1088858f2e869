"""What is remembered of texts changes no byte: against the back ends of matplotlib as they come."""

from __future__ import annotations

import io

import numpy as np
import pytest
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.backends.backend_pdf import FigureCanvasPdf
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.font_manager import FontProperties

from discovery.figures import renderers
from discovery.figures.letters import font_families
from discovery.figures.save import find_places
from discovery.figures.style import figure_of, house_style, new_axes, set_title

NAMES = ("RV systolic pressure", "dP/dt₊ (mmHg/s)", "Σ ΔV ≤ 3 µL", "AVATAR Tö−1.5", "0.25", "two\nlines")


def figure_with(names):
    ax = new_axes(5.0, 3.0)
    ax.plot(range(len(names)), np.arange(len(names)) ** 2, "o-", label=names[0])
    ax.set_xticks(range(len(names)), names, rotation=30)
    ax.set_xlabel(names[1], fontweight="bold")
    for k, name in enumerate(names):
        ax.text(k, k, name, fontsize=6 + k, rotation=15 * k, linespacing=1.3)
    ax.legend()
    set_title(ax, names[2], names[3])
    figure = figure_of(ax)
    find_places(figure)
    return figure


def forget(*memories):
    for memory in memories or (renderers._sizes, renderers._laid_out, renderers._heights):
        memory.clear()


@pytest.mark.parametrize("names", [NAMES, NAMES[::-1]])
def test_files_are_those_of_matplotlib_whatever_was_drawn_before(names):
    forget()
    with house_style():
        renderers.svg_bytes(figure_with(NAMES[1:]), "before")
        ours = figure_with(names)
        svg, pdf = renderers.svg_bytes(ours, "name"), renderers.pdf_bytes(ours, "name")
        again = figure_with(names)
        assert (renderers.svg_bytes(again, "name"), renderers.pdf_bytes(again, "name")) == (svg, pdf)
        want_svg, want_pdf = io.BytesIO(), io.BytesIO()
        FigureCanvasSVG(again).print_svg(want_svg, metadata={"Date": None, "Title": "name"})
        FigureCanvasPdf(again).print_pdf(want_pdf, metadata={"CreationDate": None, "Title": "name"})
    assert svg == want_svg.getvalue()
    assert pdf == want_pdf.getvalue()


def test_a_text_is_as_large_as_matplotlib_measures_it_in_every_weight_size_and_resolution():
    forget()
    with house_style():
        for _ in range(2):
            for dots in (72.0, 160.0):
                plain, ours = RendererAgg(300, 200, dots), renderers._Screen(300, 200, dots)
                for size in (6.6, 8, 12):
                    for weight in ("normal", "bold"):
                        font = FontProperties(family=[*font_families()], size=size, weight=weight)
                        for name in ("0.25", "RV systolic pressure", "ΔV"):
                            want = plain.get_text_width_height_descent(name, font, False)
                            assert ours.get_text_width_height_descent(name, font, False) == want


def test_memory_has_an_end(monkeypatch):
    forget()
    monkeypatch.setattr(renderers, "MOST", 4)
    with house_style():
        ours = renderers.svg_bytes(figure_with(NAMES), "name")
        assert max(len(renderers._sizes), len(renderers._laid_out), len(renderers._heights)) <= 4
        want = io.BytesIO()
        FigureCanvasSVG(figure_with(NAMES)).print_svg(want, metadata={"Date": None, "Title": "name"})
    assert ours == want.getvalue()
