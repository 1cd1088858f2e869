"""A screen over all patients with an outcome: gaps of features and of covariates are imputed together."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.association.kinds import kind_of
from discovery.association.outcome_models import effect_text, fit_columns, method_text, standardised_outcome
from discovery.association.screen import Screen
from discovery.association.screen_rows import ADJUSTED, BASE, COLUMNS, NONLINEAR, TERMINAL
from discovery.association.screen_words import too_few
from discovery.cohort.imputation import Completed
from discovery.cohort.imputation_table import IMPUTATION_COLUMNS, imputation_table
from discovery.cohort.imputed_fits import fit_imputed, pool_fits
from discovery.cohort.imputed_screen import ImputedScreen, impute_screen, screen_with
from discovery.cohort.incomplete_covariates import (
    COVARIATE,
    CompletedCovariates,
    WideDesign,
    impute_covariates,
)
from discovery.cohort.outcome_predictors import outcome_columns
from discovery.cohort.pooled_rows import NUMBERS, model_of, pooling_rule, with_former
from discovery.kernels.screen_fit import REASONS
from discovery.study.limits import Limits

NOT_IMPUTED = "of the patients with all covariates"
LATER = "curves, shapes, prediction and signatures"  # what still asks for complete covariates


def impute_screen_and_covariates(
    narrow: Design,
    screen: Screen,
    wide: WideDesign | None,
    *,
    imputations: int,
    seed: int,
    limits: Limits | None = None,
    fdr: float = 0.05,
    multiplicity: str = "selected-cells",
) -> ImputedScreen:
    """`impute_screen`, with the patients of `wide` who lack a covariate.

    Parameters
    ----------
    narrow, screen : the design of the patients with all covariates, and its screen
    wide : from `wide_design`, None where no patient lacks one

    Notes
    -----
    The models of all features and the base model are pooled over all patients, and their former rows kept as
    "complete cases", in the same SDs of a continuous outcome: those of all patients. `completed` and `design`
    are of all patients too, for ranks, gains and tipping points.
    What can be assessed, and which warnings there are, goes by all of them. Permutations stay with those of
    `narrow`, and so do the rows of a spline, of a dispersion and of a terminal event, which say so.
    """
    both = None
    if wide is not None and imputations and outcome_columns(wide.design).shape[1]:
        both = impute_covariates(wide, limits, imputations=imputations, seed=seed)
    if wide is None or both is None:
        return impute_screen(
            narrow, screen, imputations=imputations, seed=seed, limits=limits, fdr=fdr,
            multiplicity=multiplicity,
        )  # fmt: skip
    (filled, found), everybody = both, wide.design.n
    design, completed, plan = filled.design, found.completed, found.completed.plan
    screen = _in_units_of(design, narrow, screen)
    fits = fit_imputed(design, completed)
    fits = replace(fits, coef=_by_term(fits.coef, design, narrow))
    if fits.classes is not None:
        contrasts = _by_term(fits.classes.contrasts, design, narrow)
        fits = replace(fits, classes=replace(fits.classes, contrasts=contrasts))
    words = ", ".join(found.counts)  # how many is in the table: beside n a small number could be worked out
    new = screen_with(design, screen, completed, fits, fdr, multiplicity, f"imputed covariates: {words}")
    new = replace(new, table=_base_rows_with(design, _others_told(new.table), completed))
    partly = "; ".join(f"{name} {why}" for name, why in found.left_out.items())
    notes = [
        *plan.notes,
        f"missing covariates were imputed ({words}): estimates, ranks and gains are of all patients with an "
        f"outcome; familywise p-values, checks of sites and of redundancy, {LATER} are of the patients with "
        "all covariates",
        *([f"covariate {partly}"] if partly else []),
    ]
    rows = [_covariate_row(design, name, found, everybody) for name in found.counts]
    table = imputation_table(design, screen, completed, fits, plan)
    return ImputedScreen(
        screen=new,
        completed=completed,
        fits=fits,
        design=design,
        table=pd.concat([table, pd.DataFrame(rows).astype(table.dtypes)], ignore_index=True)
        if len(table)
        else pd.DataFrame(rows, columns=list(IMPUTATION_COLUMNS)),
        notes=tuple(notes),
    )


def _in_units_of(design: Design, narrow: Design, screen: Screen) -> Screen:
    """The screen of `narrow` with its table in the outcome's SDs of `design`."""
    kind = kind_of(design.kind)
    ratio, table = kind.level(narrow)[1] / kind.level(design)[1], screen.table.copy()
    table[["estimate", "ci_low", "ci_high"]] *= ratio
    return replace(screen, table=table)


