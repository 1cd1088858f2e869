"""Curves of a leading feature: of the patients who have it, whatever was imputed for the others."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from sklearn.metrics import roc_auc_score

from discovery.association.design import build_design
from discovery.pipeline.leading import leading_tables
from discovery.study import Outcome


def test_roc_curves_of_a_feature_with_gaps_are_of_models_of_its_own_patients():
    rng = np.random.default_rng(12)
    n = 300
    index = pd.Index([f"p{i:03d}" for i in range(n)], name="patient_id")
    age, x = rng.normal(60, 10, n), rng.normal(size=n)
    y = (0.05 * (age - 60) + x + rng.logistic(size=n) > 0).astype(float)
    seen = rng.random(n) > 0.3
    outcome = Outcome(name="out", label="out", kind="binary", patient_id=index.to_numpy(), value=y)
    covariates = pd.DataFrame({"age": age}, index=index)
    features = pd.DataFrame({"x": np.where(seen, x, np.nan)}, index=index)
    design = build_design(outcome, covariates, features, winsor=False)
    notes: list[str] = []
    curves = leading_tables({"out": ["x"]}, [design], {"x": "Marker"}, notes)["roc"]
    assert not notes
    found = curves.drop_duplicates("marker").set_index("marker")["auc"]
    assert list(found.index) == ["Marker by itself", "base model", "base model with Marker"]
    for name, columns in (("base model", [age]), ("base model with Marker", [age, x])):
        given = sm.add_constant(np.column_stack(columns)[seen])
        expected = roc_auc_score(y[seen], sm.Logit(y[seen], given).fit(disp=0).predict(given))
        assert found[name] == pytest.approx(expected, abs=1e-9)
    assert found["Marker by itself"] == pytest.approx(roc_auc_score(y[seen], x[seen]), abs=1e-9)


def test_too_few_with_all_covariates_have_no_curve_and_a_reason():
    """A feature may lead by an imputed model though hardly anybody has every covariate."""
    index = pd.Index([f"p{i:02d}" for i in range(12)], name="patient_id")
    outcome = Outcome(
        name="out", label="out", kind="binary", patient_id=index.to_numpy(), value=np.eye(12)[0]
    )
    features = pd.DataFrame({"x": np.arange(12.0)}, index=index)
    design = build_design(outcome, pd.DataFrame(index=index), features, winsor=False)
    notes: list[str] = []
    assert leading_tables({"out": ["x"]}, [design], {}, notes)["roc"].empty
    assert notes == [
        "out: no ROC curve of x: fewer than 10 patients in the rarer class among those with all values"
    ]
