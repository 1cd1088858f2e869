"""The figure of shape components draws the frozen table and nothing else."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.figures.save import picture
from discovery.figures.shape import draw_shape_components, save_shape_components
from discovery.figures.style import figure_of, house_style, new_axes
from discovery.summaries.shape import ShapeComponents


@pytest.fixture(scope="module")
def components():
    """Two forms of known size around a half sine, 40 beats."""
    rng = np.random.default_rng(3)
    u = np.linspace(0, 1, 100)
    forms = np.stack([np.sin(np.pi * u), np.sin(2 * np.pi * u)]) / np.sqrt(50)
    return ShapeComponents().fit(np.sin(np.pi * u) + rng.normal(size=(40, 2)) * [2.0, 0.7] @ forms)


def test_table_and_lines_are_mean_and_two_standard_deviations(components, tmp_path):
    rows = components.waveform_table()
    assert set(rows["component"]) == {1, 2}
    wide = rows[rows["component"] == 1].pivot(index="phase", columns="curve", values="pressure")
    np.testing.assert_allclose((wide["low"] + wide["high"]) / 2, wide["mean"], atol=1e-12)
    swing = (wide["high"] - wide["mean"]).to_numpy()
    np.testing.assert_allclose(np.linalg.norm(swing), 2 * components.score_sd_[0])
    with house_style():
        ax = draw_shape_components(rows, new_axes())
        panels = figure_of(ax).axes
        assert len(panels) == 2
        drawn = {line.get_label(): line.get_ydata() for line in panels[0].get_lines()}
        np.testing.assert_array_equal(drawn["mean + 2 SD"], wide["high"])
        np.testing.assert_array_equal(drawn["mean − 2 SD"], wide["low"])
    saved = save_shape_components(rows, tmp_path)
    pd.testing.assert_frame_equal(pd.read_csv(saved.csv), rows)
    assert "40 patients" in saved.caption


def test_no_components_is_a_sentence():
    rows = pd.DataFrame(columns=["component", "share", "curve", "phase", "pressure", "sd", "n_beats"])
    assert len(picture(draw_shape_components, rows)) > 1000
