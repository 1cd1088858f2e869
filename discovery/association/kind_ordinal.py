"""Ordered classes: proportional odds regression."""

from __future__ import annotations

import numpy as np

from discovery.association.kind_binary import ordered_pairs
from discovery.association.kinds import OutcomeKind
from discovery.association.response import total_over
from discovery.problems import counted
from discovery.terms import PROPORTIONAL

NOT_PROPORTIONAL = "odds not proportional"
FLAGGED_Q = 0.05
SMALL_CLASS = 5


class Ordinal(OutcomeKind):
    name = "ordinal"
    effect = "log odds ratio of a higher class"
    model = "proportional odds regression"
    counted = "patients outside the commonest class"
    classes = True
    intercepts = 0
    gain_measure = "generalised C"
    chance = 0.5

    def effective_sizes(self, response, rows):
        """Patients outside the commonest class: of two the rarer, and never more than n - sum n_c^3/n^2.

        Harrell, Regression Modeling Strategies, 2nd ed., table 4.1, has the latter for ordered classes.
        """
        inside = [total_over(rows, (response.y == c).astype(float)) for c in np.unique(response.y)]
        return np.rint(total_over(rows) - np.max(inside, axis=0)).astype(int)

    def base_fault(self, design):
        from discovery.association.separation import told_by_base

        return told_by_base(design, ordered=True)

    def plan(self, response, base, columns, observed):
        from discovery.kernels.ordinal import OrdinalPlan

        return OrdinalPlan(response.y, base, columns, observed=observed)

    def full_fit(self, response, columns, firth):
        from discovery.association.full_fit import FullFit
        from discovery.kernels.ordinal import fit_ordinal

        fit = fit_ordinal(response.y, columns)
        return FullFit(fit.coef, fit.covariance, fit.loglik, np.inf, fit.converged)

    def null_model(self, design):
        from discovery.association.ordinal_null import null_ordinal

        return null_ordinal(design)

    def null_standard_errors(self, design, features):
        from discovery.association.ordinal_null import null_errors

        return null_errors(design, features)

    def more_rows(self, design, fit, rows, conf_level):
        """A row per feature that tests whether one odds ratio does for every cut between classes."""
        from discovery.association.multiplicity import benjamini_hochberg
        from discovery.association.proportional_odds import brant_tests

        if len(np.unique(design.y)) < 3:
            return []
        found = brant_tests(design, ~np.isnan(rows["estimate"]))
        blank = dict.fromkeys(("estimate", "ci_low", "ci_high", "p_familywise"), np.nan)
        more = {
            "term": PROPORTIONAL,
            "effect_measure": [f"Wald test of equal log odds ratios, {k} df" if k else "" for k in found.df],
            "p_value": found.p_value,
            "q_value": benjamini_hochberg(found.p_value),
            "method": "logistic regressions at each cut between classes (Brant); q by Benjamini-Hochberg",
            "note": list(found.reason),
        }
        return [rows | blank | more]

    def flags(self, table):
        mine = table[(table["term"] == PROPORTIONAL) & (table["q_value"] <= FLAGGED_Q)]
        return {feature: [NOT_PROPORTIONAL] for feature in mine["feature"]}

    def remarks(self, design, fit, assessed):
        return small_classes(design)

    def judge(self, design, horizon):
        return ordered_pairs(design.y)


def small_classes(design) -> list[list[str]]:
    """For each feature a remark on classes with fewer than 5 patients, where there are such."""
    classes = range(max(int(design.y.max(initial=0)) + 1, len(design.categories)))
    counts = np.array([total_over(design.observed, (design.y == c).astype(float)) for c in classes])
    remarks: list[list[str]] = [[] for _ in design.feature_names]
    for j in np.flatnonzero((counts < SMALL_CLASS).any(axis=0)):
        few = [
            f"{class_name(design, c)} ({counted(round(counts[c, j]))})"
            for c in classes
            if counts[c, j] < SMALL_CLASS
        ]
        remarks[j].append(f"classes with fewer than {SMALL_CLASS} patients: {', '.join(few)}")
    return remarks


def class_name(design, code: int) -> str:
    return str(design.categories[code]) if code < len(design.categories) else f"class {code}"


KIND = Ordinal()
