"""Features that could not be assessed are explained beside the ranking."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.report.settings import OutcomeRun, RunSettings
from discovery.report.unassessed_view import unassessed_count, unassessed_view

OUTCOMES = (
    OutcomeRun(name="death", label="Death, any", kind="survival", n=9),
    OutcomeRun(name="walk", label="Walk", kind="continuous", n=9),
)
SETTINGS = RunSettings(name="s", title="s", seed=1, n_patients=9, n_features=3, outcomes=OUTCOMES)
MARKERS = pd.DataFrame(
    {
        "outcome": ["death", "death", "death", "walk", "walk", "walk"],
        "feature": ["sp", "tau", "jitter"] * 2,
        "label": ["Pressure", "Tau", "Jitter"] * 2,
        "verdict": [
            "candidate", "not assessable", "not assessable", "not supported", "not assessable", "suggestive",
        ],
        "verdict_rule": [
            "q", "63 % missing, more than 40 %", "reliability 0.20, below 0.4",
            "", "65 % missing, more than 40 %", "q",
        ],
    }
)  # fmt: skip
WHY = pd.DataFrame(
    {"feature": ["tau", "tau"], "reason": ["no landmark", "the line"], "n": [5, 1], "n_patients": 9}
)


def test_a_row_says_for_which_outcome_why_and_what_stood_in_the_way():
    found = unassessed_view({"markers": MARKERS, "why_missing": WHY}, SETTINGS)
    assert found.lead.startswith(
        "1 of 3 features could not be assessed for any outcome, 1 for some only. Where"
    )
    assert found.rows == (
        (
            "Tau", "all outcomes", "63 to 65 % missing, more than 40 %",
            "no landmark (5 patients); the line (1 patient)",
        ),
        ("Jitter", "Death, any", "reliability 0.20, below 0.4", "–"),
    )  # fmt: skip


def test_features_are_counted_and_not_their_outcomes():
    one = MARKERS[MARKERS["outcome"] == "death"]
    assert unassessed_count(one) == "2 of 3 features could not be assessed"
    assert unassessed_count(MARKERS[MARKERS["feature"] == "sp"]) == ""
    some = "1 of 2 features could be assessed for some outcomes only"
    assert unassessed_count(MARKERS[MARKERS["feature"] != "tau"]) == some
    none = "1 of 2 features could not be assessed for any outcome"
    assert unassessed_count(MARKERS[MARKERS["feature"] != "jitter"]) == none


def test_masked_counts_stay_masked_and_tables_alone_have_no_reasons():
    masked = WHY.assign(n=pd.array([np.nan, np.nan], dtype="Int64"))
    found = unassessed_view({"markers": MARKERS, "why_missing": masked}, SETTINGS)
    assert found.rows[0][-1] == "no landmark; the line"
    assert len(unassessed_view({"markers": MARKERS}, SETTINGS).heads) == 3


def test_values_that_are_missing_are_explained_only_where_that_is_why():
    why = pd.concat([WHY, WHY.assign(feature="jitter")])
    found = unassessed_view({"markers": MARKERS, "why_missing": why}, SETTINGS)
    assert [row[-1] for row in found.rows] == ["no landmark (5 patients); the line (1 patient)", "–"]
    several = MARKERS.assign(
        verdict="not assessable", verdict_rule=["a", "b", "c", "a", "40.4 % missing", "d"]
    )
    rows = unassessed_view({"markers": several, "why_missing": WHY}, SETTINGS).rows
    assert [row[2] for row in rows] == ["a", "b; 40.4 % missing", "c; d"]


def test_where_all_were_assessed_nothing_is_said():
    assert unassessed_view({"markers": MARKERS[MARKERS["feature"] == "sp"]}, SETTINGS) is None
