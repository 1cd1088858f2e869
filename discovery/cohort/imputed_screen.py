"""A screen whose incomplete features are answered by multiple imputation, complete cases beside them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.association.multiplicity import adjust, combine_by_cauchy
from discovery.association.screen import Screen
from discovery.association.screen_rows import ADJUSTED, cause_model
from discovery.cohort.imputation import Completed, complete, plan_imputation
from discovery.cohort.imputation_table import IMPUTATION_COLUMNS, imputation_table
from discovery.cohort.imputed_fits import ImputedFits, fit_imputed
from discovery.cohort.outcome_predictors import outcome_columns
from discovery.cohort.pooled_rows import COMPLETE_CASES, Judged, judge, rows_with, with_shares_missing
from discovery.kernels.screen_fit import NOTHING_TO_FIT, OK
from discovery.study.limits import Limits


@dataclass(frozen=True, kw_only=True)
class ImputedScreen:
    """A screen with the answers of imputation in it.

    screen : with pooled rows for the imputed features, their former rows as model "complete cases"
    completed, fits : the copies and their pooled models, None where nothing was imputed
    table : a row for every feature with gaps (`IMPUTATION_COLUMNS`)
    notes : for the reader
    design : of the patients that `completed` fills, where covariates are imputed and they are more than those
        of the screen's design
    """

    screen: Screen
    completed: Completed | None
    fits: ImputedFits | None
    table: pd.DataFrame
    notes: tuple[str, ...]
    design: Design | None = None


def impute_screen(
    design: Design,
    screen: Screen,
    *,
    imputations: int,
    seed: int,
    limits: Limits | None = None,
    fdr: float = 0.05,
    multiplicity: str = "selected-cells",
) -> ImputedScreen:
    """Pool the models of the features that have gaps; a screen without gaps comes back as it is.

    Parameters
    ----------
    imputations : copies at least (one for each percent missing if that is more); 0 imputes nothing
    limits : values known only to lie beyond a limit

    Notes
    -----
    `p_familywise`, the bends of a flexible shape and their test stay those of the patients with a value. With
    a flexible shape the pooled p of the straight line is combined with the spline's p of those patients.
    Where no pooled model can be assessed, the row stays that of the complete cases.
    """
    nothing = pd.DataFrame(columns=list(IMPUTATION_COLUMNS))
    none = ImputedScreen(screen=screen, completed=None, fits=None, table=nothing, notes=())
    if not imputations or design.observed.all():
        return none
    if not outcome_columns(design).shape[1]:
        note = "values are not imputed: an outcome of this kind cannot enter the imputation model"
        return replace(none, notes=(note,))
    plan = plan_imputation(design, limits)
    if not plan.columns.size:
        return replace(none, table=imputation_table(design, screen, None, None, plan), notes=plan.notes)
    completed = complete(design, plan, imputations=imputations, seed=seed)
    plan = completed.plan
    fits = fit_imputed(design, completed)
    new = screen_with(design, screen, completed, fits, fdr, multiplicity)
    return ImputedScreen(
        screen=new,
        completed=completed,
        fits=fits,
        table=imputation_table(design, screen, completed, fits, plan),
        notes=plan.notes,
    )


def screen_with(
    design, screen, completed, fits: ImputedFits, fdr, multiplicity, covariates: str = ""
) -> Screen:
    """The screen with the pooled answers of the features that can be assessed.

    covariates : which ones were imputed, for the notes. All rows then are of the patients of `design`, and a
    feature that cannot be assessed in them is not, whatever the complete cases say; "" leaves it with theirs.
    """
    judged = judge(design, completed, fits)
    taken = np.ones(len(judged.good), dtype=bool) if covariates else judged.good
    new = _numbers_with(design, screen, completed, fits, judged, taken)
    q = adjust({design.outcome: new.p_value}, multiplicity, fdr).q_value[design.outcome]
    table = rows_with(design, screen.table, completed, fits, judged, covariates=covariates)
    main = (table["model"] == ADJUSTED) & (table["term"] == table["feature"])
    if covariates:  # the screen counted in the patients with all of them
        listed = main | ((table["model"] == COMPLETE_CASES) & (table["term"] == table["feature"]))
        table.loc[listed, "note"] = with_shares_missing(design, table[listed])
    table.loc[main, "q_value"] = q
    table.loc[main, "p_value"] = new.p_value
    for cause in design.causes:
        if cause != design.cause:
            table = _other_cause_with(design.for_cause(cause), table, completed, covariates)
    return replace(new, table=table, q_value=q)


def _numbers_with(
    design: Design, screen: Screen, completed: Completed, fits: ImputedFits, judged: Judged, taken: np.ndarray
) -> Screen:
    """The arrays of the screen with those of the pooled models `taken` (c,) bool in their places; NaN for one
    that cannot be assessed."""
    columns = completed.plan.columns[taken]
    good = judged.good[taken]
    known = np.where(good, 1.0, np.nan)

    def put(former: np.ndarray, pooled) -> np.ndarray:
        new = former.copy()
        new[columns] = pooled
        return new

    p_value = fits.p_value[taken] * known
    if screen.shapes is not None:
        bent = np.where(screen.shapes.df[columns] > 0, screen.shapes.p_spline[columns], np.nan)
        p_value = combine_by_cauchy(np.column_stack([p_value, bent * known]))
    fit = screen.fit
    pooled = {
        "coef": fits.coef[taken] * known[:, None], "se": fits.se[taken] * known, "z": fits.z[taken] * known,
        "code": np.where(good, OK, NOTHING_TO_FIT), "n": fits.n[taken],
    }  # fmt: skip
    if design.event is not None:
        pooled["events"] = np.rint(design.event @ completed.plan.observed[:, columns])
    if fits.classes is not None:
        pooled |= {name: getattr(fits.classes, name)[taken] for name in ("contrasts", "covariance")}
    return replace(
        screen,
        fit=fit._replace(**{name: put(getattr(fit, name), values) for name, values in pooled.items()}),
        firth=put(screen.firth, fits.firth[taken]),
        sizes=put(screen.sizes, judged.sizes[taken]),
        variance_increase=put(screen.variance_increase, fits.pooled.riv[taken]),
        assessed=put(screen.assessed, good),
        p_value=put(screen.p_value, p_value),
    )


def _other_cause_with(
    design: Design, table: pd.DataFrame, completed: Completed, covariates: str
) -> pd.DataFrame:
    """The table with pooled rows of the competing event that `design` is of."""
    fits = fit_imputed(design, completed)
    model = f"competing event {design.cause}"
    if not table["model"].str.startswith(model + ":").any():  # none with all covariates has had it
        main = (table["model"] == ADJUSTED) & (table["term"] == table["feature"])
        rows = table[main].assign(model=cause_model(design.cause), q_value=np.nan, p_familywise=np.nan)
        table = pd.concat([table, rows], ignore_index=True)
    return rows_with(design, table, completed, fits, judge(design, completed, fits), model, covariates)
