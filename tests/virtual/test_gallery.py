"""Strips and their picture."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.figures.gallery import draw_gallery
from discovery.figures.save import picture, save_figure
from discovery.pipeline.gallery import gallery
from discovery.problems import InputError
from discovery.recordings.source import open_recording
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


def test_each_etiology_stands_beside_a_recording(root, tmp_path):
    """The picture of the README, from the open recordings; the recorded strips are the file's own samples."""
    svg, csv = gallery(tmp_path, root / "cohorts" / "bedside")
    rows = pd.read_csv(csv)
    order = list(dict.fromkeys(zip(rows["panel"], rows["origin"])))
    assert [origin for _, origin in order] == ["virtual", "recorded"] * 8
    assert [panel for panel, origin in order if origin == "virtual"] == [e.label for e in ETIOLOGIES]
    (first,) = [panel for panel, _ in order if panel.startswith("dev05")]
    drawn = rows.loc[rows["panel"] == first, "pressure_mmhg"].to_numpy()
    with open_recording(root / "cohorts" / "bedside" / "recordings" / "dev05.hea", {"rv": "PAP"}) as source:
        stored = source.read()["rv"].samples[375 : 375 + 750]
    np.testing.assert_allclose(drawn, stored)
    assert svg.read_bytes().startswith(b"<?xml")


def test_a_folder_without_labels_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"labels\.csv"):
        gallery(tmp_path / "out", tmp_path)
