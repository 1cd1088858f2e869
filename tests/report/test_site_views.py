"""Sites as a reader sees them: shares, the features that differ most, ratios and not their logarithms."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.report.site_views import excluded_view, left_out_view, shift_view, site_view


def test_counts_of_a_site_come_with_their_share_and_masked_ones_without():
    table = pd.DataFrame(
        {
            "site": ["north", "south"], "outcome": "death", "n": [80, 20], "n_with_outcome": [80, pd.NA],
            "events": [20, pd.NA], "percent_events": [25.0, np.nan],
        }
    )  # fmt: skip
    rows = site_view(table, {"death": "Death"}).rows
    assert rows == (("north", "80", "Death", "80", "20 (25 %)"), ("south", "20", "Death", "–", "–"))


def test_the_features_that_differ_most_come_first_at_the_site_that_stands_out():
    rows = [(f"f{k}", site, sign * k / 30) for k in range(25) for site, sign in (("a", 0.5), ("b", -1.0))]
    table = pd.DataFrame(rows, columns=["feature", "site", "smd"])
    table = table.assign(label=table["feature"].str.upper(), variance_share=0.1, p_value=0.2)
    view = shift_view(table)
    assert len(view.rows) == 20
    assert view.rows[0] == ("F24", "b", "−0.80", "10 %", "0.20")
    assert "20 of 25 features" in view.note


def test_effects_without_a_site_are_ratios_of_the_leading_features():
    markers = pd.DataFrame(
        {
            "outcome": "death", "feature": list("abcd"), "label": list("ABCD"), "rank": [2, 1, 4, 3],
            "effect_measure": "log hazard ratio per 1 SD",
        }
    )  # fmt: skip
    table = pd.DataFrame(
        {"outcome": "death", "feature": list("abcd"), "site_left_out": "north", "estimate": np.log(2),
         "gain": 0.01, "n": 30}
    )  # fmt: skip
    view = left_out_view(table, markers, {"death": "Death"})
    assert [row[0] for row in view.rows] == ["B", "A", "D"]
    assert view.rows[0] == ("B", "Death", "north", "2.00", "+0.010", "30")


def test_features_left_out_for_one_reason_share_a_row():
    names = [f"f{k}" for k in range(14)]
    table = pd.DataFrame({"feature": [*names, "x", "x"], "reason": ["empty"] * 14 + ["constant"] * 2})
    rows = excluded_view(table).rows
    assert rows[0][:2] == ("empty", "14")
    assert rows[0][2].endswith("f10 and 3 more")
    assert rows[1] == ("constant", "1", "x")


def test_all_features_are_not_called_those_that_differ_most():
    table = pd.DataFrame({"feature": ["a", "b"], "site": "x", "smd": [0.4, 0.1], "label": ["A", "B"]})
    note = shift_view(table.assign(variance_share=0.1, p_value=0.2)).note
    assert "All 2 features; all sites" in note
    assert "differ most" not in note
