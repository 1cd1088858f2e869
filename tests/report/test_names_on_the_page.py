"""Names that a reader meets: leads of families by their labels, long names that break where they may."""

from __future__ import annotations

import pandas as pd

from discovery.report.family_names import named_families
from discovery.report.identification_view import identification_views


def test_verdicts_rules_and_flags_call_the_lead_by_its_label():
    markers = pd.DataFrame(
        {
            "outcome": "death",
            "feature": ["rv_sp", "rv_sp_end"],
            "label": ["RV systolic pressure", "RV end pressure"],
            "family": "rv_sp",
            "family_lead": ["rv_sp", "rv_sp"],
            "redundancy_group": 1,
            "rank": [1.0, 2.0],
            "verdict": ["candidate", "candidate, redundant with rv_sp"],
            "verdict_rule": ["q <= 0.05", "q <= 0.05; adds nothing given rv_sp (p > 0.05)"],
            "flags": ["", "sign turns given rv_sp"],
        }
    )
    found = named_families(markers).iloc[1]
    assert found["verdict"] == "candidate, redundant with RV systolic pressure"
    assert found["verdict_rule"].endswith("adds nothing given RV systolic pressure (p > 0.05)")
    assert found["flags"] == "sign turns given RV systolic pressure"
    assert found["family"] == found["family_lead"] == "RV systolic pressure"
    assert markers["verdict"].iloc[1].endswith("rv_sp")  # the caller's table is as it was


def test_names_of_etiologies_may_break_after_an_underscore():
    names = ["chronic_lung_disease", "none"]
    cells = [(a, b, 3) for a in names for b in names]
    tables = {
        "etiology_words": pd.DataFrame({"sentence": ["told apart"], "left_out": [""]}),
        "etiology_classes": pd.DataFrame(
            [{"etiology": name, "n": 6} for name in names],
            columns=["etiology", "n", "auc", "auc_low", "auc_high", "auc_covariates", "auc_site_left_out",
                     "sensitivity", "precision"],
        ),
        "etiology_model": pd.DataFrame({"calibration_slope": [1.0]}),
        "etiology_confusion": pd.DataFrame(cells, columns=["etiology", "said", "n"]),
    }  # fmt: skip
    confusion = identification_views(tables)[1][2]
    assert confusion.heads == ("Etiology", "chronic_\u200blung_\u200bdisease", "none")
    assert [row[0] for row in confusion.rows] == ["chronic_\u200blung_\u200bdisease", "none"]
