"""The tables of the closer look: small, with reasons for what is not there, in the names of the user."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from discovery.report.closer_look_views import Names, _follow_up, closer_look_views, spared
from discovery.report.methods_closer_look import (
    closer_look_paragraphs,
    eligibility_paragraphs,
    landmark_paragraphs,
    masking_paragraphs,
)
from discovery.report.page_tables import Table
from discovery.report.settings import OutcomeRun, RunSettings
from discovery.survival.mean_times import for_sharing, mean_times_by_third


@pytest.fixture
def settings():
    outcome = OutcomeRun(name="death", label="Death", kind="survival", n=200, events=60, landmark=7.0)
    return RunSettings(name="s", title="t", seed=1, n_patients=210, n_features=4, outcomes=(outcome,))


def test_what_could_not_be_estimated_is_grouped_by_its_reason(settings):
    table = pd.DataFrame(
        {
            "outcome": "death",
            "feature": ["a", "b", "c", "d"],
            "model": ["adjusted", "adjusted", "adjusted", "base"],
            "estimate": [np.nan, np.nan, 0.3, np.nan],
            "note": ["collinear with the base model"] * 2 + ["", "not converged"],
        }
    )
    views = closer_look_views({"associations": table}, settings, {"a": "Pulse pressure"})
    assert [heading for _, heading, _ in views] == ["What could not be estimated, and why"]
    shown = views[0][2]
    assert shown.heads == ("Reason", "Features", "Which")  # one outcome: its name is not repeated
    assert shown.rows == (("collinear with the base model", "2", "Pulse pressure and b"),)


def test_groups_over_time_are_a_line_each(settings):
    table = pd.DataFrame(
        {
            "outcome": "death", "part": "groups compared", "by": "etiology", "n": 200, "events": 60,
            "quantity": ["log-rank", "Gehan-Wilcoxon", "Tarone-Ware", "Peto-Peto"],
            "p_value": [0.012, 0.2, 0.1, 0.4], "q_value": [0.024, np.nan, np.nan, np.nan],
        }
    )  # fmt: skip
    [(anchor, heading, shown)] = closer_look_views({"survival": table}, settings, {})
    assert (anchor, heading) == ("groups-compared", "Groups over time")
    assert shown.heads[-1] == "q"
    assert shown.rows == (("etiology", "200", "60", "0.012", "0.20", "0.40", "", "0.024"),)
    text = " ".join(closer_look_paragraphs(replace(settings, analyses=("groups compared",), site="centre")))
    assert "log-rank test, not adjusted for covariates, within sites but for the sites themselves" in text
    assert "Gray" not in text


def test_mean_times_of_two_groups_say_which_these_are(settings):
    """Beside thirds in one table, and alone where small counts leave the difference alone."""
    rng = np.random.default_rng(3)
    time, event = rng.exponential(1, 90), rng.integers(0, 2, 90)
    values = {"mark": np.arange(90) % 2, "pulse": rng.normal(size=90)}
    tables = [
        mean_times_by_third(time, event, x, horizon=0.5).assign(outcome="death", feature=name)
        for name, x in values.items()
    ]
    survival = pd.concat(tables, ignore_index=True).assign(part="restricted mean")

    def shown(table):
        [(_, _, view)] = closer_look_views({"survival": table}, settings, {})
        return dict(zip(view.heads, zip(*view.rows)))

    both = shown(survival)
    heads = ["Lowest third or lower group", "Highest third or higher group"]
    assert all(head in both for head in (*heads, "Highest less lowest third or higher less lower group"))
    assert both["Note"] == ("higher value (1) less lower value (0)", "")
    assert all(" to " in cell for head in heads for cell in both[head])
    thirds = shown(survival[survival["feature"] == "pulse"])
    assert {"Lowest third", "Highest third", "Highest less lowest third"} <= set(thirds)
    alone = shown(for_sharing(tables[0], 5).assign(part="restricted mean"))
    assert heads[0] not in alone
    assert alone["Note"] == both["Note"][:1]


def test_mean_episodes_of_two_groups_say_which_these_are(settings):
    common = {"part": "mean episodes", "outcome": "death", "period": "up to 5", "p_value": 0.2}
    common |= {"estimate": 0.4, "ci_low": -0.2, "ci_high": 1.0}
    rows = [
        common
        | {"feature": "mark", "quantity": "mean number of episodes, higher value (1) less lower value (0)"},
        common | {"feature": "pulse", "quantity": "mean number of episodes, highest less lowest third"},
    ]
    [(_, _, view)] = closer_look_views({"survival": pd.DataFrame(rows)}, settings, {})
    assert dict(zip(view.heads, zip(*view.rows)))["Time"] == (
        "up to 5, higher value (1) less lower value (0)", "up to 5",
    )  # fmt: skip


def test_hazards_without_doubt_are_one_line(settings):
    hazards = pd.DataFrame(
        {"outcome": "death", "feature": ["a", "b"], "p_value": [0.4, 0.6], "q_value": 0.6, "violated": False}
    )
    view = closer_look_views({"proportional_hazards": hazards}, settings, {})[0][2]
    assert len(view.rows) == 1
    assert view.lead.startswith("None of 2 tests")


def test_notes_that_are_all_empty_are_spared():
    table = Table(("Feature", "Outcome", "p", "Note"), (("a", "o", ".1", ""), ("b", "o", ".2", "")))
    assert spared(table, one_outcome=True).heads == ("Feature", "p")
    assert spared(table, one_outcome=False).heads == ("Feature", "Outcome", "p")


def test_methods_speak_of_what_was_done_and_of_nothing_else(settings):
    from dataclasses import replace

    assert closer_look_paragraphs(settings) == []
    assert eligibility_paragraphs(settings) == masking_paragraphs(settings) == []
    done = replace(
        settings,
        analyses=("shapes", "prediction", "site meta-analysis"),
        eligibility=("age_years >= 18",),
        suppress_below=5,
    )
    texts = " ".join(closer_look_paragraphs(done))
    assert "restricted cubic spline" in texts
    assert "Brier score" in texts
    assert "Hartung–Knapp" in texts
    assert "interaction test" not in texts
    assert "competing" not in texts
    assert "age_years >= 18" in eligibility_paragraphs(done)[0]
    assert "Counts of 1 to 4" in masking_paragraphs(done)[0]
    assert "window that ended at 7." in landmark_paragraphs(done)[0]


def test_rates_are_of_a_time_in_which_events_are_seen():
    """4 events in 10 000 days are 14.6 in 100 years of 365.25 days."""
    row = {"outcome": "death", "event": "Death", "n": 90, "n_event": 4, "rate": 4e-4, "rate_low": 1e-4}
    row |= {"rate_high": 1e-3, "median_follow_up": 812.0, "follow_up_low": 700.0, "follow_up_high": np.nan}
    row |= {"median_time": np.nan, "median_low": np.nan, "median_high": np.nan}
    table = pd.DataFrame([row, row | {"outcome": "stay"}])
    names = Names({}, {"death": "Death"}, {"death": "days", "stay": "hours"})
    first, second = _follow_up(table, names).rows
    assert first[4] == "14.6 (3.65 to 36.5) in 100 patient-years"
    assert first[5] == "812 (700 to not reached) days"
    assert second[4] == "0.400 (0.100 to 1.00) in 1000 hours"


def test_a_model_that_was_not_fitted_has_no_count_of_events(settings):
    rows = pd.DataFrame(
        {
            "outcome": settings.outcomes[0].name, "feature": "a", "part": "competing models",
            "model": ["cause-specific hazard", "subdistribution hazard"],
            "effect_measure": "log hazard ratio", "estimate": [0.4, np.nan], "ci_low": [0.1, np.nan],
            "ci_high": [0.7, np.nan], "p_value": [0.01, np.nan],
            "events": [47, 0], "note": ["", "not fitted: delayed entry"],
        }
    )  # fmt: skip
    views = {anchor: table for anchor, _, table in closer_look_views({"survival": rows}, settings, {})}
    events = views["competing"].heads.index("Events")
    assert [row[events] for row in views["competing"].rows] == ["47", "–"]


def test_a_measure_that_no_model_has_gets_no_column(settings):
    table = pd.DataFrame(
        {
            "outcome": settings.outcomes[0].name, "feature": "a", "model": ["base model"] * 2, "time": 500.0,
            "measure": ["Harrell C", "observed / expected risk"], "estimate": [0.7164, 1.0913],
            "ci_low": [0.6321, 0.8162], "ci_high": [0.7874, 1.3541], "n": 160, "events": 47,
        }
    )  # fmt: skip
    views = {anchor: view for anchor, _, view in closer_look_views({"prediction": table}, settings, {})}
    view = views["prediction"]
    assert view.heads[-2:] == ("Harrell C", "Observed / expected")
    assert view.rows[0][-2:] == ("0.72 (0.63 to 0.79)", "1.09 (0.82 to 1.35)")
    assert "are left out" in view.note
