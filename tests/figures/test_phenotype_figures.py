"""Figures of groups and axes: what stands in them is what their table says, in the order of the argument."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from matplotlib.text import Text

from discovery.figures.phenotype_axes import draw_axes, draw_axis_beats, draw_biplot, draw_loadings
from discovery.figures.phenotype_courses import draw_levels
from discovery.figures.phenotypes import draw_choice, draw_stability, phenotype_figures
from discovery.figures.style import figure_of, house_style, new_axes

AXES = pd.DataFrame(
    {
        "axis": ["RC1", "RC2", "PC3"], "component_variance": [3.0, 1.5, 0.4], "parallel_95": [1.2, 1.0, 0.9],
        "beyond_chance": [True, True, False], "congruence": [0.99, 0.9, 0.5],
        "congruence_low": [0.9, 0.7, 0.1],
    }
)  # fmt: skip
BIPLOT = pd.DataFrame(
    {
        "part": ["patient"] * 4 + ["feature"] * 3,
        "name": ["P1", "P2", "P1", "P2", "Mean pressure", "Cardiac index", "Heart rate"],
        "x": [-1.0, -0.2, 0.4, 2.0, 0.9, -0.8, 0.85], "y": [0.2, -1.0, 0.5, 1.0, 0.1, 0.3, 0.12],
        "x_axis": "PC1", "y_axis": "PC2",
    }
)  # fmt: skip


@pytest.fixture(autouse=True)
def style():
    with house_style():
        yield


def words(ax):
    """Every text in the figure of `ax` that is drawn."""
    figure = figure_of(ax)
    figure.draw_without_rendering()
    texts = [text.get_text() for text in figure.findobj(lambda part: hasattr(part, "get_text"))]
    return [text for text in texts if text]


def test_levels_of_likeness_are_named_beside_the_picture_and_axes_by_their_names():
    drawn = words(draw_axes(AXES, new_axes()))
    assert {"0.95: same axis", "0.85: fairly similar", "RC1", "RC2", "PC3"} <= set(drawn)
    assert {"beyond chance", "not beyond chance", "shuffled features, 95 %"} <= set(drawn)


def test_loadings_say_that_they_are_correlations_and_carry_their_intervals():
    table = pd.DataFrame(
        {
            "axis": ["PC1"] * 3, "feature": ["a", "b", "c"], "label": ["A", "B", "C"],
            "correlation": [0.9, -0.4, 0.1], "ci_low": [0.8, -0.6, -0.2], "ci_high": [0.95, -0.1, 0.3],
        }
    )  # fmt: skip
    ax = draw_loadings(table, new_axes())
    assert "Correlation" in words(ax)
    lines = [part.get_segments() for part in ax.collections]
    ends = sorted((round(segment[0][0], 9), round(segment[1][0], 9)) for part in lines for segment in part)
    assert ends == [(-0.6, -0.1), (-0.2, 0.3), (0.8, 0.95)]


def test_a_biplot_names_every_arrow_once_inside_the_picture_and_no_two_names_lie_on_each_other():
    ax = draw_biplot(BIPLOT, new_axes())
    figure = figure_of(ax)
    figure.draw_without_rendering()
    names = [text for text in ax.texts if text.get_text() in set(BIPLOT["name"])]
    assert sorted(text.get_text() for text in names) == ["Cardiac index", "Heart rate", "Mean pressure"]
    boxes = [Text.get_window_extent(text) for text in names]  # without its line
    assert all(figure.bbox.x0 <= box.x0 and box.x1 <= figure.bbox.x1 for box in boxes)
    assert not any(a.overlaps(b) for k, a in enumerate(boxes) for b in boxes[:k])


def test_a_biplot_without_patients_has_arrows_and_no_legend():
    ax = draw_biplot(BIPLOT[BIPLOT["part"] == "feature"], new_axes())  # as it is where counts are masked
    assert ax.get_legend() is None
    assert "Mean pressure" in words(ax)


def test_arrows_end_at_the_correlation_on_the_circle_of_one():
    ax = draw_biplot(BIPLOT, new_axes())
    circle = np.hypot(*ax.lines[2].get_xydata().T)
    assert np.ptp(circle) < 1e-9
    tip = next(text.xy for text in ax.texts if text.get_text() == "Mean pressure")
    assert np.asarray(tip) / circle[0] == pytest.approx([0.9, 0.1])


def test_the_chosen_number_of_groups_is_marked():
    table = pd.DataFrame(
        {"k": [2, 3, 4], "standardised": [1.0, 5.0, 2.0], "null_low": -2.0, "null_high": 2.0,
         "chosen": [False, True, False]}
    )  # fmt: skip
    ax = draw_choice(table, new_axes())
    marked = next(line for line in ax.lines if line.get_label() == "chosen")
    assert marked.get_xydata().tolist() == [[3.0, 5.0]]


def test_beats_at_both_ends_of_an_axis_have_a_panel_an_axis():
    phase = np.linspace(0, 2, 20, endpoint=False)
    parts = [
        pd.DataFrame({"axis": axis, "part": part, "phase": phase, "pressure": shift + np.sin(phase),
                      "low": shift, "high": shift + 1.5})
        for axis in ("PC1", "PC2") for part, shift in (("lowest third", 0.0), ("highest third", 0.2))
    ]  # fmt: skip
    ax = draw_axis_beats(pd.concat(parts), new_axes())
    assert {"PC1", "PC2", "Third", "lowest", "highest", "systole"} <= set(words(ax))
    np.testing.assert_allclose(ax.lines[1].get_ydata() - ax.lines[0].get_ydata(), 0.2)


def test_levels_have_a_row_a_group_and_a_panel_a_class():
    rows = [
        {"by": by, "group": group, "level": level, "measure": "share", "n": 9, "estimate": 0.5,
         "ci_low": 0.2, "ci_high": 0.8}
        for by, group in (("phenotype", "P1"), ("phenotype", "P2"), ("PC1", "lowest third"))
        for level in ("I", "II")
    ]  # fmt: skip
    drawn = words(draw_levels(pd.DataFrame(rows), new_axes()))
    assert {"P1", "P2", "PC1: lowest third", "I", "II", "Share of patients"} <= set(drawn)


def test_masked_sizes_leave_the_names_of_the_groups():
    table = pd.DataFrame(
        {"phenotype": ["P1", "P2"], "size": [pd.NA, pd.NA], "jaccard": [0.9, 0.8], "low": 0.5, "high": 1.0,
         "word": "stable"}
    )  # fmt: skip
    assert {"P1", "P2"} <= set(words(draw_stability(table, new_axes())))


@pytest.mark.parametrize("groups", [True, False], ids=["groups", "no groups"])
def test_the_axes_are_drawn_first_where_there_are_no_groups(groups, tmp_path):
    choice = pd.DataFrame(
        {"k": [2, 3], "standardised": [1.0, 5.0], "null_low": -2.0, "null_high": 2.0, "chosen": [False, True]}
    )
    tables = {
        "phenotype_words": pd.DataFrame([{"groups": groups}]),
        "phenotype_axes": AXES,
        "phenotype_choice": choice,
    }
    drawn = phenotype_figures(tables, SimpleNamespace(outcomes=()), tmp_path)
    names = ["phenotype_choice", "phenotype_axes"]
    assert [figure.figure_id for figure in drawn] == (names if groups else names[::-1])
    assert all(figure.csv.exists() for figure in drawn)
