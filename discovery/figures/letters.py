"""The font of every figure: letters of an open font without its layout tables, small to cut and to embed.

`fonts/` holds DejaVu Sans (licence beside it) with Latin, Greek, Cyrillic, Armenian and symbols up to U+2BFF.
A PDF embeds the letters that it uses; cutting these from the whole font takes longer than drawing.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

FAMILY = "Figure Sans"
FILES = ("figure_sans.ttf", "figure_sans_bold.ttf")
FOLDER = Path(__file__).parent / "fonts"


@cache
def font_family() -> str:
    """The name of the font, made known to matplotlib on the first call."""
    from matplotlib.font_manager import fontManager

    for name in FILES:
        fontManager.addfont(FOLDER / name)
    return FAMILY


@cache
def letters() -> frozenset[int]:
    """Code points that the font can draw."""
    from matplotlib.ft2font import FT2Font

    return frozenset(FT2Font(str(FOLDER / FILES[0])).get_charmap())
