"""Strips and their picture."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.figures.gallery import draw_gallery
from discovery.figures.save import picture, save_figure
from discovery.virtual.etiologies import ETIOLOGIES
from discovery.virtual.gallery import COLUMNS, strip_rows, virtual_strips


def test_strips_are_the_same_each_time_and_name_every_etiology():
    first, again = virtual_strips(4, seconds=3.0), virtual_strips(4, seconds=3.0)
    pd.testing.assert_frame_equal(first, again)
    assert tuple(first.columns) == COLUMNS
    assert list(dict.fromkeys(first["panel"])) == [etiology.label for etiology in ETIOLOGIES]
    assert (first.groupby(["panel", "signal"]).size() == 375).all()


def test_the_picture_draws_what_it_was_given(tmp_path):
    rows = pd.concat(
        [
            virtual_strips(4, seconds=2.0).query("panel == 'No RV disease'"),
            strip_rows("open record", "recorded", "RV", np.sin(np.arange(250) / 10), 125.0),
        ]
    )
    saved = save_figure("gallery", draw_gallery, rows, tmp_path, title="Strips")
    drawn = saved.svg.read_bytes()
    assert b"<svg" in drawn
    assert len(pd.read_csv(saved.csv)) == len(rows)
    assert save_figure("gallery", draw_gallery, rows, tmp_path, title="Strips").svg.read_bytes() == drawn
    assert picture(draw_gallery, rows.head(0))[:4] == b"\x89PNG"
