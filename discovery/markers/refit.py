"""All models of one outcome, prepared once and refitted again and again with other weights."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from discovery.association.design import Design
from discovery.association.kinds import kind_of
from discovery.association.outcome_models import standardised_outcome

WOLBERS = "Wolbers' C"


def gain_measure_name(design: Design) -> str:
    """What the gain of this outcome is counted in.

    With competing events the pairs are those of Wolbers et al., Epidemiology 2009;20:555-561: a patient
    who had one stays comparable to the end of follow-up.
    """
    return WOLBERS if len(design.causes) > 1 else kind_of(design.kind).gain_measure


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
    """The base model and base + one feature, for every feature, of an outcome.

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
        self.kind = kind_of(design.kind)
        self.design = design = _richest_covariate_last(standardised_outcome(design))
        self.measure = self.kind.gain_measure
        self.features = np.where(design.observed, design.features, np.nan)
        self.firth = np.asarray(firth, dtype=bool)
        self._parts = [
            (np.flatnonzero(self.firth == flag), flag) for flag in (False, True) if (self.firth == flag).any()
        ]
        # features seen in the same patients, and fitted alike, share one base model
        keyed = np.vstack([design.observed, self.firth])
        patterns, group = np.unique(keyed, axis=1, return_inverse=True)
        self._group = np.asarray(group).ravel()
        self._seen, self._base_firth = np.ascontiguousarray(patterns[:-1]), patterns[-1]
        self._prepare()
        self._judge = self.kind.judge(design, horizon)

    def _prepare(self) -> None:
        """Everything that is made from the base columns of the design."""
        base = self.design.base
        self._columns = np.column_stack([np.ones((self.design.n, self.kind.intercepts)), base])
        self._plans = [self._plan(base, columns) for columns, _ in self._parts]
        q = base.shape[1]
        self._base_plans = {
            flag: self._base_plan(q - 1, np.flatnonzero(self._base_firth == flag))
            for flag in (False, True)
            if q and (self._base_firth == flag).any()
        }

    def __call__(self, weights, evaluate=None, *, recentre: bool = False) -> Refit:
        """Fit with `weights` (n,), and judge the gains by each column of `evaluate` (n, v).

        `recentre` lets the patients judged have their own level before R2 is taken, as a new site would;
        ranks (C, AUC) do not depend on a level.
        """
        weights = np.asarray(weights, dtype=float)
        evaluate = weights[:, None] if evaluate is None else np.asarray(evaluate, dtype=float)
        p = self.features.shape[1]
        z = np.full(p, np.nan)
        coef = self.kind.blank(self.design.response, p, self.design.base.shape[1])
        for (columns, firth), plan in zip(self._parts, self._plans):
            part = partial(self._plan, self.design.base)
            _, z[columns], coef[columns] = self._screen(plan, weights, firth, columns, part)
        scores = self.kind.scores(self._columns, self.features, coef)
        scores = self.kind.known_range(np.hstack([self._base_scores(weights), scores]), weights)
        value = self._judge(scores, evaluate, recentre)
        groups = self._seen.shape[1]
        base = value[:groups][self._group]
        return Refit(z=z, estimate=self.kind.one_estimate(coef), gain=value[groups:] - base, base=base)

    def _plan(self, base, columns, features=None, observed=None):
        design = self.design
        x = design.features[:, columns] if features is None else features
        seen = design.observed[:, columns] if observed is None else observed
        return self.kind.plan(design.response, base, x, seen)

    def _screen(self, plan, weights, firth, columns, part):
        """(code, z, coef) of `columns`; those whose fit ran away or did not end are fitted the other way.

        `part` makes the plan of some of the columns.
        """
        from discovery.kernels.screen_fit import NOT_CONVERGED, OK, SEPARATED

        fit = self.kind.screen(plan, weights, firth=firth)
        coef = self.kind.coefficients(fit)
        if not self.kind.penalised:
            return fit.code, fit.z, coef
        again = np.flatnonzero((fit.code == SEPARATED) | (fit.code == NOT_CONVERGED))
        if again.size:
            other = self.kind.screen(part(columns[again]), weights, firth=not firth)
            good = other.code == OK
            for whole, better in zip((fit.code, fit.z, coef), (other.code, other.z, other.coef)):
                whole[again[good]] = better[good]
        return fit.code, fit.z, coef

    def _base_scores(self, weights) -> np.ndarray:
        """Linear predictors (n, groups) of the base model on the rows of each group; NaN elsewhere."""
        coef = self._base_coefficients(weights)
        return self.kind.base_scores(self._columns, coef, self._seen)

    def _base_coefficients(self, weights) -> np.ndarray:
        """The base model is a screen of its own last column, given the others.

        On rows where that column has no information the one before it takes its place, and so on.
        """
        from discovery.kernels.screen_fit import COLLINEAR, CONSTANT

        base, groups = self.design.base, self._seen.shape[1]
        shift = self._columns.shape[1] - base.shape[1]
        coef = self.kind.start_base(self.design, weights, self._seen)
        todo = np.arange(groups)
        for last in range(base.shape[1] - 1, -1, -1):
            if not todo.size:
                break
            code = np.full(todo.size, CONSTANT)
            found = self.kind.blank(self.design.response, todo.size, last)
            part = partial(self._base_plan, last)
            for firth in (False, True):
                which = np.flatnonzero(self._base_firth[todo] == firth)
                if which.size:
                    first = last == base.shape[1] - 1
                    plan = self._base_plans[firth] if first else part(todo[which])
                    code[which], _, found[which] = self._screen(plan, weights, firth, todo[which], part)
            idle = (code == CONSTANT) | (code == COLLINEAR)
            coef[todo[~idle]] = 0.0
            coef[todo[~idle], ..., : shift + last + 1] = found[~idle]
            todo = todo[idle]
        return coef

    def _base_plan(self, last, groups):
        """The screen of base column `last` given those before it, once for each group of patients."""
        column = np.repeat(self.design.base[:, [last]], groups.size, axis=1)
        return self._plan(self.design.base[:, :last], None, column, self._seen[:, groups])


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
