"""The models of an outcome refitted in bootstrap draws, missing values imputed anew inside every draw."""

from __future__ import annotations

from copy import copy
from dataclasses import replace

import numpy as np

from discovery.association.design import Design
from discovery.cohort.imputation import Completed, with_filling
from discovery.markers.refit import OutcomeRefit, Refit


class ImputedRefit(OutcomeRefit):
    """`OutcomeRefit` of the features `which` of a design with the gaps of `completed` filled.

    As it stands it holds the first completed copy; `in_draw` and `in_copy` give one with other fillings.

    Notes
    -----
    In a draw the imputation model is fitted with the draw's case weights, and fills the gaps of every
    patient, so that the draw's models can be judged on the original patients too. A patient who is drawn
    twice has one filling in that draw: the noise of the imputation is a little overstated, never under.
    Where covariates are imputed too, the design is that of all patients, and a draw has its own base model.
    """

    def __init__(self, design: Design, firth, which, completed: Completed, *, horizon: float | None = None):
        which = np.asarray(which)
        plan = completed.plan
        place = {int(j): k for k, j in enumerate(which)}
        taken = np.array([c for c, j in enumerate(plan.columns) if int(j) in place], dtype=np.int64)
        columns = np.array([place[int(j)] for j in plan.columns[taken]], dtype=np.int64)
        part = design.take_features(which)
        filled = replace(
            part,
            base=part.base if completed.bases is None else completed.bases[0],
            features=with_filling(part.features, columns, completed.copies[0][:, taken]),
            observed=np.ascontiguousarray(plan.observed[:, which]),
        )
        super().__init__(filled, np.asarray(firth)[which], horizon=horizon)
        self._base_order = [part.terms.index(term) for term in self.design.terms]
        self.completed, self._taken, self._filled_columns = completed, taken, columns
        # plans of features without a gap serve every draw
        moving = np.isin(np.arange(which.size), columns)
        self._parts = [
            (own[moving[own] == side], flag)
            for own, flag in self._parts
            for side in (False, True)
            if (moving[own] == side).any()
        ]
        self._plans = [self._plan(self.design.base, own) for own, _ in self._parts]
        self._moving = [bool(moving[own].any()) for own, _ in self._parts]

    def in_draw(self, weights, draw: int) -> OutcomeRefit:
        """The models with one imputation made inside bootstrap draw number `draw`."""
        return self._with(*self.completed.in_draw(np.asarray(weights, dtype=float), draw))

    def in_copy(self, copy_number: int) -> OutcomeRefit:
        bases = self.completed.bases
        return self._with(self.completed.copies[copy_number], None if bases is None else bases[copy_number])

    def over_copies(self, weights) -> Refit:
        """Every number of the refit averaged over the completed copies."""
        every = [self.in_copy(k)(weights) for k in range(self.completed.m)]
        return Refit(
            **{name: np.mean([getattr(r, name) for r in every], axis=0) for name in Refit.__annotations__}
        )

    def _with(self, filling: np.ndarray, base: np.ndarray | None) -> OutcomeRefit:
        other = copy(self)
        features = with_filling(self.design.features, self._filled_columns, filling[:, self._taken])
        other.design = replace(self.design, features=features)
        other.features = np.where(other.design.observed, other.design.features, np.nan)
        if base is not None:
            other.design = replace(other.design, base=np.ascontiguousarray(base[:, self._base_order]))
            other._prepare()
            return other
        other._plans = [
            other._plan(other.design.base, own) if moves else plan
            for (own, _), plan, moves in zip(self._parts, self._plans, self._moving)
        ]
        return other


def in_draw(refit: OutcomeRefit, weights, draw: int) -> OutcomeRefit:
    """What bootstrap draw number `draw` refits: the models themselves, or with gaps imputed in the draw."""
    return refit.in_draw(weights, draw) if isinstance(refit, ImputedRefit) else refit
