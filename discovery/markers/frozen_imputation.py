"""How a run imputed missing values, written down: number of copies, method and predictors of every column."""

from __future__ import annotations

from collections.abc import Iterable

from discovery.association.design import Design
from discovery.cohort.imputation import Completed
from discovery.cohort.imputation_table import drawn_how
from discovery.cohort.incomplete_covariates import CompletedWithCovariates
from discovery.cohort.outcome_predictors import outcome_columns
from discovery.markers.frozen import FrozenImputation, FrozenImputedColumn


def freeze_imputation(
    design: Design,
    completed: Completed | None,
    imputations: int,
    features: Iterable[str],
    covariates: Iterable[str],
) -> FrozenImputation:
    """What was imputed for the outcome of `design`: those of the `covariates` and `features` with gaps."""
    possible = bool(imputations) and outcome_columns(design).shape[1] > 0
    return FrozenImputation(
        imputations=imputations if possible else 0,
        outcome=possible,
        site=possible
        and (design.stratum is not None or any(term.covariate == "site" for term in design.terms)),
        columns=()
        if completed is None or not possible
        else _columns(design, completed, {False: set(features), True: set(covariates)}),
    )


def _columns(
    design: Design, completed: Completed, told: dict[bool, set[str]]
) -> tuple[FrozenImputedColumn, ...]:
    """told : names of features (False) and covariates (True) that the file is about."""
    plan, names, terms, gaps = completed.plan, list(design.feature_names), design.terms, set()
    if isinstance(completed, CompletedWithCovariates):
        chain = completed.chain
        plan, terms = chain.plan, chain.design.terms
        gaps = {covariate.name for covariate in chain.covariates}
        names += [covariate.name for covariate in chain.covariates]
    base = [term.name for term in terms if term.covariate not in {"site", *gaps}]
    return tuple(
        FrozenImputedColumn(
            name=names[j],
            role="covariate" if covariate else "feature",
            method=drawn_how(plan, c),
            predictors=(*base, *(names[k] for k in plan.neighbours[c] if k >= 0)),
        )
        for c, j in enumerate(plan.columns)
        if names[j] in told[covariate := bool(j >= len(design.feature_names))]
    )
