"""Yes or no: logistic regression."""

from __future__ import annotations

import numpy as np

from discovery.association.kind_survival import PairJudge, standard_errors
from discovery.association.kinds import OutcomeKind
from discovery.association.response import total_over


class Binary(OutcomeKind):
    name = "binary"
    effect = "log odds ratio"
    model = "logistic regression"
    counted = "patients in the rarer class"
    penalty_below = 20.0
    classes = True
    gain_measure = "AUC"
    chance = 0.5

    def effective_sizes(self, response, rows):
        return rarest_class(response.y, rows)

    def events(self, design, observed):
        return total_over(observed, design.y)

    def base_fault(self, design):
        from discovery.association.separation import told_by_base

        return told_by_base(design, ordered=False)

    def plan(self, response, base, columns, observed):
        from discovery.kernels.logistic import LogisticPlan

        return LogisticPlan(response.y, base, columns, observed=observed)

    def remarks(self, design, fits, assessed):
        from discovery.association.separation import separation_words

        return separation_words(design, fits, assessed)

    def full_fit(self, response, columns, firth):
        from discovery.association.full_fit import FullFit
        from discovery.kernels.logistic import fit_logistic

        odds = fit_logistic(response.y, columns, firth=firth)
        return FullFit(odds.coef[1:], odds.covariance[1:, 1:], odds.loglik, np.inf, odds.converged)

    def null_model(self, design):
        from discovery.association.null_model import null_logistic

        return null_logistic(design)

    def null_standard_errors(self, design, features):
        from discovery.kernels.score import score_logistic

        return standard_errors(score_logistic(design.y, design.base, features, observed=design.observed))

    def judge(self, design, horizon):
        return ordered_pairs(design.y)


def rarest_class(y: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Patients in the rarest class among the rows (n, k) of each column; 0 where y has one class only."""
    classes, sizes = np.unique(y, return_counts=True)
    if len(classes) < 2:
        return np.zeros(rows.shape[1], dtype=int)
    if rows.all():
        return np.full(rows.shape[1], sizes.min())
    return np.rint(np.min([total_over(rows, (y == c).astype(float)) for c in classes], axis=0)).astype(int)


def ordered_pairs(y: np.ndarray) -> PairJudge:
    """The judge of classes in order, by the share of pairs of different classes in the right order."""
    from discovery.kernels.concordance import class_pairs

    return PairJudge(class_pairs(y))


KIND = Binary()
