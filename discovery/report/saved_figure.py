"""A figure on disk and the words that go with it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, kw_only=True)
class SavedFigure:
    """What the report embeds: the files of a figure, its title and caption."""

    figure_id: str
    svg: Path
    pdf: Path
    csv: Path
    title: str = ""
    caption: str = ""
    description: str = ""  # for a reader who cannot see the picture
    outcome: str = ""  # empty: belongs to the study as a whole