def _by_term(coef: np.ndarray, design: Design, narrow: Design) -> np.ndarray:
    """Coefficients (c, .., k) of models of `design` in the places of those of `narrow`; NaN without."""
    mine = {term.name: k for k, term in enumerate(design.terms)}
    first = coef.shape[-1] - len(design.terms) - 1  # intercepts and the like
    if first < 0:  # no single coefficients
        return coef
    out = np.full((*coef.shape[:-1], first + len(narrow.terms) + 1), np.nan)
    out[..., :first], out[..., -1] = coef[..., :first], coef[..., -1]
    for k, term in enumerate(narrow.terms):
        if term.name in mine:
            out[..., first + k] = coef[..., first + mine[term.name]]
    return out


def _others_told(table: pd.DataFrame) -> pd.DataFrame:
    """The table with a note in rows that are not of all patients, and are not called complete cases."""
    table = table.copy()
    narrow = (table["model"] == ADJUSTED) & (table["term"] == NONLINEAR)
    narrow |= table["model"].str.startswith(("dispersion", TERMINAL))
    table.loc[narrow, "note"] = [
        "; ".join(filter(None, [note, NOT_IMPUTED])) for note in table.loc[narrow, "note"]
    ]
    return table


def _base_rows_with(design: Design, table: pd.DataFrame, completed: Completed) -> pd.DataFrame:
    """The rows of the base model pooled, their former ones kept as "complete cases"."""
    rows = [_base_row(design, completed, j) for j in range(len(design.terms))]
    pooled = pd.DataFrame(rows, columns=table.columns).astype(table.dtypes)
    base = (table["model"] == BASE).to_numpy()
    first = int(base.argmax()) if base.any() else len(table)
    kept, former = table[~base], [row for _, row in table[base].iterrows()]
    return with_former(pd.concat([kept[:first], pooled, kept[first:]], ignore_index=True), former)


def _base_row(design: Design, completed: Completed, j: int) -> dict[str, Any]:
    """Term `j` of the base model given the others, as `base_model_rows` has it, over the copies."""
    assert completed.bases is not None
    term, kind = design.terms[j], kind_of(design.kind)
    seen = np.asarray(completed.plan.observed.any(axis=1))[:, None]
    size = int(design.response.effective_sizes(seen)[0])
    row = dict.fromkeys(COLUMNS, np.nan) | {
        "outcome": design.outcome, "feature": "", "model": BASE, "term": term.name,
        "effect_measure": effect_text(design.kind, term.contrast), "n": int(seen.sum()),
        "events": kind.events(design, seen)[0], "n_left_out": int(design.n_study - seen.sum()),
        "method": method_text(design, penalised=False), "note": "",
    }  # fmt: skip
    if size < kind.least:
        return row | {"note": too_few(design.kind, size)}
    scaled = standardised_outcome(design)
    fits = pool_fits(
        scaled,
        [
            fit_columns(
                scaled.response, np.delete(base, j, axis=1), base[:, [j]], observed=seen, intervals=False,
                errors=True,
            )
            for base in completed.bases
        ],
        seen,
    )  # fmt: skip
    if fits.failed[0]:
        reason = REASONS[int(fits.code[0])].replace("the feature", "the covariate")
        return row | {"note": f"not assessed: {reason} (in {fits.failed[0]} of {completed.m} imputations)"}
    how = model_of(design.kind, row["method"], firth=bool(fits.firth[0]))
    values = [fits.coef[0, -1], fits.ci_low[0], fits.ci_high[0], fits.p_value[0]]
    method = f"{how}, {completed.m} imputations pooled {pooling_rule(fits)}"
    return row | dict(zip(NUMBERS, values)) | {"method": method}


def _covariate_row(design: Design, name: str, found: CompletedCovariates, everybody: int) -> dict[str, Any]:
    n, there = found.counts[name], design.n
    return dict.fromkeys(IMPUTATION_COLUMNS, np.nan) | {
        "outcome": design.outcome, "feature": COVARIATE + name, "n": everybody, "n_known": there - n,
        "n_imputed": n, "n_beyond_limit": 0, "n_not_imputed": everybody - there,
        "imputations": found.completed.m, "predictors": found.predictors[name],
        "model": found.models[name], "note": found.left_out.get(name, ""),
    }  # fmt: skip
