"""Episodes that come again: Andersen and Gill's rate model, everything robust by patient.

Andersen & Gill, Ann Stat 1982;10:1100-1120. The likelihood ratio takes a patient's episodes as independent;
the test adds up scores by patient instead (Lin, Wei, Yang & Ying, J R Stat Soc B 2000;62:711-730) and takes
the tail of their sum from all signs that they could have (`kernels.cox_robust`). The interval has every value
that this test would not reject. A terminal event ends the observation: the rate is that among patients still
alive.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from discovery.association.kinds import OutcomeKind, one_of_many
from discovery.association.response import total_over

MOST_ROBUST = 10.0  # standard errors of the model


class Recurrent(OutcomeKind):
    name = "recurrent"
    effect = "log rate ratio"
    model = "Andersen-Gill regression of the rate of episodes (Efron ties)"
    counted = "patients with an episode"
    intercepts = 0
    gain_measure = "C"
    chance = 0.5
    by_patient = True

    @property
    def stratified(self):
        return True

    def effective_sizes(self, response, rows):
        return np.rint(total_over(rows, (response.y > 0).astype(float))).astype(int)

    def events(self, design, observed):
        return total_over(observed, design.y)

    def plan(self, response, base, columns, observed):
        return EpisodePlan(response, base, columns, observed)

    def interval(self, plan, fit, *, firth, conf_level):
        from discovery.kernels.robust_interval import robust_score_interval

        return robust_score_interval(plan.plan, plan.patient, fit, conf_level=conf_level)

    def full_fit(self, response, columns, firth):
        """The covariance is robust by patient; the likelihood takes episodes as independent."""
        from discovery.association.full_fit import FullFit
        from discovery.kernels.cox_sandwich import fit_cox_by_patient

        e = response.episodes
        fit, robust = fit_cox_by_patient(
            e.stop, e.event, columns[e.patient], e.patient, entry=e.start,
            stratum=None if response.stratum is None else response.stratum[e.patient],
        )  # fmt: skip
        return FullFit(fit.coef, robust, fit.loglik, np.inf, fit.converged)

    def refit(self, plan, weights):
        return plan.fit(weights)

    def errors_at_estimate(self, plan, fit):
        """Of the sandwich: the variance of the score test is that without an effect, too large with one.

        NaN where it is more than MOST_ROBUST times that of the model: without one patient, who alone has
        the feature's other value, there would be no estimate.
        """
        from discovery.kernels.cox_sandwich import sandwich_errors

        robust, model = sandwich_errors(plan.plan, plan.patient, fit)
        with np.errstate(invalid="ignore"):
            return np.where(robust <= MOST_ROBUST * model, robust, np.nan)

    def null_model(self, design):
        from discovery.association.null_model import NullModel, centred_in_strata, null_cox

        e = design.episodes
        rows = replace(
            design, time=e.stop, event=e.event, entry=e.start, base=design.base[e.patient],
            features=design.features[e.patient], observed=design.observed[e.patient],
            patient_id=design.patient_id[e.patient],
            stratum=None if design.stratum is None else design.stratum[e.patient],
        )  # fmt: skip
        null = null_cox(rows)
        first = np.unique(e.patient, return_index=True)[1]
        clean = np.where(design.observed, centred_in_strata(null.clean[first], design.stratum), 0.0)
        residual = np.bincount(e.patient, null.residual, minlength=design.n)
        return NullModel(
            residual=residual, clean=clean, coef=null.coef, predictor=null.predictor[first],
        )  # fmt: skip

    def patient_scores(self, design):
        """(n, p) contributions of the patients to each feature's score, 0 where it is missing, as they are
        and freed of what the base model follows."""
        from discovery.kernels.cox_robust import patient_scores

        plan = EpisodePlan(design.response, design.base, design.features, design.observed)
        return patient_scores(plan.plan, plan.patient)[:2]

    def null_standard_errors(self, design, features):
        from discovery.kernels.cox_robust import patient_scores

        plan = EpisodePlan(design.response, design.base, features, design.observed)
        u = patient_scores(plan.plan, plan.patient)[1]
        error = np.sqrt((u**2).sum(axis=0))
        return np.where(error > 0, error, np.nan)

    def judge(self, design, horizon):
        return EpisodeJudge(design)

    def method_text(self, penalised):
        return f"{self.model}, score test robust by patient and its interval, terminal event as censoring"


class EpisodePlan:
    """The rows of a recurrent outcome ready to be fitted; weights are those of patients."""

    def __init__(self, response, base, columns, observed):
        from discovery.kernels.cox import CoxPlan

        e = response.episodes
        n = len(e.end)
        base = np.empty((n, 0)) if base is None else base
        self.patient, self.n = e.patient, n
        self.observed = np.ones(columns.shape, dtype=bool) if observed is None else observed
        stratum = None if response.stratum is None else response.stratum[e.patient]
        # each patient's time in one piece: at risk once, not once an episode
        self.plan = CoxPlan(
            e.stop, e.event, base[e.patient], columns[e.patient], entry=e.begin[e.patient], stratum=stratum,
            observed=self.observed[e.patient], at_risk=e.stop == e.end[e.patient],
        )  # fmt: skip

    def fit(self, weights=None):
        """The models by themselves, without a test."""
        rows = None if weights is None else np.asarray(weights, dtype=float)[self.patient]
        return self.plan.screen(rows, draw=one_of_many(rows))

    def screen(self, weights=None):
        """z is of the robust score test, and se the standard error that goes with it, estimate / z (the
        sandwich at the estimate is too small in small cohorts); NaN when weights are given."""
        from discovery.kernels.cox_robust import robust_score_z

        fit = self.fit(weights)
        fine = fit.code == 0
        z = np.where(fine, robust_score_z(self.plan, self.patient, weights), np.nan)
        # the sign is that of the estimate, from which the score differs only where both are about 0
        z = np.copysign(z, fit.coef[:, -1])
        with np.errstate(divide="ignore", invalid="ignore"):
            se = fit.coef[:, -1] / z if weights is None else np.full(len(z), np.nan)
        w = np.ones(self.n) if weights is None else np.asarray(weights, dtype=float)
        n = ((w > 0) @ self.observed).astype(np.int64)
        return fit._replace(z=z, se=se, n=n)


class EpisodeJudge:
    """Share of pairs (a patient at an episode, another under observation then) ordered as the scores are."""

    def __init__(self, design):
        from discovery.kernels.concordance import listed, survival_pairs

        e = design.episodes
        pairs = survival_pairs(
            e.stop, e.event, entry=e.start, patient=e.patient,
            stratum=None if design.stratum is None else design.stratum[e.patient],
        )  # fmt: skip
        self.pairs = listed(pairs)

    def __call__(self, scores, evaluate, recentre):
        from discovery.kernels.concordance import pair_discrimination

        return pair_discrimination(self.pairs, scores, evaluate).value


KIND = Recurrent()
