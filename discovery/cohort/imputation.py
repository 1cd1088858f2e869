"""Missing feature values drawn from what is known of the patient: covariates, outcome, related features.

The outcome belongs to the imputation model, for survival as the event indicators and the cumulative hazard
(White & Royston, Stat Med 2009;28:1982-1998): without it effects shrink to nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from discovery.association.design import Design
from discovery.association.screen_words import RANKED_MISSING, percent_missing
from discovery.cohort.outcome_predictors import outcome_columns
from discovery.seeds import named_rng
from discovery.study.limits import Limits

PASSES = 10  # of the chain, before a copy is taken
PASSES_LIMITED = 25  # values beyond a limit teach the model too, and settle more slowly
PASSES_IN_DRAW = 2  # a bootstrap draw goes on from a finished copy
DONORS = 5
RIDGE = 1e-3
MOST_NEIGHBOURS = 6
LEAST_CORRELATION = 0.2
PATIENTS_PER_PREDICTOR = 5
LEAST_SPARE = 10  # patients with a value beyond the number of predictors


@dataclass(frozen=True, kw_only=True)
class ImputationPlan:
    """What is imputed for one outcome and from what. n patients and p features are those of the design.

    columns : (c,) features that are imputed; observed : (n, p) bool, known or imputed; n_missing, n_limited :
    (c,) imputed cells, and those of them known only beyond a limit; predictors : (c,) how many;
    reason : (p,) why a feature with gaps is not imputed, "" otherwise; notes : for the reader.
    """

    columns: np.ndarray
    observed: np.ndarray
    n_missing: np.ndarray
    n_limited: np.ndarray
    predictors: np.ndarray
    reason: tuple[str, ...]
    notes: tuple[str, ...]
    order: np.ndarray = field(repr=False)  # rows by patient id, so that their own order is nothing
    x: np.ndarray = field(repr=False)
    role: np.ndarray = field(repr=False)
    limit: np.ndarray = field(repr=False)
    fixed: np.ndarray = field(repr=False)
    neighbours: np.ndarray = field(repr=False)
    how: np.ndarray = field(repr=False)

    @cached_property
    def _place(self) -> np.ndarray:
        """Where each row of the design is in the order of ids."""
        place = np.empty(self.order.size, dtype=np.int64)
        place[self.order] = np.arange(self.order.size)
        return place

    @property
    def missing(self) -> np.ndarray:
        """Imputed cells of which nothing at all is known, (n, c) bool."""
        from discovery.kernels.chained import GONE

        return (self.role[:, self.columns] == GONE)[self._place]

    @property
    def limited(self) -> bool:
        return bool(self.n_limited.any())

    def start(self, rng: np.random.Generator) -> np.ndarray:
        """A first filling (n, c): values of patients taken at random, limited ones at their limit."""
        from discovery.kernels.chained import ABOVE, BELOW, GONE, SEEN

        filled = self.x[:, self.columns].copy()
        for c, j in enumerate(self.columns):
            known = self.x[self.role[:, j] == SEEN, j]
            gone = self.role[:, j] == GONE
            filled[gone, c] = known[rng.integers(0, known.size, int(gone.sum()))]
            beyond = (self.role[:, j] == BELOW) | (self.role[:, j] == ABOVE)
            filled[beyond, c] = self.limit[beyond, j]
        return filled[self._place]

    def redraw(
        self,
        filled: np.ndarray,
        rng: np.random.Generator,
        *,
        weights: np.ndarray | None = None,
        passes: int = PASSES,
        proper: bool = True,
    ) -> tuple[np.ndarray, np.ndarray]:
        """The next state (n, c) of the chain from `filled`, and for each column whether its model failed.

        weights : (n,) case weights of a bootstrap draw; `proper` then is False, because the draw itself
            moves the coefficients
        """
        from discovery.kernels.chained import impute_columns

        n, c = filled.shape
        x = self.x.copy()
        x[:, self.columns] = filled[self.order]
        noise = rng.standard_normal((passes, c, 2 + self.fixed.shape[1] + self.neighbours.shape[1]))
        uniforms = rng.random((passes, n, c))
        w = np.ones(n) if weights is None else np.asarray(weights, dtype=float)[self.order]
        failed = impute_columns(
            x, self.role, self.limit, self.fixed, w, self.columns, self.neighbours, self.how,
            RIDGE, DONORS, proper, noise, np.maximum(uniforms, 1e-16),
        )  # fmt: skip
        return x[:, self.columns][self._place], failed == 1


@dataclass(frozen=True, kw_only=True)
class Completed:
    """m completed copies of the incomplete features of a design: `copies` (m, n, c); `bases` (m, n, q) of its
    base columns, where covariates were imputed too."""

    plan: ImputationPlan
    copies: np.ndarray
    seed: int
    outcome: str
    bases: np.ndarray | None = None

    @property
    def m(self) -> int:
        return len(self.copies)

    def drawn(self, weights: np.ndarray, draw: int) -> np.ndarray:
        """One imputation (n, c) made inside bootstrap draw number `draw` with its case weights (n,)."""
        rng = named_rng(self.seed, "imputation in draw", self.outcome, draw)
        filled, _ = self.plan.redraw(
            self.copies[draw % self.m], rng, weights=weights, passes=PASSES_IN_DRAW, proper=False
        )
        return filled

    def in_draw(self, weights: np.ndarray, draw: int) -> tuple[np.ndarray, np.ndarray | None]:
        """`drawn`, and the base columns (n, q) where covariates are imputed too."""
        return self.drawn(weights, draw), None


def completed_designs(design: Design, completed: Completed) -> list[Design]:
    """The design with the gaps filled as in each copy."""
    return [completed_design(design, completed, k) for k in range(completed.m)]


def completed_design(design: Design, completed: Completed, k: int) -> Design:
    """The design with the gaps filled as in copy `k`."""
    seen = completed.plan.observed
    return replace(
        design,
        base=design.base if completed.bases is None else completed.bases[k],
        observed=seen,
        features=np.where(
            seen, with_filling(design.features, completed.plan.columns, completed.copies[k]), 0.0
        ),
    )


def with_filling(features: np.ndarray, columns: np.ndarray, filling: np.ndarray) -> np.ndarray:
    """Features (n, p) with `filling` (n, c) in their `columns` (c,)."""
    out = features.copy()
    out[:, columns] = filling
    return out


def plan_imputation(
    design: Design, limits: Limits | None = None, *, matched: bool = True, always: Sequence[int] = ()
) -> ImputationPlan:
    """Decide which gaps of `design.features` are imputed and from what.

    Parameters
    ----------
    limits : values known only beyond a limit, by patient id and feature; NaN in the features themselves
    matched : missing values are those of patients with a similar prediction (predictive mean matching,
        5 donors); otherwise normal draws. Values beyond a limit are truncated normal draws either way,
        and a feature that has some is drawn normal throughout.
    always : columns of the features that predict every other, however weakly they correlate

    Returns
    -------
    ImputationPlan
        Predictors of a feature are the base model's columns, sites, the outcome, and up to 6 features that
        correlate with it (|r| >= 0.2, one predictor for each 5 patients with a value at most). A feature
        missing in more than 40 % of patients is neither imputed nor a predictor. Patients of a site where
        a feature was never measured are not imputed: nothing is known of it there.
    """
    from discovery.kernels.chained import ABOVE, BELOW, GONE, LEFT, MATCHED, NORMAL, SEEN

    order = np.argsort(np.asarray(design.patient_id).astype(str), kind="stable")
    fixed = np.column_stack([design.base, _site_columns(design), outcome_columns(design)])[order]
    x, seen = design.features[order].copy(), design.observed[order]
    limit, side = _scaled_limits(design, limits)
    limit, side = limit[order], side[order]
    role = np.where(seen, SEEN, np.where(side < 0, BELOW, np.where(side > 0, ABOVE, GONE))).astype(np.int8)
    site = None if design.site is None else np.asarray(design.site)[order]
    usable, reason = np.ones(seen.shape[1], dtype=bool), [""] * seen.shape[1]
    for j in np.flatnonzero(~seen.all(axis=0)):
        reason[j] = _why_not(x[:, j], seen[:, j], fixed.shape[1])
        usable[j] = not reason[j]
        if not usable[j]:
            role[:, j] = LEFT
        elif site is not None and (never := _never_measured(role[:, j], site)):
            role[np.isin(site, never) & (role[:, j] == GONE), j] = LEFT
            where = ", ".join(never)
            reason[j] = f"never measured at site {where}: patients there left out, not imputed"
    unknown = (role == GONE) | (role == BELOW) | (role == ABOVE)
    columns = np.flatnonzero(unknown.any(axis=0))
    names = np.array(design.feature_names, dtype=object).astype(str)
    columns = columns[np.lexsort((names[columns], 1 - seen.mean(axis=0)[columns]))]
    neighbours = _neighbours(np.where(seen, x, np.nan), names, columns, usable, role, fixed.shape[1], always)
    beyond = (role == BELOW) | (role == ABOVE)
    how = np.where(beyond[:, columns].any(axis=0) | (not matched), NORMAL, MATCHED).astype(np.int8)
    known = np.empty(seen.shape, dtype=bool)
    known[order] = seen | unknown
    x[~seen] = 0.0
    return ImputationPlan(
        columns=columns,
        observed=known,
        n_missing=unknown[:, columns].sum(axis=0),
        n_limited=beyond[:, columns].sum(axis=0),
        predictors=fixed.shape[1] + (neighbours >= 0).sum(axis=1),
        reason=tuple(reason),
        notes=tuple(f"{names[j]} was {reason[j]}" for j in np.flatnonzero(usable) if reason[j]),
        order=order,
        x=np.ascontiguousarray(x),
        role=role,
        limit=limit,
        fixed=np.ascontiguousarray(fixed),
        neighbours=neighbours,
        how=how,
    )


def _why_not(values: np.ndarray, seen: np.ndarray, predictors: int) -> str:
    """Why a feature (n,) with gaps is not imputed at all; "" where it can be."""
    missing, known = 1 - seen.mean(), int(seen.sum())
    if missing > RANKED_MISSING:
        return f"not imputed: {percent_missing(missing)}"
    if known and np.ptp(values[seen]) == 0:
        return f"not imputed: all {known} patients with a value have the same"
    if known - predictors - 1 < LEAST_SPARE:
        return f"not imputed: {known} patients with a value, too few for {predictors} predictors"
    return ""


def complete(design: Design, plan: ImputationPlan, *, imputations: int, seed: int) -> Completed:
    """At least `imputations` copies, and one for each percent of patients missing where that is more.

    A feature whose imputation model fails in some copy (its equations have no solution) is taken out of the
    plan, with the reason.
    """
    share = plan.n_missing.max(initial=0) / max(design.n, 1)
    m = max(imputations, int(np.ceil(100 * share - 1e-9)), 2)
    passes = PASSES_LIMITED if plan.limited else PASSES
    copies, failed = [], np.zeros(plan.columns.size, dtype=bool)
    for k in range(m):
        rng = named_rng(seed, "imputation", design.outcome, k)
        filled, lost = plan.redraw(plan.start(rng), rng, passes=passes)
        copies.append(filled)
        failed |= lost | ~np.isfinite(filled).all(axis=0)
    if failed.any():
        return complete(design, _without(plan, design, failed), imputations=imputations, seed=seed)
    return Completed(plan=plan, copies=np.array(copies), seed=seed, outcome=design.outcome)


def _without(plan: ImputationPlan, design: Design, failed: np.ndarray) -> ImputationPlan:
    from discovery.kernels.chained import LEFT

    gone, kept = plan.columns[failed], ~failed
    reason, role, observed = list(plan.reason), plan.role.copy(), plan.observed.copy()
    neighbours = plan.neighbours[kept]
    neighbours = np.where(np.isin(neighbours, gone), -1, neighbours)
    for j in gone:
        reason[j] = "not imputed: its imputation model has no solution"
        role[:, j] = LEFT
        observed[:, j] = design.observed[:, j]
    return replace(
        plan, columns=plan.columns[kept], observed=observed, n_missing=plan.n_missing[kept],
        n_limited=plan.n_limited[kept], predictors=plan.fixed.shape[1] + (neighbours >= 0).sum(axis=1),
        reason=tuple(reason), role=role, neighbours=neighbours, how=plan.how[kept],
        notes=(*plan.notes, *(f"{design.feature_names[j]} was {reason[j]}" for j in gone)),
    )  # fmt: skip


def _site_columns(design: Design) -> np.ndarray:
    """Indicators of the strata, where the base model has none; the last site is the reference."""
    if design.stratum is None:
        return np.empty((design.n, 0))
    codes = np.unique(design.stratum)
    return (design.stratum[:, None] == codes[:-1]).astype(float)


def _scaled_limits(design: Design, limits: Limits | None) -> tuple[np.ndarray, np.ndarray]:
    """Limits on the scale of the features (n, p), and the side of the value: -1 below, 1 above, 0 none."""
    n, p = design.features.shape
    limit, side = np.zeros((n, p)), np.zeros((n, p), dtype=np.int8)
    if limits is None:
        return limit, side
    for sign, table in ((-1, limits.below), (1, limits.above)):
        for j, name in enumerate(design.feature_names):
            if name not in table.columns:
                continue
            raw = table[name].reindex(design.patient_id).to_numpy(dtype=float)
            scale = design.scaling.table.loc[name]
            here = np.isfinite(raw) & ~design.observed[:, j]
            limit[here, j] = (raw[here] - scale["mean"]) / (scale["sd"] if scale["sd"] > 0 else 1.0)
            side[here, j] = sign
    return limit, side


def _never_measured(role: np.ndarray, site: np.ndarray) -> list[str]:
    from discovery.kernels.chained import GONE

    return [str(label) for label in np.unique(site) if (role[site == label] == GONE).all()]


def _neighbours(x, names, columns, usable, role, fixed: int, always) -> np.ndarray:
    """For each column the features that predict it, `always` and the best, (c, at most), -1 where none.

    Of features that correlate alike, as one feature in two units does, the first by name comes first."""
    from discovery.kernels.chained import LEFT

    found = np.full((columns.size, MOST_NEIGHBOURS + len(always)), -1, dtype=np.int64)
    if not columns.size:
        return found
    allowed = usable & ~(role == LEFT).any(axis=0)
    seen = ~np.isnan(x)
    value = np.where(seen, x, 0.0)
    for c, j in enumerate(columns):
        rows = seen[:, [j]] & seen
        count = np.maximum(rows.sum(axis=0), 1)
        mean_j, mean = (value[:, [j]] * rows).sum(axis=0) / count, (value * rows).sum(axis=0) / count
        own, other = (value[:, [j]] - mean_j) * rows, (value - mean) * rows
        with np.errstate(invalid="ignore", divide="ignore"):
            r = (own * other).sum(axis=0) / np.sqrt((own**2).sum(axis=0) * (other**2).sum(axis=0))
        strength = np.where(allowed & np.isfinite(r), np.abs(r), 0.0)
        strength[j] = 0.0
        given = [k for k in always if k != j and allowed[k]]
        strength[given] = 0.0
        room = int(seen[:, j].sum() / PATIENTS_PER_PREDICTOR) - fixed - len(given) - 1
        best = np.lexsort((names, -strength.round(9)))[: max(0, min(MOST_NEIGHBOURS, room))]
        best = best[strength[best] >= LEAST_CORRELATION]
        found[c, : len(given) + best.size] = [*given, *best]
    return found
