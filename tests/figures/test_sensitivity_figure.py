"""The sensitivity figure says what it leaves out."""

from __future__ import annotations

import pandas as pd
import pytest

from discovery.figures.sensitivity import COLUMNS, PANELS, sensitivity_figures


def board(features: int) -> pd.DataFrame:
    rows = [
        (f"f{k}", f"Feature {k}", "", way, "log odds ratio per 1 SD", 0.5, 0.2, 0.8, 0.01, 90, 40, result)
        for k in range(features)
        for way, result in (("main analysis", "holds"), ("not adjusted", "weaker"))
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS)).assign(outcome="failure")


@pytest.mark.parametrize("features", [PANELS, PANELS + 1])
def test_leaders_that_have_no_panel_are_counted_in_the_caption(made, tmp_path, features):
    outcome = made.run_settings().outcomes[0]
    table = board(features).assign(outcome=outcome.name)
    (figure,) = sensitivity_figures({"sensitivity": table}, outcome, made.run_settings(), tmp_path)
    assert pd.read_csv(figure.csv)["feature"].nunique() == PANELS
    said = f"The first {PANELS} of {features} leading features; all are in sensitivity.csv."
    assert (said in figure.caption) == (features > PANELS)


def test_the_caption_says_which_rows_are_imputed(made, tmp_path):
    settings = made.run_settings()
    outcome = settings.outcomes[0]
    table = board(1).assign(outcome=outcome.name)
    (plain,) = sensitivity_figures({"sensitivity": table}, outcome, settings, tmp_path / "plain")
    assert "Nothing is imputed here." in plain.caption
    beside = table.iloc[[1]].assign(alternative="complete cases, nothing imputed", group="patients")
    both = pd.concat([table, beside], ignore_index=True)
    (figure,) = sensitivity_figures({"sensitivity": both}, outcome, settings, tmp_path / "both")
    assert "Nothing is imputed" not in figure.caption
    assert "The main analysis has missing values imputed; every other row is of" in figure.caption
