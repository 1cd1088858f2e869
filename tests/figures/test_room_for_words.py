"""Words of a figure keep off each other: measured on the drawn figure, with the widest that there can be."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from matplotlib.text import Text

from discovery.figures import style
from discovery.figures.curves import draw_curves
from discovery.figures.forest import draw_marker_forest
from discovery.figures.group_forest import GROUP, HEADING, draw_group_forest
from discovery.figures.labels import drawable, row_labels
from discovery.figures.names_beside import MARK
from discovery.figures.phenotype_axes import draw_biplot
from discovery.figures.prediction import draw_calibration
from discovery.figures.ranks import draw_gain, draw_rank_intervals
from discovery.figures.roc import draw_roc
from discovery.figures.save import find_places
from discovery.figures.spline import draw_splines
from discovery.figures.volcano import NAMED, draw_volcano


def laid_out(draw, table, **words):
    """The axes of `table` as it is written, its places found."""
    with style.house_style():
        ax = draw(table, style.new_axes(), **words)
        figure = style.figure_of(ax)
        find_places(figure)
        figure.canvas.draw()
    return ax


def placed(draw, table, **words):
    return style.figure_of(laid_out(draw, table, **words))


def boxes(ax):
    return {text.get_text(): text.get_window_extent() for text in ax.texts if text.get_text()}


def overlap(one, other) -> bool:
    return one.x0 < other.x1 and other.x0 < one.x1 and one.y0 < other.y1 and other.y0 < one.y1


def inside(box, figure) -> bool:
    width, height = figure.get_size_inches() * figure.dpi
    return box.x0 >= 0 and box.y0 >= 0 and box.x1 <= width and box.y1 <= height


def assert_apart(ax):
    found = boxes(ax)
    for (one, a), (other, b) in combinations(found.items(), 2):
        assert not overlap(a, b), (one, other)
    assert all(inside(box, ax.get_figure()) for box in found.values())


@pytest.mark.parametrize("letters", [8, 60])
def test_a_long_interval_stops_short_of_its_n(letters):
    """The widest interval beside the widest count, under a short and a long name."""
    rows = pd.DataFrame(
        {
            "kind": [HEADING, GROUP, GROUP, GROUP],
            "label": ["Feature, by etiology", "w" * letters, "x", "y"],
            "effect_measure": "log odds ratio per 1 SD",
            "estimate": [np.nan, 12.0, 0.1, 4.5],
            "ci_low": [np.nan, -9.0, -0.2, 0.1],
            "ci_high": [np.nan, np.inf, 0.4, 20.0],
            "people": [
                "q < 0.001",
                "n = 10\u2009000, 10\u2009001 events",
                "n = 30, 3 events",
                "n = 1234, 567 events",
            ],
        }
    )
    ax = laid_out(draw_group_forest, rows)
    assert_apart(ax.get_figure().axes[1])
    picture, words = (part.get_window_extent() for part in ax.get_figure().axes)
    assert picture.x1 <= words.x0
    assert picture.width > 0.2 * ax.get_figure().bbox.width


def test_a_long_interval_stops_short_of_its_q(made):
    rows = made.markers_for("death", "survival").dropna(subset=["estimate"]).head(6)
    wide = rows.assign(
        ci_low=-9.0, ci_high=np.inf, estimate=11.0, label="A name of a feature that takes two lines in all"
    )
    ax = laid_out(draw_marker_forest, wide.assign(ci_high=np.linspace(12, 13, 6)))
    found = [text.get_window_extent() for text in ax.get_figure().axes[1].texts]
    assert not any(overlap(a, b) for a, b in combinations(found, 2))
    assert all(inside(box, ax.get_figure()) for box in found)


def test_a_wide_gain_is_inside_the_figure(made):
    rows = made.markers_for("death", "continuous").dropna(subset=["estimate"]).head(4)
    ax = laid_out(draw_gain, rows.assign(gain=-12.3456, gain_low=-123.4567, gain_high=123.4567))
    assert all(inside(t.get_window_extent(), ax.get_figure()) for t in ax.get_figure().axes[1].texts)


@pytest.mark.parametrize("seed", range(8))
def test_names_in_a_volcano_keep_off_names_and_marks(made, seed):
    rows = made.markers_for("death", "survival", count=96, seed=seed).dropna(subset=["estimate"])
    ax = laid_out(draw_volcano, rows, fdr=0.05)
    named = [text for text in ax.texts if text.get_text()]
    # the box of an annotation takes in its line; that of the letters alone is asked for
    found = [text.get_bbox_patch().get_window_extent() for text in named]
    assert len(named) >= NAMED - 2
    assert not any(overlap(a, b) for a, b in combinations(found, 2))
    marks = ax.transData.transform(np.column_stack([rows["estimate"], -np.log10(rows["p_value"])]))
    for box in found:
        within = (
            (box.x0 < marks[:, 0]) & (marks[:, 0] < box.x1) & (box.y0 < marks[:, 1]) & (marks[:, 1] < box.y1)
        )
        assert not within.any()
        assert ax.bbox.x0 - 1 <= box.x0
        assert box.x1 <= ax.bbox.x1 + 1
    assert MARK > 0


def test_features_of_one_place_do_not_crowd_their_names(made):
    """Six that say the same lie on one point: names without room are left out, none lies over another."""
    rows = made.markers_for("death", "survival", count=40).dropna(subset=["estimate"])
    first = rows.iloc[0]
    same = rows.assign(
        estimate=np.where(np.arange(len(rows)) < NAMED, first["estimate"], rows["estimate"]),
        p_value=np.where(np.arange(len(rows)) < NAMED, first["p_value"], rows["p_value"]),
    )
    ax = laid_out(draw_volcano, same, fdr=0.05)
    found = [text.get_bbox_patch().get_window_extent() for text in ax.texts]
    assert found
    assert not any(overlap(a, b) for a, b in combinations(found, 2))


@pytest.mark.parametrize("competing", [False, True])
def test_numbers_at_risk_stand_under_their_times(made, competing):
    table = made.curves(competing=competing)
    ax = laid_out(draw_curves, table)
    figure = ax.get_figure()
    lower = next(part for part in figure.axes if any(t.get_text() == "At risk" for t in part.texts))
    at_risk = table[table["part"] == "at risk"]
    for text in lower.texts:
        if not text.get_text().isdigit():
            continue
        time = text.get_position()[0]
        middle = text.get_window_extent()
        assert (middle.x0 + middle.x1) / 2 == pytest.approx(ax.transData.transform((time, 0))[0], abs=1.5)
        assert time in set(at_risk["time"])


def test_a_name_of_a_column_breaks_after_an_underscore():
    (label,) = row_labels(["rv_isovolumic_relaxation_time_constant_weiss"])
    assert label.split("\n") == ["rv_isovolumic_relaxation_time_", "constant_weiss"]
    (words,) = row_labels(["RV early-diastolic minimum pressure: end-expiratory value"])
    assert (
        words.replace("\n", " ").replace("- ", "-")
        == "RV early-diastolic minimum pressure: end-expiratory value"
    )


def test_a_negative_limit_has_a_minus_and_a_name_keeps_its_hyphen():
    assert drawable("lowest third (≤ -0.73)") == "lowest third (≤ −0.73)"
    assert drawable("middle third (-0.73 to 0.54)") == "middle third (−0.73 to 0.54)"
    assert drawable("NT-proBNP x-1 9-12") == "NT-proBNP x-1 9-12"


def words_cut_off(figure) -> list[str]:
    """The drawn texts of `figure` that reach beyond its edge by more than half a point."""
    width, height = figure.get_size_inches() * figure.dpi
    beyond_their_axis = [
        label
        for ax in figure.axes
        for axis, (low, high) in ((ax.xaxis, ax.get_xlim()), (ax.yaxis, ax.get_ylim()))
        for place, label in zip(axis.get_ticklocs(), axis.get_ticklabels())
        if not (ax.axison and min(low, high) <= place <= max(low, high))
    ]
    out = []
    for text in figure.findobj(Text):
        if not (text.get_text().strip() and text.get_visible()):
            continue
        if text in beyond_their_axis:
            continue
        box = text.get_window_extent()
        if box.x0 < -0.5 or box.y0 < -0.5 or box.x1 > width + 0.5 or box.y1 > height + 0.5:
            out.append(text.get_text())
    return out


def biplot_table(reach):
    rng = np.random.default_rng(int(10 * reach))
    patients = pd.DataFrame(rng.uniform(-reach, reach, (60, 2)), columns=["x", "y"]).assign(
        part="patient", name=""
    )
    features = pd.DataFrame(
        {
            "x": [0.9, -0.8, 0.2],
            "y": [0.3, 0.5, -0.9],
            "part": "feature",
            "name": ["rv_systolic_pressure_median_mmhg", "rv_tau_ms", "papi"],
        }
    )
    return pd.concat([patients, features], ignore_index=True).assign(x_axis="PC1", y_axis="PC2")


def calibration_table():
    return pd.DataFrame(
        {"model": ["base model"] * 4 + ["base model with a feature of a long name"] * 4, "part": "group",
         "predicted": [0.1, 0.3, 0.5, 0.9] * 2, "observed": [0.2, 0.3, 0.4, 1.0] * 2, "ci_low": 0.05,
         "ci_high": 1.0, "risk": np.nan, "n": 30}
    )  # fmt: skip


@pytest.mark.parametrize("reach", [2.0, 3.0, 3.4, 5.0])
def test_no_word_of_a_biplot_is_cut_off(reach):
    assert words_cut_off(placed(draw_biplot, biplot_table(reach), title="Patients and features")) == []


@pytest.mark.parametrize("detail", ["", "n = 144", "n = 144 " + "and many more words " * 14])
def test_no_word_of_a_figure_is_cut_off(made, detail):
    rows = made.markers_for("death", "survival").dropna(subset=["estimate"]).head(12)
    tables = {
        draw_marker_forest: rows, draw_gain: rows, draw_volcano: rows, draw_rank_intervals: rows,
        draw_curves: made.curves(competing=True), draw_roc: made.roc(), draw_calibration: calibration_table(),
    }  # fmt: skip
    for draw, table in tables.items():
        figure = placed(draw, table, title="A title of the figure", detail=detail)
        assert words_cut_off(figure) == [], draw.__name__


def test_what_a_curve_is_of_stands_beside_the_panels_and_not_in_the_title():
    """Of all effects the odds ratio of a higher class has the longest name."""
    value = np.linspace(-2, 2, 30)
    curve = pd.DataFrame(
        {"feature": "f", "label": "f", "unit": "", "words": "n = 108", "part": "curve", "value": value,
         "effect_measure": "log odds ratio of a higher class per 1 SD", "estimate": value / 2,
         "ci_low": value / 2 - 1, "ci_high": value / 2 + 1}
    )  # fmt: skip
    rows = pd.concat([curve, curve.assign(feature="g"), curve.assign(feature="h")])
    figure = placed(
        draw_splines, rows, title="Shape: class", detail="restricted cubic splines, adjusted; " * 4
    )
    name = next(ax.yaxis.label for ax in figure.axes if ax.get_ylabel()).get_window_extent()
    assert inside(name, figure)
    over = [text.get_window_extent() for text in figure.findobj(Text) if "spline" in text.get_text()]
    assert over
    assert not any(overlap(name, box) for box in over)
