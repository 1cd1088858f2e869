"""Families over several outcomes: a table made by hand."""

from __future__ import annotations

import pandas as pd

from discovery.markers.families_overview import COLUMNS, families_overview
from discovery.report.families_overview_view import overview_view


def tables():
    families = pd.DataFrame(
        [
            ("death", 1, "a", 1.0, 1.0, 2.0, 0.9, 2, "a; b"),
            ("death", 2, "c", 2.0, 1.0, 2.0, 0.6, 0, "c"),
            ("stay", 2, "c", 1.0, 1.0, 1.0, 0.9, 1, "c"),
            ("stay", 1, "b", 2.0, 2.0, 2.0, 0.4, 1, "a; b"),
        ],
        columns=[
            "outcome", "redundancy_group", "lead", "family_rank", "family_rank_low", "family_rank_high",
            "family_probability_in_top", "candidates", "members",
        ],
    )  # fmt: skip
    markers = pd.DataFrame(
        {
            "outcome": ["death"] * 3 + ["stay"] * 3,
            "feature": list("abc") * 2,
            "verdict": [
                "strong candidate", "candidate", "suggestive", "suggestive", "candidate", "not supported",
            ],
        }
    )  # fmt: skip
    return families, markers


def test_the_family_with_candidates_for_both_outcomes_comes_first_with_the_verdict_of_each_lead():
    got = families_overview(*tables())
    assert list(got.columns) == list(COLUMNS)
    assert got["redundancy_group"].tolist() == [1, 1, 2, 2]
    assert got["verdict"].tolist() == ["strong candidate", "candidate", "suggestive", "not supported"]
    assert got["outcomes_with_candidate"].tolist() == [2, 2, 0, 0]
    assert got["outcomes"].tolist() == [2, 2, 2, 2]


def test_one_outcome_has_no_overview():
    families, markers = tables()
    assert families_overview(families[families["outcome"] == "death"], markers).empty


def test_the_page_has_a_row_a_family_and_a_column_an_outcome():
    names = {"death": "Death", "stay": "Long stay"}
    view = overview_view(families_overview(*tables()), {"a": "A", "b": "B", "c": "C"}, names)
    assert view.heads[1:] == ("Death", "Long stay")
    assert view.rows[0] == ("A / B", "strong candidate; rank 1 (1 to 2)", "candidate; rank 2 (2 to 2)")
    assert view.lead.startswith("1 family of features has")
