"""Covariates with gaps: imputed in one chain with the features, so that no patient is lost for them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from discovery.association.design import Design, build_design
from discovery.association.screen_words import RANKED_MISSING
from discovery.cohort.imputation import (
    PASSES_IN_DRAW,
    Completed,
    ImputationPlan,
    complete,
    plan_imputation,
)
from discovery.cohort.imputation_table import drawn_how
from discovery.cohort.outcome_predictors import outcome_columns
from discovery.seeds import named_rng
from discovery.study import Outcome
from discovery.study.limits import Limits

MANY = 10  # values, for a covariate to be drawn from a normal distribution
COVARIATE = "covariate "  # before its name, where it stands among the features


@dataclass(frozen=True, kw_only=True)
class WideDesign:
    """A design with the patients who lack a covariate: the gap holds a placeholder, and `gaps`
    (n, covariates), bool by covariate, says where; `without` (ids) makes it again without some of them."""

    design: Design
    gaps: pd.DataFrame
    without: Callable[[np.ndarray], WideDesign | None]


@dataclass(frozen=True, kw_only=True)
class GappedCovariate:
    """A covariate with gaps as one number of the chain.

    columns (k,) : its base columns; known (n,) bool; score (n,) : the number, 0 where it is missing; values
    (K,), rows (K, k) : the numbers of its levels and their base columns; no rows for a covariate that is a
    number anyway.
    """

    name: str
    columns: np.ndarray
    known: np.ndarray
    score: np.ndarray
    values: np.ndarray
    rows: np.ndarray | None

    def drawn(self, numbers: np.ndarray) -> np.ndarray:
        """Base columns (n, k) that go with `numbers` (n,): those of the nearest level."""
        if self.rows is None:
            return numbers[:, None]
        return self.rows[np.abs(numbers[:, None] - self.values).argmin(axis=1)]


@dataclass(frozen=True, kw_only=True)
class Chain:
    """Features and incomplete covariates as the columns of one chain.

    design : that of all patients, placeholders where a covariate is missing; plan : of the chain, p features,
    then a number for each of `covariates`.
    """

    design: Design
    plan: ImputationPlan
    covariates: tuple[GappedCovariate, ...]

    def split(self, filled: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """All features (n, p) and base columns (n, q) with a state (n, c) of the chain filled in."""
        p = self.design.features.shape[1]
        features, base = self.design.features.copy(), self.design.base.copy()
        for c, j in enumerate(self.plan.columns):
            if j < p:
                features[:, j] = filled[:, c]
                continue
            covariate = self.covariates[j - p]
            gone = ~covariate.known
            base[np.ix_(gone, covariate.columns)] = covariate.drawn(filled[:, c])[gone]
        return features, base


@dataclass(frozen=True, kw_only=True)
class CompletedWithCovariates(Completed):
    """Copies of all features and of the base columns, and the `states` (m, n, c) of the chain behind them."""

    chain: Chain
    states: np.ndarray

    def in_draw(self, weights: np.ndarray, draw: int) -> tuple[np.ndarray, np.ndarray | None]:
        rng = named_rng(self.seed, "imputation in draw", self.outcome, draw)
        filled, _ = self.chain.plan.redraw(
            self.states[draw % self.m], rng, weights=weights, passes=PASSES_IN_DRAW, proper=False
        )
        return self.chain.split(filled)


@dataclass(frozen=True, kw_only=True)
class CompletedCovariates:
    """`completed` : copies of all features, and of the base columns; `counts` : covariate -> patients in whom
    it was imputed; `left_out` : covariate -> why some could not be; `predictors` : covariate -> how many;
    `models` : covariate -> how it was drawn; `there` (n,) : every covariate known or imputed."""

    completed: Completed
    counts: dict[str, int]
    left_out: dict[str, str]
    predictors: dict[str, int]
    models: dict[str, str]
    there: np.ndarray


def wide_design(
    outcome: Outcome,
    covariates: pd.DataFrame,
    features: pd.DataFrame,
    narrow: Design,
    *,
    site: pd.Series | None = None,
    left_out: Sequence[str] = (),
) -> WideDesign | None:
    """The design of the patients with an outcome, whether or not a covariate is known; None if `narrow`, the
    one of complete covariates, has them all. Scales, coding and the reference of sites are those of `narrow`;
    the patients `left_out` stay out if they lack a covariate."""
    if not covariates.isna().to_numpy().any():
        return None
    filled, out = covariates.copy(), covariates.index.isin(left_out)
    for name in covariates.columns[covariates.isna().any()]:
        kept = covariates[name].notna() | out
        filled[name] = covariates[name].where(kept, _placeholder(covariates[name]))
    design = build_design(
        outcome, filled, features, site=site, scaling=narrow.scaling, coding=narrow.coding,
        site_reference=next((term.reference for term in narrow.terms if term.covariate == "site"), ""),
    )  # fmt: skip
    if design.n <= narrow.n:
        return None
    return WideDesign(
        design=design,
        gaps=covariates.loc[design.patient_id].isna(),
        without=lambda more: wide_design(
            outcome, covariates, features, narrow, site=site, left_out=[*left_out, *more]
        ),
    )


def _placeholder(column: pd.Series):
    """A value that the coding knows."""
    return column.dropna().mode().iloc[0]


def without_unimputable(wide: WideDesign | None) -> WideDesign | None:
    """Without the patients who lack a covariate that is missing in too many to be imputed; None where nobody
    else lacks one."""
    while wide is not None and (names := unimputable(wide)):
        wide = wide.without(wide.design.patient_id[wide.gaps[names].any(axis=1)])
    return wide


def unimputable(wide: WideDesign) -> list[str]:
    """The covariates that are missing in too many patients to be imputed."""
    return list(wide.gaps.columns[wide.gaps.mean() > RANKED_MISSING])


def impute_covariates(
    wide: WideDesign | None, limits: Limits | None = None, *, imputations: int, seed: int
) -> tuple[WideDesign, CompletedCovariates] | None:
    """`complete_covariates` of the patients in whom every missing covariate can be imputed, and their design;
    None where there are none."""
    left_out: dict[str, str] = {}
    while wide is not None:
        found = complete_covariates(wide, limits, imputations=imputations, seed=seed)
        if found is None:
            return None
        left_out = found.left_out | left_out
        if found.there.all():
            return wide, replace(found, left_out=left_out)
        wide = wide.without(wide.design.patient_id[~found.there])
    return None


def complete_covariates(
    wide: WideDesign, limits: Limits | None = None, *, imputations: int, seed: int
) -> CompletedCovariates | None:
    """Copies of features and covariates imputed together; None where no covariate can be.

    Every covariate with gaps predicts, and is predicted by, the others, the outcome, the site and the
    features that correlate with it. A number of many values is drawn from a normal distribution. One of
    several levels takes part as one number: its levels on the first canonical variate between them and
    covariates, sites and outcome, so that predictive mean matching takes a whole level from a donor.
    """
    design, p = wide.design, wide.design.features.shape[1]
    covariates, known_base = _gapped(wide)
    if not covariates:  # those with gaps do not vary, and have no part in the base model
        return None
    seen = np.column_stack([covariate.known for covariate in covariates])
    together = replace(
        known_base,
        features=np.column_stack([design.features, *(covariate.score for covariate in covariates)]),
        observed=np.column_stack([design.observed, seen]),
        feature_names=(*design.feature_names, *(COVARIATE + covariate.name for covariate in covariates)),
    )
    plan = plan_imputation(together, limits, always=range(p, p + len(covariates)))
    plan = replace(plan, how=_normal_where_many(plan, covariates, p))
    if not (plan.columns >= p).any():
        return None
    done = complete(together, plan, imputations=imputations, seed=seed)
    plan = done.plan
    there = np.asarray(plan.observed[:, p:].all(axis=1))
    chain = Chain(design=design, plan=plan, covariates=covariates)
    copies, bases = (np.array(parts) for parts in zip(*map(chain.split, done.copies)))
    place = {covariates[j - p].name: c for c, j in enumerate(plan.columns) if j >= p}
    reasons = zip(covariates, plan.reason[p:])
    return CompletedCovariates(
        completed=CompletedWithCovariates(
            plan=_for_features(plan, there, p),
            copies=copies,
            seed=seed,
            outcome=design.outcome,
            bases=bases,
            chain=chain,
            states=done.copies,
        ),
        counts={name: int(plan.n_missing[c]) for name, c in place.items()},
        left_out={covariate.name: reason for covariate, reason in reasons if reason},
        predictors={name: int(plan.predictors[c]) for name, c in place.items()},
        models={name: drawn_how(plan, c) for name, c in place.items()},
        there=there,
    )


def _gapped(wide: WideDesign) -> tuple[tuple[GappedCovariate, ...], Design]:
    """The covariates with gaps, and the design with the base columns of the others."""
    design = wide.design
    columns = {
        name: np.array([k for k, term in enumerate(design.terms) if term.covariate == name], dtype=int)
        for name in wide.gaps.columns
        if wide.gaps[name].any()
    }
    columns = {name: at for name, at in columns.items() if len(at)}
    whole = np.setdiff1d(np.arange(design.base.shape[1]), np.concatenate([*columns.values(), []])).astype(int)
    known_base = replace(design, base=design.base[:, whole], terms=tuple(design.terms[int(k)] for k in whole))
    predictors = np.column_stack([known_base.base, outcome_columns(known_base)])
    covariates = []
    for name, at in columns.items():
        known = ~wide.gaps[name].to_numpy()
        score, values, rows = _as_number(design, at, known, predictors)
        score = np.where(known, score, 0.0)
        covariates.append(
            GappedCovariate(name=name, columns=at, known=known, score=score, values=values, rows=rows)
        )
    return tuple(covariates), known_base


def _normal_where_many(plan: ImputationPlan, covariates: Sequence[GappedCovariate], p: int) -> np.ndarray:
    """`plan.how` with normal draws for covariates that are numbers of many values.

    A matched value comes from patients who have one. Where the covariate is missing in the extreme ones,
    donors are too near the middle, and what is left of confounding goes to the features: simulated counts had
    .455 for .40 with matching, .39 with normal draws.
    """
    from discovery.kernels.chained import NORMAL

    how = plan.how.copy()
    for c, j in enumerate(plan.columns):
        if j >= p:
            covariate = covariates[j - p]
            if covariate.rows is None and len(np.unique(covariate.score[covariate.known])) >= MANY:
                how[c] = NORMAL
    return how


def _as_number(
    design: Design, at: np.ndarray, known: np.ndarray, predictors: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray | None]:
    """The covariate of the base columns `at` as one number (n,), with `values` and `rows` of its levels."""
    base = design.base[:, at]
    if not design.terms[int(at[0])].level:
        return base[:, 0], np.zeros(1), None
    rows, code = np.unique(base[known], axis=0, return_inverse=True)
    code = np.asarray(code).ravel()
    several = len(rows) > 2
    values = _canonical_scores(code, len(rows), predictors[known]) if several else np.arange(float(len(rows)))
    score = np.zeros(len(base))
    score[known] = values[code]
    return score, values, rows


def _canonical_scores(code: np.ndarray, levels: int, predictors: np.ndarray) -> np.ndarray:
    """One number a level: first canonical variate of the level indicators and the predictors, of spread 1."""
    indicator = (code[:, None] == np.arange(levels)).astype(float)
    share = indicator.mean(axis=0)
    x = predictors - predictors.mean(axis=0)
    fitted = x @ np.linalg.lstsq(x, indicator - share, rcond=None)[0] if x.shape[1] else indicator * 0
    root = 1 / np.sqrt(share)
    between = root[:, None] * (fitted.T @ fitted / len(code)) * root
    score = root * np.linalg.eigh(between)[1][:, -1]
    score = score - share @ score
    spread = np.sqrt(share @ score**2)
    score = score / spread if spread > 0 else np.arange(float(levels))
    return score + 1e-6 * np.arange(levels)  # no two levels on one number


def _for_features(plan: ImputationPlan, there: np.ndarray, p: int) -> ImputationPlan:
    """The plan as that of all features, of the patients whose covariates are known or imputed."""
    mine = plan.columns < p

    def every(values):
        out = np.zeros(p, dtype=values.dtype)
        out[plan.columns[mine]] = values[mine]
        return out

    return replace(
        plan, columns=np.arange(p), observed=plan.observed[:, :p] & there[:, None], reason=plan.reason[:p],
        n_missing=every(plan.n_missing), n_limited=every(plan.n_limited), how=every(plan.how),
        predictors=every(plan.predictors), neighbours=np.full((p, plan.neighbours.shape[1]), -1),
    )  # fmt: skip
