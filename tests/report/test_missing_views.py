"""What the page and the methods say of imputed values."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from discovery.report.methods_missing import imputed_text
from discovery.report.missing_views import imputation_views


def tables(**changes):
    imputation = pd.DataFrame(
        {
            "outcome": "death", "feature": ["a", "b", "c"], "n": 100, "n_imputed": [20, 5, 0],
            "fraction_missing_information": [0.183, 0.02, np.nan], "estimate": [0.4, -0.1, np.nan],
            "p_value": [0.012, 0.4, np.nan], "estimate_complete_cases": [0.5, -0.1, 0.3],
            "p_value_complete_cases": [0.03, 0.5, 0.2],
        }
    )  # fmt: skip
    markers = pd.DataFrame(
        {
            "outcome": "death", "feature": ["a", "b", "c"], "label": ["Alpha", "Beta", "Gamma"],
            "effect_measure": "log hazard ratio per 1 SD",
        }
    )  # fmt: skip
    tipping = pd.DataFrame({"outcome": ["death"], "feature": ["a"], "finding": ["holds if shifted"]})
    return {"imputation": imputation, "markers": markers, "tipping_points": tipping} | changes


def test_the_table_shows_pooled_beside_complete_cases_and_the_tipping_point():
    [(anchor, heading, table)] = imputation_views(tables(), {"death": "Death"})
    assert (anchor, heading) == ("imputed", "Imputed values")
    # exp(.4) = 1.49, exp(.5) = 1.65
    assert table.rows[0] == (
        "Alpha", "20 %", "18 %", "1.49, p 0.012", "1.65, p 0.030", "holds if shifted",
    )  # fmt: skip
    assert [row[0] for row in table.rows] == ["Alpha", "Beta"]


def test_nothing_imputed_nothing_shown():
    none = tables()["imputation"].assign(n_imputed=pd.array([0, 0, pd.NA], dtype="Int64"))
    assert imputation_views(tables(imputation=none), {}) == []
    assert imputation_views({"markers": tables()["markers"]}, {}) == []


def test_the_methods_say_what_was_done(made):
    text = imputed_text(made.run_settings(imputations=33, replicates=200, site="centre"))
    assert "(33 imputations)" in text
    assert "the site" in text
    assert "Nelson-Aalen" in text
    assert "resampled first" in text
    assert text.endswith("Patients without an outcome or a covariate were left out and counted.")
    both = imputed_text(made.run_settings(imputations=33, imputed_covariates=("age", "sex")))
    assert "Missing covariates were imputed in the same chain (age and sex)" in both
    assert both.endswith(
        "Patients without an outcome, or without a covariate that more than 40 % lack, were left out and "
        "counted: such a covariate was not imputed."
    )
    assert "estimates, ranks and gains are of all patients with an outcome, and anew in every draw" in both
    once = imputed_text(made.run_settings(imputations=33, imputed_covariates=("age",), replicates=0))
    assert "every draw" not in once
    counts = replace(made.run_settings().outcomes[0], kind="count")
    text = imputed_text(made.run_settings(imputations=33, outcomes=(counts,)))
    assert "for counts their number and the one that the base model expects" in text
    assert "Nelson-Aalen" not in text
    assert "resampled first" not in imputed_text(made.run_settings(imputations=33, replicates=0))


def test_every_outcome_has_its_share_of_the_rows():
    one = tables()["imputation"].iloc[:1]
    many = pd.concat(
        [
            one.assign(outcome=name, feature=f"f{k}", p_value=k / 100)
            for name in ("death", "stay")
            for k in range(40)
        ],
        ignore_index=True,
    )
    markers = many[["outcome", "feature"]].assign(
        label=many["feature"], effect_measure="log odds ratio per 1 SD"
    )
    [(_, _, table)] = imputation_views(
        {"imputation": many, "markers": markers}, {"death": "Death", "stay": "Stay"}
    )
    names = [row[0] for row in table.rows]
    assert names == [f"{label}: f{k}" for label in ("Death", "Stay") for k in range(15)]
    assert table.note.startswith("The first 15 by p for each outcome, of 80 rows.")
