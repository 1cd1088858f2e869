"""Designs straight from arrays, for tests that need no tables."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from discovery.association.coding import BaseCoding, Term
from discovery.association.design import Design
from discovery.association.scaling import FeatureScaling


@pytest.fixture
def design_from_arrays():
    def make(kind, base, features, *, y=None, time=None, status=None, entry=None, stratum=None, sites=0):
        features = np.asarray(features, dtype=float)
        n, p = features.shape
        names = tuple(f"f{j}" for j in range(p))
        scale = pd.DataFrame(
            {"low": -np.inf, "high": np.inf, "mean": 0.0, "sd": 1.0, "n": n, "note": ""},
            index=pd.Index(names, name="feature"),
        )
        terms = tuple(
            Term(name=f"z{j}", covariate="site" if j < sites else f"z{j}") for j in range(base.shape[1])
        )
        observed = ~np.isnan(features)
        return Design(
            outcome="out",
            label="out",
            kind=kind,
            patient_id=np.arange(n).astype(str),
            base=np.asarray(base, dtype=float),
            terms=terms,
            features=np.where(observed, features, 0.0),
            observed=observed,
            feature_names=names,
            y=None if y is None else np.asarray(y, dtype=float),
            time=time,
            event=None if status is None else (np.asarray(status) == 1).astype(float),
            status=status,
            entry=entry,
            stratum=stratum,
            scaling=FeatureScaling(table=scale),
            coding=BaseCoding(terms=terms),
            n_study=n,
            left_out=pd.DataFrame(columns=["reason", "n"]),
            excluded=pd.DataFrame(columns=["feature", "reason"]),
        )

    return make
