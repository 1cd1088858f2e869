"""The fonts of every figure: letters of an open font without its layout tables, small to cut and to embed.

`fonts/` holds DejaVu Sans (licence beside it) with Latin, Greek, Cyrillic, Armenian and symbols up to U+2BFF.
A PDF embeds the letters that it uses; cutting these from the whole font takes longer than drawing. So a
smaller font with the letters of nearly every figure is asked first, and the whole one for what it lacks.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

FAMILIES = {  # in the order in which they are asked for a letter
    "Figure Sans Common": ("figure_sans_common.ttf", "figure_sans_common_bold.ttf"),
    "Figure Sans": ("figure_sans.ttf", "figure_sans_bold.ttf"),
}
FOLDER = Path(__file__).parent / "fonts"


@cache
def font_families() -> tuple[str, ...]:
    """The names of the fonts, made known to matplotlib on the first call."""
    from matplotlib.font_manager import fontManager

    for files in FAMILIES.values():
        for name in files:
            fontManager.addfont(FOLDER / name)
    return tuple(FAMILIES)


@cache
def letters() -> frozenset[int]:
    """Code points that the fonts can draw."""
    from matplotlib.ft2font import FT2Font

    return frozenset(FT2Font(str(FOLDER / FAMILIES["Figure Sans"][0])).get_charmap())
