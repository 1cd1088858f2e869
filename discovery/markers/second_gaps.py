"""Missing values in a second cohort: imputed for the tests as those of the first, completed for its models.

The tests ask for an association, so that the outcome belongs to the imputation; the frozen models are judged
as they would be used, where it is not known. What cannot be filled is left out, and counted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.association.design import Design
from discovery.association.kinds import kind_of
from discovery.association.outcome_models import fit_columns, method_text
from discovery.cohort.imputation import Completed, complete, completed_designs, plan_imputation
from discovery.cohort.imputed_fits import pool_fits
from discovery.cohort.incomplete_covariates import WideDesign, impute_covariates
from discovery.cohort.outcome_predictors import outcome_columns
from discovery.cohort.pooled_rows import model_of, pooling_rule
from discovery.markers.detectable import null_standard_errors
from discovery.markers.frozen import FrozenImputation
from discovery.problems import InputError
from discovery.study.limits import Limits
from discovery.terms import LEAST_EVENTS


@dataclass(frozen=True, kw_only=True)
class CandidateFits:
    """Models of the k candidates in the second cohort, NaN without; `why` says then why not.

    design : of the patients in them; n_imputed : those with an imputed covariate or value in each model;
    se_null : standard error without an effect, where values were imputed the pooled one, which has what the
    imputation adds; alone, z_alone : estimate and signed root of the complete cases, NaN where nothing was
    imputed; remarks : what could not be imputed.
    """

    design: Design
    estimate: np.ndarray
    se: np.ndarray
    z: np.ndarray
    ci_low: np.ndarray
    ci_high: np.ndarray
    se_null: np.ndarray
    n: np.ndarray
    sizes: np.ndarray
    n_left_out: np.ndarray
    n_imputed: np.ndarray
    alone: np.ndarray
    z_alone: np.ndarray
    method: tuple[str, ...]
    why: tuple[str, ...]
    remarks: tuple[str, ...]


def fit_candidates(
    narrow: Design,
    wide: WideDesign | None,
    imputation: FrozenImputation | None,
    *,
    limits: Limits | None = None,
    seed: int,
) -> CandidateFits:
    """The candidates of `narrow` fitted, pooled over imputed copies where values are missing.

    Parameters
    ----------
    narrow, wide : the patients with all covariates; all of them, None where that is the same
    imputation : the first cohort's rule; complete cases without one
    """
    fits = fit_columns(narrow.response, narrow.base, narrow.features, observed=narrow.observed)
    sizes = np.array(narrow.response.effective_sizes(narrow.observed), dtype=float)
    good = (fits.fit.code == 0) & (sizes >= LEAST_EVENTS)
    blank = np.full(len(good), np.nan)
    numbers = {
        "estimate": fits.fit.coef[:, -1].copy(), "se": fits.fit.se.copy(), "z": fits.fit.z.copy(),
        "ci_low": fits.ci_low.copy(), "ci_high": fits.ci_high.copy(), "se_null": _null_errors(narrow),
        "n": narrow.observed.sum(axis=0), "sizes": sizes, "n_left_out": np.array(narrow.n_left_out),
        "n_imputed": np.zeros(len(good), dtype=int), "alone": blank, "z_alone": blank.copy(),
    }  # fmt: skip
    method = [method_text(narrow, penalised=bool(flag)) for flag in fits.firth]
    filled = _filled(narrow, wide, imputation, limits, seed)
    if filled is not None:
        _put_pooled(filled, numbers, method, good)
    for name in ("estimate", "se", "z", "ci_low", "ci_high"):
        numbers[name][~good] = np.nan
    why = [
        "" if fine else _why(narrow.kind, code, size)
        for fine, code, size in zip(good, fits.fit.code, numbers["sizes"])
    ]
    return CandidateFits(
        **numbers, design=narrow if filled is None else filled.design, method=tuple(method), why=tuple(why),
        remarks=() if filled is None else filled.remarks,
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class _Filled:
    """The design that is filled, its copies, who lacked a covariate (n,) bool, and remarks."""

    design: Design
    completed: Completed
    without_covariate: np.ndarray
    remarks: tuple[str, ...]


def _filled(
    narrow: Design, wide: WideDesign | None, imputation: FrozenImputation | None, limits, seed: int
) -> _Filled | None:
    """None where there is nothing to impute."""
    if imputation is None or not imputation.imputations or not outcome_columns(narrow).shape[1]:
        return None
    both = impute_covariates(wide, limits, imputations=imputation.imputations, seed=seed)
    if both is not None:
        wider, found = both
        return _Filled(
            design=wider.design,
            completed=found.completed,
            without_covariate=wider.gaps.any(axis=1).to_numpy(),
            remarks=tuple(f"covariate {name} {why}" for name, why in found.left_out.items()),
        )
    plan = plan_imputation(narrow, limits)
    if not plan.columns.size:
        return None
    completed = complete(narrow, plan, imputations=imputation.imputations, seed=seed)
    nobody = np.zeros(narrow.n, dtype=bool)
    return _Filled(design=narrow, completed=completed, without_covariate=nobody, remarks=completed.plan.notes)


def _put_pooled(filled: _Filled, numbers: dict[str, np.ndarray], method: list[str], good: np.ndarray) -> None:
    """Put the pooled answers in the places of the candidates that were imputed in somebody."""
    design, completed = filled.design, filled.completed
    seen = completed.plan.observed
    copies = [
        fit_columns(one.response, one.base, one.features, observed=one.observed, intervals=False, errors=True)
        for one in completed_designs(design, completed)
    ]
    pooled = pool_fits(design, copies, seen)
    sizes = design.response.effective_sizes(seen)
    imputed = seen & (filled.without_covariate[:, None] | ~design.observed)
    for j in np.flatnonzero(imputed.any(axis=0) & (pooled.failed == 0) & (sizes >= LEAST_EVENTS)):
        if good[j]:
            numbers["alone"][j], numbers["z_alone"][j] = numbers["estimate"][j], numbers["z"][j]
        n = seen[:, j].sum()
        answer = {
            "estimate": pooled.coef[j, -1], "se": pooled.se[j], "z": pooled.z[j],
            "ci_low": pooled.ci_low[j], "ci_high": pooled.ci_high[j], "se_null": pooled.se[j],
            "n": n, "sizes": sizes[j], "n_left_out": design.n_study - n, "n_imputed": imputed[:, j].sum(),
        }  # fmt: skip
        for name, value in answer.items():
            numbers[name][j] = value
        how = model_of(design.kind, method_text(design, penalised=bool(pooled.firth[j])))
        method[j] = f"{how}, {completed.m} imputations pooled {pooling_rule(pooled)}"
        good[j] = True


def _null_errors(design: Design) -> np.ndarray:
    try:
        return null_standard_errors(design)
    except (InputError, KeyError, ValueError):
        return np.full(len(design.feature_names), np.nan)


def _why(kind: str, code: int, size: float) -> str:
    from discovery.kernels.screen_fit import REASONS

    if size < LEAST_EVENTS:
        return f"only {kind_of(kind).said_size(int(size))}; {LEAST_EVENTS} are needed"
    return str(REASONS[int(code)])
