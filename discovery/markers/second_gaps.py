"""Missing values in a second cohort: imputed for the tests as those of the first, completed for its models.

The tests ask for an association, so that the outcome belongs to the imputation; the frozen models are judged
as they would be used, where it is not known. What cannot be filled is left out, and counted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.association.design import Design
from discovery.association.kinds import kind_of
from discovery.association.outcome_models import LEAST_EVENTS, fit_columns, method_text
from discovery.cohort.imputation import Completed, complete, plan_imputation
from discovery.cohort.imputed_fits import pool_fits
from discovery.cohort.imputed_screen import model_of, pooling_rule
from discovery.cohort.incomplete_covariates import WideDesign, impute_covariates
from discovery.cohort.outcome_predictors import outcome_columns
from discovery.markers.detectable import null_standard_errors
from discovery.markers.frozen import FrozenImputation
from discovery.markers.imputed_refit import completed_designs
from discovery.problems import InputError
from discovery.study.limits import Limits


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
    sizes = narrow.response.effective_sizes(narrow.observed)
    good = (fits.fit.code == 0) & (sizes >= LEAST_EVENTS)
    k = len(narrow.feature_names)
    found = {
        "estimate": fits.fit.coef[:, -1].copy(), "se": fits.fit.se.copy(), "z": fits.fit.z.copy(),
        "ci_low": fits.ci_low.copy(), "ci_high": fits.ci_high.copy(), "se_null": _null_errors(narrow),
        "n": narrow.observed.sum(axis=0), "sizes": np.array(sizes, dtype=float),
        "n_left_out": np.array(narrow.n_left_out), "n_imputed": np.zeros(k, dtype=int),
        "alone": np.full(k, np.nan), "z_alone": np.full(k, np.nan),
    }  # fmt: skip
    method = [method_text(narrow, penalised=bool(flag)) for flag in fits.firth]
    done = _completed(narrow, wide, imputation, limits, seed)
    if done is not None:
        design, completed, gaps, _ = done
        plan = completed.plan
        copies = [
            fit_columns(
                one.response, one.base, one.features, observed=one.observed, intervals=False, errors=True
            )
            for one in completed_designs(design, completed)
        ]
        pooled = pool_fits(design, copies, plan.observed)
        more = design.response.effective_sizes(plan.observed)
        filled = plan.observed & (gaps[:, None] | ~design.observed)
        for j in np.flatnonzero(filled.any(axis=0) & (pooled.failed == 0) & (more >= LEAST_EVENTS)):
            if good[j]:
                found["alone"][j], found["z_alone"][j] = found["estimate"][j], found["z"][j]
            numbers = {
                "estimate": pooled.coef[j, -1], "se": pooled.se[j], "z": pooled.z[j],
                "ci_low": pooled.ci_low[j], "ci_high": pooled.ci_high[j], "se_null": pooled.se[j],
                "n": plan.observed[:, j].sum(), "sizes": more[j],
                "n_left_out": design.n_study - plan.observed[:, j].sum(), "n_imputed": filled[:, j].sum(),
            }  # fmt: skip
            for name, value in numbers.items():
                found[name][j] = value
            how = model_of(design.kind, method_text(design, penalised=bool(pooled.firth[j])))
            method[j] = f"{how}, {completed.m} imputations pooled {pooling_rule(pooled)}"
            good[j] = True
    for name in ("estimate", "se", "z", "ci_low", "ci_high"):
        found[name][~good] = np.nan
    why = [
        "" if fine else _why(narrow.kind, fits.fit.code[j], found["sizes"][j]) for j, fine in enumerate(good)
    ]
    return CandidateFits(
        **found, design=narrow if done is None else done[0], method=tuple(method), why=tuple(why),
        remarks=() if done is None else done[3],
    )  # fmt: skip


def _completed(
    narrow: Design, wide: WideDesign | None, imputation: FrozenImputation | None, limits, seed: int
) -> tuple[Design, Completed, np.ndarray, tuple[str, ...]] | None:
    """The design that is filled, its copies, who lacked a covariate (n,) bool, and remarks; None where there
    is nothing to impute."""
    if imputation is None or not imputation.imputations or not outcome_columns(narrow).shape[1]:
        return None
    both = impute_covariates(wide, limits, imputations=imputation.imputations, seed=seed)
    if both is not None:
        filled, found = both
        remarks = [f"covariate {name} {why}" for name, why in found.left_out.items()]
        return filled.design, found.completed, filled.gaps.any(axis=1).to_numpy(), tuple(remarks)
    plan = plan_imputation(narrow, limits)
    if not plan.columns.size:
        return None
    done = complete(narrow, plan, imputations=imputation.imputations, seed=seed)
    return narrow, done, np.zeros(narrow.n, dtype=bool), done.plan.notes


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
