"""A small model of several markers: one lead a family, ridge-penalised, size and penalty tuned inside."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from discovery.association.design import Design
from discovery.association.kinds import kind_of
from discovery.association.outcome_models import standardised_outcome
from discovery.kernels.ridge import RidgeCox, RidgePath, ridge_linear, ridge_logistic
from discovery.markers.families import family_leads, find_families

KINDS = ("survival", "binary", "continuous")
MODELS = ("base model", "best single marker", "signature")
MOST_MARKERS = 6
PENALTIES = (0.01, 0.05, 0.2, 0.8)  # in units of the information on a column of SD 1
FOLDS = 5
LEAST_INFORMATION = 30  # events, patients in the rarer class, or patients of a continuous outcome


@dataclass(frozen=True, kw_only=True)
class SignatureFit:
    """One fitted signature.

    markers : indices of the features in it, the surest first; () where the base model alone was best.
    score, single, base : (n,) linear predictors (with intercept, where there is one) of the signature, of
    the base model with the first marker only, and of the base model.
    coef : of the base columns, then of `markers` (after the intercept, where there is one).
    fill : (q + 1, markers) coefficients that predict a missing marker from the base model.
    """

    markers: tuple[int, ...]
    penalty: float
    coef: np.ndarray
    fill: np.ndarray
    score: np.ndarray
    single: np.ndarray
    base: np.ndarray

    @property
    def predictors(self) -> np.ndarray:
        """Linear predictors (n, 3) in the order of `MODELS`."""
        return np.column_stack([self.base, self.single, self.score])


class SignatureSearch:
    """Prepared once for a design; every call selects, tunes and fits anew with other case weights.

    Families are found on the features alone, in all patients, blind to the outcome. Everything that looks at
    the outcome happens inside a call: which feature leads each family and their order (by the
    likelihood-ratio root given the base model), how many of them enter (0 to 6) and the penalty, both by
    the predictive likelihood of 5-fold cross-validation with the selection repeated in every fold.
    Missing values of a marker are predicted from the base model within the patients that have it.

    barred : features that lead no family and enter no model, such as suspected leaks
    """

    def __init__(self, design: Design, barred: Sequence[str] = ()):
        self.design = design = standardised_outcome(design)
        self.family = find_families(np.where(design.observed, design.features, np.nan)).number
        self._barred = np.isin(design.feature_names, list(barred))
        self.intercept = design.kind != "survival"
        self._kind = kind_of(design.kind)
        self._plan = self._kind.plan(design.response, design.base, design.features, design.observed)
        self._terms = np.column_stack([np.ones(design.n), design.base])

    def __call__(self, weights: np.ndarray, rng: np.random.Generator) -> SignatureFit:
        """Fit with case weights (n,); `rng` deals the patients into folds."""
        penalties = self._penalties(weights)
        size, best, alone = self._tune(weights, penalties, rng)
        leads, columns, fill = self._columns(weights)
        path, _ = self._path(weights, columns, penalties)
        scores = self._scores(path, columns)
        size = min(size, len(leads))
        lane = self._lane(size, best)
        q = self.design.base.shape[1]
        first = 1 if self.intercept else 0
        chosen = path.coef[lane, : first + q + size]
        single = self._lane(min(1, len(leads)), alone)
        return SignatureFit(
            markers=tuple(int(k) for k in leads[:size]),
            penalty=PENALTIES[best] if size else 0.0,
            coef=chosen,
            fill=fill[:, :size],
            score=scores[:, lane],
            single=scores[:, single],
            base=scores[:, 0],
        )

    def separating(self) -> list[int]:
        """The features that separate the outcome: they have no likelihood-ratio root, and take no part.

        Those that are barred take none anyway, and are not among them.
        """
        from discovery.kernels.screen_fit import SEPARATED

        fit = self._kind.screen(self._plan, np.ones(self.design.n))
        return [int(j) for j in np.flatnonzero((fit.code == SEPARATED) & np.isnan(fit.z) & ~self._barred)]

    def _lane(self, size: int, penalty: int) -> int:
        """Row of the path with `size` markers and the penalty number `penalty`; lane 0 is the base model."""
        return 0 if size == 0 else 1 + (size - 1) * len(PENALTIES) + penalty

    def _penalties(self, weights: np.ndarray) -> np.ndarray:
        """(lanes, q + most) penalties of the columns: lane 0 has no marker, then sizes by penalties."""
        q, most = self.design.base.shape[1], MOST_MARKERS
        amount = self._information(weights)
        lanes = np.full((1 + most * len(PENALTIES), q + most), np.inf)
        lanes[:, :q] = 1e-6 * amount  # enough to end where a rare covariate separates
        for size in range(1, most + 1):
            for k, penalty in enumerate(PENALTIES):
                lanes[self._lane(size, k), q : q + size] = penalty * amount
        return lanes

    def _information(self, weights: np.ndarray) -> float:
        design = self.design
        if design.kind == "survival":
            assert design.event is not None
            return float(weights @ design.event)
        if design.kind == "binary":
            assert design.y is not None
            share = weights @ design.y / weights.sum()
            return float(weights.sum() * share * (1 - share))
        return float(weights.sum())

    def _columns(self, weights: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """(leads, columns (n, q + most), fill (q + 1, most)) as `weights` teach them."""
        design, most = self.design, MOST_MARKERS
        z = np.abs(self._kind.screen(self._plan, weights).z)
        z[(weights[:, None] * design.observed).sum(axis=0) < LEAST_INFORMATION] = np.nan
        z[self._barred] = np.nan
        lead = np.unique(family_leads(z, self.family))
        lead = lead[lead >= 0]
        lead = lead[np.argsort(-z[lead], kind="stable")][:most]
        fill = np.zeros((self._terms.shape[1], most))
        markers = np.zeros((design.n, most))
        for k, j in enumerate(lead):
            seen, x = design.observed[:, j], design.features[:, j]
            if seen.all():
                markers[:, k] = x
                continue
            w = np.sqrt(weights * seen)
            fill[:, k] = np.linalg.lstsq(self._terms * w[:, None], np.where(seen, x, 0.0) * w, rcond=None)[0]
            markers[:, k] = np.where(seen, x, self._terms @ fill[:, k])
        return lead, np.column_stack([design.base, markers]), fill

    def _path(self, weights, columns, penalties) -> tuple[RidgePath, RidgeCox | None]:
        design = self.design
        if design.kind == "survival":
            model = RidgeCox(design.time, design.event, columns, entry=design.entry, stratum=design.stratum)
            return model(weights, penalties), model
        if design.kind == "binary":
            return ridge_logistic(design.y, columns, weights, penalties), None
        return ridge_linear(design.y, columns, weights, penalties), None

    def _scores(self, path: RidgePath, columns: np.ndarray) -> np.ndarray:
        if self.intercept:
            return path.coef[:, 0] + columns @ path.coef[:, 1:].T
        return columns @ path.coef.T

    def _tune(
        self, weights: np.ndarray, penalties: np.ndarray, rng: np.random.Generator
    ) -> tuple[int, int, int]:
        """(size, number of its penalty, number of a single marker's penalty) by predictive likelihood."""
        gained = np.zeros(len(penalties))
        for out in self._folds(weights, rng):
            train = np.where(out, 0.0, weights)
            _, columns, _ = self._columns(train)
            path, model = self._path(train, columns, penalties)
            gained += self._predictive(path, model, columns, weights, train)
        gained = np.where(np.isfinite(gained), gained, -np.inf)
        per, best = len(PENALTIES), int(np.argmax(gained))
        alone = int(np.argmax(gained[1 : 1 + per]))
        return (0, 0, alone) if best == 0 else ((best - 1) // per + 1, (best - 1) % per, alone)

    def _folds(self, weights: np.ndarray, rng: np.random.Generator):
        """Bool (n,) of who is left out in each fold: patients, events spread evenly."""
        design = self.design
        sort = design.event if design.kind == "survival" else design.y
        order = rng.permutation(design.n)
        order = order[np.argsort(np.asarray(sort)[order], kind="stable")]
        fold = np.empty(design.n, dtype=int)
        fold[order] = np.arange(design.n) % FOLDS
        for k in range(FOLDS):
            yield fold == k

    def _predictive(self, path, model, columns, weights, train) -> np.ndarray:
        """Log likelihood (lanes,) of the left-out patients given the others."""
        design = self.design
        if design.kind == "survival":
            # Verweij & Van Houwelingen, Stat Med 1993;12:2305-2314: of all less of those fitted to
            return model.loglik_at(weights, path.coef) - path.loglik
        scores, left = self._scores(path, columns), weights - train
        assert design.y is not None
        if design.kind == "binary":
            each = design.y[:, None] * scores - np.logaddexp(0.0, scores)
            return left @ each
        return -0.5 * (left @ (design.y[:, None] - scores) ** 2)
