"""A measured quantity: least squares."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from discovery.association.kinds import OutcomeKind
from discovery.terms import BASE_TELLS

EXACT = 1e-7  # of the largest distance from the mean


class Continuous(OutcomeKind):
    name = "continuous"
    effect = "standardised slope"
    model = "linear regression"
    limited = False
    gain_measure = "R2"
    freedman_lane = True

    def prepared(self, design):
        if design.y is None:
            return design
        mean, sd = self.level(design)
        return replace(design, y=(design.y - mean) / sd, unit=None if design.unit is None else (0.0, 1.0))

    def level(self, design):
        if design.unit is not None:
            return design.unit
        spread = design.y.std(ddof=1) if design.n > 1 else 0.0
        return float(design.y.mean()), float(spread) if spread > 0 else 1.0

    def base_fault(self, design):
        """Where nothing but rounding is left of the outcome, in more patients than coefficients."""
        columns = np.column_stack([np.ones(design.n), design.base])
        if design.n <= columns.shape[1] or not design.base.shape[1]:
            return ""
        own = design.y - design.y.mean()
        rest = own - columns @ np.linalg.lstsq(columns, own, rcond=None)[0]
        return BASE_TELLS if np.abs(rest).max() < EXACT * np.abs(own).max() else ""

    def plan(self, response, base, columns, observed):
        from discovery.kernels.linear import LinearPlan

        return LinearPlan(response.y, base, columns, observed=observed)

    def interval(self, plan, fit, *, firth, conf_level):
        return plan.interval(fit, conf_level=conf_level)

    def p_values(self, fit, base, observed):
        from scipy.special import stdtr

        from discovery.association.multiplicity import never_zero
        from discovery.association.null_model import missing_patterns
        from discovery.kernels.linear import residual_degrees

        freedom = np.full(len(fit.z), np.nan)
        for columns, rows in missing_patterns(observed):
            freedom[columns] = residual_degrees(np.ascontiguousarray(base[rows]))
        with np.errstate(invalid="ignore", divide="ignore"):
            t = np.abs(fit.coef[:, -1] / fit.se)
        usable = (fit.code == 0) & (freedom > 0)
        return np.where(usable, never_zero(2 * stdtr(np.where(usable, freedom, 1.0), -t)), np.nan)

    def p_of_statistic(self, statistic, df, n, freedom):
        from scipy import stats

        from discovery.association.multiplicity import never_zero

        return float(never_zero(stats.f.sf(np.expm1(statistic / n) * freedom / df, df, freedom)))

    def full_fit(self, response, columns, firth):
        from discovery.association.full_fit import FullFit
        from discovery.kernels.linear import fit_linear

        line = fit_linear(response.y, columns)
        return FullFit(line.coef[1:], line.covariance[1:, 1:], line.loglik, line.df, line.code in (0, 1, 4))

    def null_model(self, design):
        from discovery.association.null_model import null_linear

        return null_linear(design)

    def null_standard_errors(self, design, features):
        from discovery.kernels.score import score_linear

        found = score_linear(design.y, design.base, features, observed=design.observed)
        variance = np.where((found.code == 0) & (found.variance > 0), found.variance, np.nan)
        rows = design.observed.sum(axis=0)
        freedom = rows - 1 - design.base.shape[1]
        # the residual variance is that of the base model by its degrees of freedom
        variance = np.where(freedom > 0, variance * freedom / np.maximum(rows, 1), np.nan)
        return 1.0 / np.sqrt(variance)

    def start_base(self, design, weights, seen):
        coef = super().start_base(design, weights, seen)
        used = weights[:, None] * seen
        with np.errstate(invalid="ignore"):
            coef[:, 0] = design.y @ used / used.sum(axis=0)
        return coef

    def judge(self, design, horizon):
        return _Explained(design.y)

    def method_text(self, penalised):
        return "linear regression, t test, exact t interval"

    def effect_text(self, contrast):
        per = "outcome SD per 1 SD" if contrast == "per 1 SD" else f"outcome SD, {contrast}"
        return f"{self.effect} ({per})"


class _Explained:
    """R2 of predictions; with `recentre` after they were given the level of the patients judged."""

    def __init__(self, y):
        self.y = y

    def __call__(self, scores, evaluate, recentre):
        from discovery.kernels.concordance import explained_variance

        if not recentre:
            return explained_variance(self.y, scores, weights=evaluate).value
        gap = np.where(np.isnan(scores), 0.0, self.y[:, None] - scores)
        seen = ~np.isnan(scores)
        columns = []
        for w in evaluate.T:
            with np.errstate(invalid="ignore"):
                level = np.einsum("i,ij->j", w, gap) / np.einsum("i,ij->j", w, seen)
            columns.append(explained_variance(self.y, scores + level, weights=w).value)
        return np.stack(columns, axis=1)


KIND = Continuous()
