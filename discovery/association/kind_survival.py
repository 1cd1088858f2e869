"""Time to an event: Cox regression."""

from __future__ import annotations

import numpy as np

from discovery.association.kinds import OutcomeKind
from discovery.association.response import total_over


class Survival(OutcomeKind):
    name = "survival"
    effect = "log hazard ratio"
    model = "Cox regression (Efron ties)"
    counted = "events"
    penalty_below = 5.0
    timed = True
    intercepts = 0
    gain_measure = "C"
    chance = 0.5

    def effective_sizes(self, response, rows):
        return np.rint(total_over(rows, response.event)).astype(int)

    def events(self, design, observed):
        return total_over(observed, design.event)

    def plan(self, response, base, columns, observed):
        from discovery.kernels.cox import CoxPlan

        return CoxPlan(
            response.time,
            response.event,
            base,
            columns,
            entry=response.entry,
            stratum=response.stratum,
            observed=observed,
        )

    def full_fit(self, response, columns, firth):
        from discovery.association.full_fit import FullFit
        from discovery.kernels.cox import fit_cox

        fit = fit_cox(
            response.time,
            response.event,
            columns,
            entry=response.entry,
            stratum=response.stratum,
            firth=firth,
        )
        return FullFit(fit.coef, fit.covariance, fit.loglik, np.inf, fit.converged)

    def null_model(self, design):
        from discovery.association.null_model import null_cox

        return null_cox(design)

    def null_standard_errors(self, design, features):
        from discovery.kernels.score import score_cox

        found = score_cox(
            design.time, design.event, design.base, features,
            entry=design.entry, stratum=design.stratum, observed=design.observed,
        )  # fmt: skip
        return standard_errors(found)

    def judge(self, design, horizon):
        from discovery.kernels.concordance import survival_pairs

        code = np.where(design.event == 1, 1, np.where(design.status > 0, 2, 0))
        pairs = survival_pairs(design.time, code, entry=design.entry, stratum=design.stratum, horizon=horizon)
        return PairJudge(pairs)


def standard_errors(found) -> np.ndarray:
    """1 / sqrt(variance of the score); NaN where the base model could not be fitted."""
    return 1.0 / np.sqrt(np.where((found.code == 0) & (found.variance > 0), found.variance, np.nan))


class PairJudge:
    """Share of comparable pairs in the right order."""

    def __init__(self, pairs):
        from discovery.kernels.concordance import listed

        self.pairs = listed(pairs)

    def __call__(self, scores, evaluate, recentre):
        from discovery.kernels.concordance import pair_discrimination

        return pair_discrimination(self.pairs, scores, evaluate).value


KIND = Survival()
