"""Gaps that counts of complete cases would tell: how many lack a covariate or a feature, by subtraction."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from discovery.association.design import design_of
from discovery.cohort.incomplete_covariates import wide_design
from discovery.cohort.masked_counts import small
from discovery.problems import InputError
from discovery.study import Outcome, Study


@dataclass(frozen=True, kw_only=True)
class Gaps:
    """Whose counts would tell a small number.

    whole : outcome -> numbers that no gap of a covariate or feature made smaller: of all patients, of those
    with the outcome; outcomes : where all other counts are hidden; features : (outcome, feature) where
    they are; shares : (outcome, feature) whose share of missing values is itself of a small number, or leaves
    one who have a value.
    """

    whole: Mapping[str, frozenset[int]]
    outcomes: frozenset[str]
    features: frozenset[tuple[str, str]]
    shares: frozenset[tuple[str, str]]

    def told_by(self, outcome: str, n: float) -> bool:
        """Whether `n` patients of an outcome, whatever the feature, would tell a gap of covariates."""
        return outcome in self.outcomes and n not in self.whole[outcome]

    def concerned(self, table: pd.DataFrame) -> np.ndarray:
        """(rows,) bool: rows of an outcome, or of one of its features, that other counts are hidden of."""
        features = table["feature"] if "feature" in table else [""] * len(table)
        told = [key[0] in self.outcomes or key in self.features for key in zip(table["outcome"], features)]
        return np.array(told, dtype=bool)

    def hidden(self, table: pd.DataFrame) -> np.ndarray:
        """(rows,) bool: a row of a table by outcome whose counts would tell a gap."""
        if not {"outcome", "n"} <= set(table.columns):
            return np.zeros(len(table), dtype=bool)
        kept = [
            not pd.isna(n) and n in self.whole.get(outcome, ())
            for outcome, n in zip(table["outcome"], table["n"])
        ]
        return self.concerned(table) & ~np.array(kept, dtype=bool)

    def of_few(self, table: pd.DataFrame) -> np.ndarray:
        """(rows,) bool: rows whose share of missing values is that of a small number, or of all but one."""
        return np.array([key in self.shares for key in zip(table["outcome"], table["feature"])], dtype=bool)


def find_gaps(study: Study, outcomes: Iterable[str], limit: int) -> Gaps:
    """The gaps of a study that are not to be told, each held against the numbers printed elsewhere.

    Of every variable the number of missing values is printed, unless it is small; of every model the number
    of patients. A small number is told by their difference where few lack only the one, only the other, or
    both.
    """
    everybody = study.patients.index
    covariates = study.covariates.reindex(everybody).isna()
    features = study.features.reindex(everybody).isna()
    whole, told, by_feature, shares = {}, set(), set(), set()
    by_name = {outcome.name: outcome for outcome in study.outcomes}
    for name in outcomes:
        try:
            complete, known = (everybody.isin(ids) for ids in analysed_patients(study, by_name[name]))
        except InputError:  # a second cohort in which nobody has all covariates
            whole[name] = frozenset({len(everybody)})
            told.add(name)
            continue
        whole[name] = frozenset({len(everybody), int(known.sum())})
        lacking = np.column_stack([covariates.to_numpy(), ~known])
        if tells(lacking, limit):
            told.add(name)
        for feature in features.columns:
            gone = features[feature].to_numpy()
            if any(tells(np.column_stack([gone, ~base]), limit) for base in (complete, known)):
                by_feature.add((name, feature))
            parts = (gone & known, gone & ~known, ~gone & known, ~gone & complete)
            if any(small(part.sum(), limit) for part in parts):
                shares.add((name, feature))
    return Gaps(
        whole=whole, outcomes=frozenset(told), features=frozenset(by_feature), shares=frozenset(shares)
    )


def analysed_patients(study: Study, outcome: Outcome) -> tuple[np.ndarray, np.ndarray]:
    """Ids of the patients with the outcome and all covariates, and of those with the outcome."""
    narrow = design_of(study, outcome)
    wide = wide_design(outcome, study.covariates, study.features, narrow, site=study.site)
    return narrow.patient_id, (narrow if wide is None else wide.design).patient_id


def tells(lacking: np.ndarray, limit: int) -> bool:
    """Whether the number of patients who lack nothing, beside those who lack each, tells a small number.

    lacking : (n, k) bool, patients by what they may lack
    """
    each, some = lacking.sum(axis=0), int(lacking.any(axis=1).sum())
    counts = [*each, some, *(some - each), each.sum() - some]
    return any(small(count, limit) for count in counts)
