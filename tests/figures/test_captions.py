"""Captions: whom a figure shows, by which model, with which interval, and what would else be misread."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from discovery.figures.curves import entry_clause, entry_sentence
from discovery.figures.missing_patterns import pattern_figures
from discovery.figures.standard import draw_study_figures


@pytest.fixture(scope="module")
def settings(made):
    settings = made.run_settings()
    late = replace(settings.outcomes[0], delayed_entry=True, time_unit="days")
    return replace(settings, outcomes=(late, *settings.outcomes[1:]))


@pytest.fixture(scope="module")
def captions(made, settings, tmp_path_factory):
    tables = made.study_tables()
    tables |= made.leading(tables["markers"])
    tables["at_risk"] = tables["at_risk"].assign(time=tables["at_risk"]["time"] + 39)
    figures = draw_study_figures(tables, settings, tmp_path_factory.mktemp("figures"))
    return {figure.figure_id: figure.caption for figure in figures}


def test_every_caption_says_how_many(captions):
    assert len(captions) > 12
    for name, caption in captions.items():
        assert "n = " in caption or "(n" in caption, name


@pytest.mark.parametrize("whole", [True, False])
def test_figures_without_imputation_say_that_they_are_of_the_patients_with_all_covariates(
    made, settings, tmp_path, whole
):
    first = settings.outcomes[0]
    shown = first if whole else replace(first, complete=replace(first, n=first.n - 40))
    markers = made.study_tables()["markers"]
    value = np.linspace(-2, 2, 20)
    curve = {"value": value, "estimate": value, "ci_low": value - 1, "ci_high": value + 1}
    of = {"outcome": first.name, "feature": markers["feature"].iloc[0], "n": shown.n}
    tables = {
        "markers": markers,
        "shape_curves": pd.DataFrame({**curve, **of, "unit": "", "part": "curve"}),
        "shapes": pd.DataFrame([{**of, "q_nonlinear": 0.4, "p_nonlinear": 0.3}]),
    }
    figures = draw_study_figures(tables, replace(settings, outcomes=(shown,)), tmp_path)
    caption = next(figure.caption for figure in figures if figure.figure_id == f"{first.name}_shape")
    assert f"n = {first.n - (0 if whole else 40)}, {first.events} events" in caption
    assert (": the patients with all covariates, each feature" in caption) != whole


@pytest.mark.parametrize("kind", ["volcano", "forest", "ranks", "gain"])
def test_a_ranking_names_its_model_and_what_it_is_adjusted_for(captions, settings, kind):
    models = ("Cox proportional hazards", "Logistic regression", "Linear regression")
    for outcome, model in zip(settings.outcomes, models):
        caption = captions[f"{outcome.name}_{kind}"]
        assert model in caption
        assert f"adjusted for {settings.covariates[0]}" in caption
        assert kind == "volcano" or "95 %" in caption


def test_an_empty_base_model_is_said_to_be_none(made, tmp_path):
    bare = made.run_settings(covariates=(), site=None)
    figures = draw_study_figures({"markers": made.study_tables()["markers"]}, bare, tmp_path)
    assert all("not adjusted" in figure.caption for figure in figures if figure.figure_id.endswith("_forest"))


def test_curves_and_roc_are_no_threshold_for_care(captions):
    for name, caption in captions.items():
        if "_curves_" in name or "_roc_" in name:
            assert "threshold" in caption, name
            assert "for care" in caption, name


def test_numbers_at_risk_that_rise_are_explained(captions, settings):
    caption = captions[f"{settings.outcomes[0].name}_curves_1"]
    assert "numbers at risk may rise" in caption  # under the title, in the figure itself
    assert "(delayed entry)" in caption
    assert "begin at 39 days" in caption


def test_without_delayed_entry_nothing_is_said_of_it(made):
    outcome = made.run_settings().outcomes[0]
    assert not outcome.delayed_entry
    assert entry_clause(outcome) == ""
    assert entry_sentence(outcome, pd.DataFrame({"time": [3.0]})) == ""


def test_curves_from_time_0_on_do_not_say_where_they_begin(settings):
    said = entry_sentence(settings.outcomes[0], pd.DataFrame({"time": [0.0, 5.0]}))
    assert "rise before they fall" in said
    assert "begin" not in said


def test_patterns_of_missing_values_are_drawn_only_where_some_value_is_missing(tmp_path):
    whole = pd.DataFrame({"pattern": [1, 2], "n_variables_missing": [0, 1], "n": [35, 2], "percent": [95, 5],
                          "a": [True, False], "b": [True, True]})  # fmt: skip
    assert pattern_figures({"missing_patterns": whole}, {}, tmp_path) == []
    (figure,) = pattern_figures({"missing_patterns": whole.assign(n=[35, 6])}, {}, tmp_path)
    assert "an empty row: nothing is missing" in figure.caption
