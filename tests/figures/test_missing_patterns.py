"""The figure of the patterns of missing values."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.cohort.missing import missing_patterns, missing_table
from discovery.figures.missing_patterns import pattern_figures
from discovery.figures.standard import missing_maps
from discovery.figures.style import new_axes


def gaps():
    rng = np.random.default_rng(1)
    data = pd.DataFrame(rng.normal(size=(60, 3)), columns=["a", "b", "c"])
    data.loc[:9, "a"] = np.nan
    data.loc[5:24, "b"] = np.nan
    data.loc[59, "c"] = np.nan
    return data


def test_rows_are_the_common_patterns_with_their_counts(tmp_path):
    [figure] = pattern_figures({"missing_patterns": missing_patterns(gaps())}, {"a": "Alpha"}, tmp_path)
    drawn = pd.read_csv(figure.csv)
    # by hand: complete 34, b alone 15, a alone 5, a and b 5; the single c is not drawn
    assert drawn.drop_duplicates("pattern")["n"].tolist() == [34, 15, 5, 5]
    assert list(dict.fromkeys(drawn["variable"])) == ["b", "a", "c"]
    assert list(dict.fromkeys(drawn["label"])) == ["b", "Alpha", "c"]
    both = drawn[drawn["pattern"] == 4].set_index("variable")["seen"]
    assert both.to_dict() == {"b": False, "a": False, "c": True}
    assert "1 rarer pattern in missing_patterns.csv" in figure.caption


def test_the_cells_are_filled_where_missing():
    from discovery.figures.missing_patterns import draw_missing_patterns

    rows = pd.DataFrame(
        {"pattern": [1, 1, 2, 2], "n": [9, 9, 7, 7], "variable": ["a", "b"] * 2, "label": ["a", "b"] * 2,
         "seen": [True, True, False, True]}
    )  # fmt: skip
    ax = draw_missing_patterns(rows, new_axes())
    np.testing.assert_array_equal(ax.collections[0].get_array().reshape(2, 2), [[0, 0], [1, 0]])
    assert [text.get_text() for text in ax.get_yticklabels()] == ["9", "7"]


def test_nothing_where_nothing_is_missing_or_counts_are_masked(tmp_path):
    assert pattern_figures({}, {}, tmp_path) == []
    masked = missing_patterns(gaps()).astype({"n": "Int64"})
    masked["n"] = pd.NA
    assert pattern_figures({"missing_patterns": masked}, {}, tmp_path) == []


def test_maps_by_site_and_by_every_outcome(tmp_path, made):
    settings = made.run_settings()
    data = gaps()
    groups = {
        "site": pd.Series(np.resize(["North", "South"], 60)),
        **{o.name: pd.Series(np.resize(["no", "yes", "yes"], 60)) for o in settings.outcomes},
    }
    table = missing_table(data, by=groups)
    figures = {f.figure_id: f for f in missing_maps(table, settings, tmp_path)}
    assert set(pd.read_csv(figures["missing"].csv)["level"]) == {"all", "North", "South"}
    for outcome in settings.outcomes:
        own = figures[f"{outcome.name}_missing"]
        assert set(pd.read_csv(own.csv)["level"]) == {"all", "no", "yes"}
        assert outcome.label in own.title
