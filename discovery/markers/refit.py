"""All models of one outcome, prepared once and refitted again and again with other weights."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from discovery.association.design import Design
from discovery.association.outcome_models import SCREENED_KINDS, standardised_outcome
from discovery.problems import InputError, Problem

GAIN_MEASURES = {"survival": "C", "binary": "AUC", "continuous": "R2"}
WOLBERS = "Wolbers' C"


def gain_measure_name(design: Design) -> str:
    """What the gain of this outcome is counted in.

    With competing events the pairs are those of Wolbers et al., Epidemiology 2009;20:555-561: a patient
    who had one stays comparable to the end of follow-up.
    """
    return WOLBERS if len(design.causes) > 1 else GAIN_MEASURES[design.kind]


@dataclass(frozen=True, kw_only=True)
class Refit:
    """One refit of p models. z, estimate (p,); gain, base (p, v), one column per evaluation weight vector.

    base : the measure (C, AUC, R2) of the base model alone, on the patients who have the feature.
    NaN where the model, or the base model on the same patients, could not be fitted.
    """

    z: np.ndarray
    estimate: np.ndarray
    gain: np.ndarray
    base: np.ndarray


class OutcomeRefit:
    """The base model and base + one feature, for every feature, of a survival, binary or continuous outcome.

    Parameters
    ----------
    design : Design
    firth : bool array (p,)
        Which features are fitted with Firth's penalty (`Screen.firth`).
    horizon : float, optional
        For survival: only events up to here lead the pairs of C.

    Notes
    -----
    A feature with missing values has its own rows in both its models (complete cases for that feature),
    and the base model is fitted on the same rows. A plain fit that runs away is done again with
    the penalty, a penalised one that does not end without it.
    """

    def __init__(self, design: Design, firth, *, horizon: float | None = None):
        if design.kind not in SCREENED_KINDS:
            raise InputError(
                [
                    Problem(
                        file=f"outcome {design.outcome}",
                        found=design.kind,
                        wanted=f"one of {', '.join(SCREENED_KINDS)} for resampled ranks and gains",
                    )
                ]
            )
        self.design = design = _richest_covariate_last(standardised_outcome(design))
        self.measure = GAIN_MEASURES[design.kind]
        self.features = np.where(design.observed, design.features, np.nan)
        self.firth = np.asarray(firth, dtype=bool)
        n = design.n
        intercept = np.ones((n, 0 if design.kind == "survival" else 1))
        self._columns = np.column_stack([intercept, design.base])
        self._parts = [
            (np.flatnonzero(self.firth == flag), flag) for flag in (False, True) if (self.firth == flag).any()
        ]
        self._plans = [self._plan(design.base, columns) for columns, _ in self._parts]
        # features seen in the same patients, and fitted alike, share one base model
        keyed = np.vstack([design.observed, self.firth])
        patterns, group = np.unique(keyed, axis=1, return_inverse=True)
        self._group = np.asarray(group).ravel()
        self._seen, self._base_firth = np.ascontiguousarray(patterns[:-1]), patterns[-1]
        q = design.base.shape[1]
        self._base_plans = {
            flag: self._base_plan(q - 1, np.flatnonzero(self._base_firth == flag))
            for flag in (False, True)
            if q and (self._base_firth == flag).any()
        }
        self._pairs = self._comparable_pairs(horizon)

    def __call__(self, weights, evaluate=None, *, recentre: bool = False) -> Refit:
        """Fit with `weights` (n,), and judge the gains by each column of `evaluate` (n, v).

        `recentre` lets the patients judged have their own level before R2 is taken, as a new site would;
        ranks (C, AUC) do not depend on a level.
        """
        from discovery.kernels.concordance import linear_scores

        weights = np.asarray(weights, dtype=float)
        evaluate = weights[:, None] if evaluate is None else np.asarray(evaluate, dtype=float)
        p = self.features.shape[1]
        z, coef = np.full(p, np.nan), np.full((p, self._columns.shape[1] + 1), np.nan)
        for (columns, firth), plan in zip(self._parts, self._plans):
            part = partial(self._plan, self.design.base)
            _, z[columns], coef[columns] = self._screen(plan, weights, firth, columns, part)
        scores = linear_scores(self._columns, self.features, coef)
        value = self._judge(np.column_stack([self._base_scores(weights), scores]), evaluate, recentre)
        groups = self._seen.shape[1]
        base = value[:groups][self._group]
        return Refit(z=z, estimate=coef[:, -1], gain=value[groups:] - base, base=base)

    def _plan(self, base, columns, features=None, observed=None):
        design = self.design
        x = design.features[:, columns] if features is None else features
        seen = design.observed[:, columns] if observed is None else observed
        if design.kind == "survival":
            from discovery.kernels.cox import CoxPlan

            return CoxPlan(
                design.time, design.event, base, x, entry=design.entry, stratum=design.stratum, observed=seen
            )
        if design.kind == "binary":
            from discovery.kernels.logistic import LogisticPlan

            return LogisticPlan(design.y, base, x, observed=seen)
        from discovery.kernels.linear import LinearPlan

        return LinearPlan(design.y, base, x, observed=seen)

    def _screen(self, plan, weights, firth, columns, part):
        """(code, z, coef) of `columns`; those whose fit ran away or did not end are fitted the other way.

        `part` makes the plan of some of the columns.
        """
        from discovery.kernels.screen_fit import NOT_CONVERGED, OK, SEPARATED

        if self.design.kind == "continuous":
            fit = plan.screen(weights)
            return fit.code, fit.z, fit.coef
        fit = plan.screen(weights, firth=firth)
        again = np.flatnonzero((fit.code == SEPARATED) | (fit.code == NOT_CONVERGED))
        if again.size:
            other = part(columns[again]).screen(weights, firth=not firth)
            good = other.code == OK
            for whole, better in zip((fit.code, fit.z, fit.coef), (other.code, other.z, other.coef)):
                whole[again[good]] = better[good]
        return fit.code, fit.z, fit.coef

    def _base_scores(self, weights) -> np.ndarray:
        """Linear predictors (n, groups) of the base model on the rows of each group; NaN elsewhere."""
        coef = self._base_coefficients(weights)
        return np.where(self._seen, np.einsum("iq,kq->ik", self._columns, coef), np.nan)

    def _base_coefficients(self, weights) -> np.ndarray:
        """The base model is a screen of its own last column, given the others.

        On rows where that column has no information the one before it takes its place, and so on.
        """
        from discovery.kernels.screen_fit import COLLINEAR, CONSTANT

        base, groups = self.design.base, self._seen.shape[1]
        shift = self._columns.shape[1] - base.shape[1]
        coef = np.zeros((groups, self._columns.shape[1]))
        if self.design.kind == "continuous":
            seen = weights[:, None] * self._seen
            with np.errstate(invalid="ignore"):
                coef[:, 0] = self.design.y @ seen / seen.sum(axis=0)
        todo = np.arange(groups)
        for last in range(base.shape[1] - 1, -1, -1):
            if not todo.size:
                break
            code = np.full(todo.size, CONSTANT)
            found = np.full((todo.size, shift + last + 1), np.nan)
            part = partial(self._base_plan, last)
            for firth in (False, True):
                which = np.flatnonzero(self._base_firth[todo] == firth)
                if which.size:
                    first = last == base.shape[1] - 1
                    plan = self._base_plans[firth] if first else part(todo[which])
                    code[which], _, found[which] = self._screen(plan, weights, firth, todo[which], part)
            idle = (code == CONSTANT) | (code == COLLINEAR)
            coef[todo[~idle]] = 0.0
            coef[todo[~idle], : shift + last + 1] = found[~idle]
            todo = todo[idle]
        return coef

    def _base_plan(self, last, groups):
        """The screen of base column `last` given those before it, once for each group of patients."""
        column = np.repeat(self.design.base[:, [last]], groups.size, axis=1)
        return self._plan(self.design.base[:, :last], None, column, self._seen[:, groups])

    def _comparable_pairs(self, horizon):
        from discovery.kernels.concordance import class_pairs, survival_pairs

        design = self.design
        if design.kind == "survival":
            assert design.status is not None
            code = np.where(design.event == 1, 1, np.where(design.status > 0, 2, 0))
            return survival_pairs(
                design.time, code, entry=design.entry, stratum=design.stratum, horizon=horizon
            )
        return class_pairs(design.y) if design.kind == "binary" else None

    def _judge(self, scores, evaluate, recentre) -> np.ndarray:
        from discovery.kernels.concordance import explained_variance, pair_discrimination

        if self._pairs is not None:
            return pair_discrimination(self._pairs, scores, evaluate).value
        assert self.design.y is not None
        if not recentre:
            return explained_variance(self.design.y, scores, weights=evaluate).value
        gap = np.where(np.isnan(scores), 0.0, self.design.y[:, None] - scores)
        seen = ~np.isnan(scores)
        columns = []
        for w in evaluate.T:
            with np.errstate(invalid="ignore"):
                level = np.einsum("i,ij->j", w, gap) / np.einsum("i,ij->j", w, seen)
            columns.append(explained_variance(self.design.y, scores + level, weights=w).value)
        return np.stack(columns, axis=1)


def _richest_covariate_last(design: Design) -> Design:
    """Base columns by their number of values: a rare finding may run away in a draw, the last one may not."""
    values = [np.unique(column).size for column in design.base.T]
    order = np.argsort(values, kind="stable")
    terms = tuple(design.terms[k] for k in order)
    return replace(design, base=np.ascontiguousarray(design.base[:, order]), terms=terms)


def prepare_refit(design: Design, firth, which, *, horizon: float | None = None) -> OutcomeRefit:
    """`OutcomeRefit` of the features `which` (indices) of a design."""
    which = np.asarray(which)
    return OutcomeRefit(design.take_features(which), np.asarray(firth)[which], horizon=horizon)
