"""A study: the study file and its tables, checked together and joined by patient."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from discovery.problems import Problem
from discovery.study.limits import Limits
from discovery.study.outcome import Outcome
from discovery.study.settings import StudyFile


@dataclass(frozen=True, eq=False)
class Study:
    """Everything an analysis starts from; all tables share one index of patient ids, in the order of these.

    `patients` has every column of the patient table, typed; `covariates` the base model (float or
    categorical); `features` float64 with NaN missing, as measured; `limits` holds what is known of values
    beyond a limit of the device (NaN in `features`), if there are any. `excluded_features` lists
    feature, reason, outcome (empty: for all); `flat_features` has those in which every patient has the same
    value, which can be applied, though not tested. `attrition` lists step, n, n_left_out, reason. `lines`
    has each patient's line in the file of the patient table.
    """

    settings: StudyFile
    folder: Path
    patients: pd.DataFrame
    covariates: pd.DataFrame
    site: pd.Series | None
    etiology: pd.Series | None
    features: pd.DataFrame
    labels: dict[str, str]
    units: dict[str, str]
    families: dict[str, str]
    outcomes: tuple[Outcome, ...]
    excluded_features: pd.DataFrame
    attrition: pd.DataFrame
    warnings: tuple[Problem, ...]
    input_hashes: dict[str, str]
    limits: Limits | None = None
    flat_features: pd.DataFrame | None = None
    lines: pd.Series | None = None

    def features_and_flat(self) -> pd.DataFrame:
        """The features, and those in which every patient has the same value: for a model made elsewhere."""
        return self.features if self.flat_features is None else self.features.join(self.flat_features)

    def features_for(self, outcome: Outcome) -> pd.DataFrame:
        """The features that may be tested against an outcome: without those it is defined from."""
        return self.features.drop(columns=list(outcome.excluded_features), errors="ignore")

    def in_id_order(self) -> Study:
        """The same study with the patients in the order of their ids: the rows of a file may come in any."""
        order = np.argsort(self.patients.index.to_numpy().astype(str), kind="stable")
        names = ("patients", "covariates", "site", "etiology", "features", "flat_features", "lines")
        known = {name: getattr(self, name) for name in names if getattr(self, name) is not None}
        tables = {name: table.iloc[order] for name, table in known.items()}
        limits = self.limits
        if limits is not None:
            limits = Limits(below=limits.below.iloc[order], above=limits.above.iloc[order])
        outcomes = tuple(outcome.in_order(order) for outcome in self.outcomes)
        return replace(self, **tables, limits=limits, outcomes=outcomes)
