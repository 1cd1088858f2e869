"""A screen whose incomplete features are answered by multiple imputation, complete cases beside them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.association.kinds import kind_of
from discovery.association.multiplicity import adjust, combine_by_cauchy
from discovery.association.screen import (
    ADJUSTED,
    FAMILYWISE_BELOW,
    FEW,
    RANKED_MISSING,
    UNRANKED,
    Screen,
    familywise_below,
    few_words,
    percent_missing,
)
from discovery.cohort.drawn_spread import DRAWS
from discovery.cohort.imputation import Completed, complete, plan_imputation
from discovery.cohort.imputed_fits import ImputedFits, fit_imputed
from discovery.cohort.outcome_predictors import outcome_columns
from discovery.problems import counted
from discovery.study.limits import Limits

COMPLETE_CASES = "complete cases"
MATCHING, NORMAL, NORMAL_WITHIN = DRAWN_HOW = (
    "predictive mean matching",
    "normal",
    "normal, truncated at limits",
)
RUBIN = "by Rubin's rules, t test and interval with Barnard-Rubin df"
SPREAD = f"by Rubin's rules, t test with Barnard-Rubin df, interval from {DRAWS} bootstrap draws"
NOMINAL = 0.05  # that an interval of 95 % goes with
FAMILYWISE_OF = "; familywise p by permutation in complete cases"
NO_INTERVAL = "no interval: the estimate hangs on very few patients"
DISAGREE = (
    "p and interval disagree about 0: p by Rubin's rules, which are cautious here, interval by bootstrap"
)
IMPUTATION_COLUMNS = (
    "outcome", "feature", "n", "n_known", "n_imputed", "n_beyond_limit", "n_not_imputed", "imputations",
    "predictors", "model", "estimate", "se", "df", "relative_increase_of_variance",
    "fraction_missing_information", "monte_carlo_error", "p_value", "estimate_complete_cases",
    "p_value_complete_cases", "note",
)  # fmt: skip


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
    sizes = design.response.effective_sizes(plan.observed[:, plan.columns])
    good = (fits.failed == 0) & np.isfinite(fits.p_value) & (sizes >= kind_of(design.kind).least)
    new = screen_with(design, screen, completed, fits, good, fdr, multiplicity)
    return ImputedScreen(
        screen=new,
        completed=completed,
        fits=fits,
        table=imputation_table(design, screen, completed, fits, plan),
        notes=plan.notes,
    )


def with_former(table: pd.DataFrame, former: list) -> pd.DataFrame:
    """The table with its former rows beneath, called complete cases."""
    if not former:
        return table
    rows = pd.DataFrame(former).astype(table.dtypes)
    rows["model"], rows["q_value"] = COMPLETE_CASES, np.nan
    return pd.concat([table, rows], ignore_index=True)


def screen_with(
    design, screen, completed, fits: ImputedFits, good, fdr, multiplicity, covariates=""
) -> Screen:
    """The screen with the pooled answers of the features `good` (c,) bool; `covariates` for the notes."""
    columns = completed.plan.columns[good]
    fit = screen.fit
    coef, se, z, code, n = fit.coef.copy(), fit.se.copy(), fit.z.copy(), fit.code.copy(), fit.n.copy()
    coef[columns], se[columns], z[columns] = fits.coef[good], fits.se[good], fits.z[good]
    code[columns], n[columns] = 0, fits.n[good]
    events = fit.events.copy()
    if design.event is not None:
        events[columns] = np.rint(design.event @ completed.plan.observed[:, columns]).astype(events.dtype)
    firth, p, assessed = screen.firth.copy(), screen.p_value.copy(), screen.assessed.copy()
    firth[columns], assessed[columns] = fits.firth[good], True
    p[columns] = fits.p_value[good]
    if screen.shapes is not None:
        bent = np.where(screen.shapes.df[columns] > 0, screen.shapes.p_spline[columns], np.nan)
        p[columns] = combine_by_cauchy(np.column_stack([fits.p_value[good], bent]))
    q = adjust({design.outcome: p}, multiplicity, fdr).q_value[design.outcome]
    table = _rows_with(design, screen.table, completed, fits, good, covariates=covariates)
    main = (table["model"] == ADJUSTED) & (table["term"] == table["feature"])
    if covariates:  # the screen counted in the patients with all of them
        listed = main | ((table["model"] == COMPLETE_CASES) & (table["term"] == table["feature"]))
        table.loc[listed, "note"] = _shares_of(design, table[listed])
    table.loc[main, "q_value"] = q
    table.loc[main, "p_value"] = p
    for cause in design.causes:
        if cause != design.cause:
            other = design.for_cause(cause)
            again = fit_imputed(other, completed)
            fine = (
                good
                & (again.failed == 0)
                & (
                    other.response.effective_sizes(completed.plan.observed[:, completed.plan.columns])
                    >= kind_of(design.kind).least
                )
            )
            table = _rows_with(other, table, completed, again, fine, f"competing event {cause}")
    return replace(
        screen,
        table=table,
        fit=fit._replace(
            coef=coef, se=se, z=z, code=code, n=n, events=events, **_contrasts(fit, fits, columns, good)
        ),
        firth=firth,
        p_value=p,
        q_value=q,
        assessed=assessed,
    )


def _contrasts(fit, fits: ImputedFits, columns, good) -> dict[str, np.ndarray]:
    """The fields of a multinomial fit that others do not have."""
    if fits.classes is None:
        return {}
    contrasts, covariance = fit.contrasts.copy(), fit.covariance.copy()
    contrasts[columns], covariance[columns] = fits.classes.contrasts[good], fits.classes.covariance[good]
    return {"contrasts": contrasts, "covariance": covariance}


def _rows_with(
    design, table, completed, fits, good, model: str = ADJUSTED, covariates: str = ""
) -> pd.DataFrame:
    """Rows of `model` (its name or how that begins) with the pooled answers; former rows of the main model
    are kept as "complete cases"."""
    table = table.copy()
    plan = completed.plan
    places = {
        (row["feature"], row["term"]): at
        for at, row in table.iterrows()
        if str(row["model"]) == model or (model != ADJUSTED and str(row["model"]).startswith(model + ":"))
    }
    former = []
    for c in np.flatnonzero(good):
        j = plan.columns[c]
        name = design.feature_names[j]
        at = places[(name, name)]
        each = []  # rows of classes against the first
        if fits.classes is not None:
            each = [places[key] for key in places if key[0] == name and " against " in key[1]]
        if model == ADJUSTED:
            former += [table.loc[place].copy() for place in (at, *each)]
        seen = plan.observed[:, j]
        events = kind_of(design.kind).events(design, seen[:, None])[0]
        table.loc[at, ["estimate", "ci_low", "ci_high", "p_value"]] = [
            fits.coef[c, -1], fits.ci_low[c], fits.ci_high[c], fits.p_value[c],
        ]  # fmt: skip
        table.loc[at, ["n", "n_left_out"]] = [int(seen.sum()), int(design.n_study - seen.sum())]
        table.loc[at, "events"] = events
        how = model_of(design.kind, table.loc[at, "method"])
        permuted = table.loc[at, "p_familywise"]
        other = "" if np.isnan(permuted) else FAMILYWISE_OF
        table.loc[at, "method"] = f"{how}, {completed.m} imputations pooled {pooling_rule(fits)}{other}"
        note = str(table.loc[at, "note"])
        note = "; ".join(part for part in note.split("; ") if not part.startswith(FAMILYWISE_BELOW))
        if permuted < fits.p_value[c]:
            note = "; ".join(filter(None, [note, familywise_below("is of the patients with all values")]))
        if covariates:  # the former warning counts the patients with all covariates
            note = "; ".join(filter(None, [_few(design, seen), *_without_few(note)]))
        if np.isfinite(fits.coef[c, -1]) and np.isnan(fits.ci_low[c]) and np.isnan(fits.ci_high[c]):
            note = "; ".join(filter(None, [note, NO_INTERVAL]))
        outside = fits.ci_low[c] > 0 or fits.ci_high[c] < 0
        if fits.spread is not None and outside != (fits.p_value[c] < NOMINAL):
            note = "; ".join(filter(None, [note, DISAGREE]))
        table.loc[at, "note"] = _note(note, plan, c, covariates)
        for k, place in enumerate(each):
            table.loc[place, ["n", "n_left_out", "events"]] = table.loc[at, ["n", "n_left_out", "events"]]
            table.loc[place, ["estimate", "ci_low", "ci_high", "p_value"]] = _contrast(fits, c, k)
            table.loc[place, "method"] = f"{how}, {completed.m} imputations pooled {RUBIN}"
    return with_former(table, former)


def model_of(kind: str, method) -> str:
    """The model of a row's method text, without its test and interval."""
    robust = ", robust by patient" if kind_of(kind).by_patient else ""
    return str(method).split(", ")[0] + robust


def pooling_rule(fits: ImputedFits) -> str:
    if fits.classes is None:
        return RUBIN if fits.spread is None else SPREAD
    return "over all classes (D1), each copy's covariance scaled to its likelihood ratio"


def _contrast(fits: ImputedFits, c, k: int) -> list[float]:
    assert fits.classes is not None
    one = fits.classes.contrast
    low, high = one.interval()
    return [one.estimate[c, k], low[c, k], high[c, k], one.p_value[c, k]]


def _few(design: Design, seen: np.ndarray) -> str:
    size = int(design.response.effective_sizes(seen[:, None])[0])
    return few_words(design.kind, size, kind_of(design.kind).coefficients_of(design.base.shape[1]))


def _without_few(note: str) -> list[str]:
    return [part for part in note.split("; ") if not part.startswith((*FEW, "not assessed"))]


def _shares_of(design: Design, rows: pd.DataFrame) -> list[str]:
    """The notes of `rows` with the share missing among the patients of `design`, as the ranking counts it;
    complete cases are not what is ranked, and their notes have none."""
    share = dict(zip(design.feature_names, 1 - design.observed.mean(axis=0)))
    notes = []
    for name, model, note in zip(rows["feature"], rows["model"], rows["note"]):
        parts = [part for part in str(note).split("; ") if part and not part.endswith(UNRANKED)]
        if model == ADJUSTED and share[name] > RANKED_MISSING:
            reasons = sum(part.startswith("not assessed") for part in parts)  # these stay first
            parts.insert(reasons, f"{percent_missing(share[name])}{UNRANKED}")
        notes.append("; ".join(parts))
    return notes


def _note(note: str, plan, c, covariates: str) -> str:
    words = [f"imputed in {counted(plan.n_missing[c])}"] if plan.n_missing[c] else []
    if plan.n_limited[c]:
        words.append(f"{plan.n_limited[c]} of them known only to lie beyond a limit")
    reason = plan.reason[plan.columns[c]]
    if reason:
        words.append("not imputed" if reason.endswith("% missing") else reason)  # the share is said once
    kept = "" if note.startswith("not assessed") else note
    return "; ".join(filter(None, [kept, ", ".join(words), covariates]))


def imputation_table(design: Design, screen: Screen, completed, fits, plan) -> pd.DataFrame:
    """A row for every feature with a gap."""
    place: dict[int, int] = {int(j): c for c, j in enumerate(plan.columns)}
    main = screen.table[
        (screen.table["model"] == ADJUSTED) & (screen.table["term"] == screen.table["feature"])
    ]
    alone = main.set_index("feature")
    rows = []
    for j in np.flatnonzero(~design.observed.all(axis=0)):
        name, known = design.feature_names[j], int(design.observed[:, j].sum())
        row: dict[str, Any] = dict.fromkeys(IMPUTATION_COLUMNS, np.nan) | {
            "outcome": design.outcome,
            "feature": name,
            "n": design.n,
            "n_known": known,
            "n_imputed": 0,
            "n_beyond_limit": 0,
            "n_not_imputed": design.n - int(plan.observed[:, j].sum()),
            "imputations": 0,
            "model": "",
            "estimate_complete_cases": alone.loc[name, "estimate"],
            "p_value_complete_cases": alone.loc[name, "p_value"],
            "note": plan.reason[j],
        }
        c = place.get(int(j))
        if c is not None and fits is not None:
            pooled = fits.pooled
            row |= {
                "n_imputed": int(plan.n_missing[c]),
                "n_beyond_limit": int(plan.n_limited[c]),
                "imputations": completed.m,
                "predictors": int(plan.predictors[c]),
                "model": drawn_how(plan, c) if plan.n_missing[c] else "",
                "estimate": pooled.estimate[c],
                "se": pooled.se[c],
                "df": pooled.df[c],
                "relative_increase_of_variance": pooled.riv[c],
                "fraction_missing_information": pooled.fmi[c],
                "monte_carlo_error": pooled.monte_carlo_error[c],
                "p_value": fits.p_value[c],
            }
            if fits.failed[c]:
                row["note"] = "; ".join(
                    filter(None, [row["note"], f"no fit in {fits.failed[c]} of {completed.m} copies"])
                )
        rows.append(row)
    counts = ("n", "n_known", "n_imputed", "n_beyond_limit", "n_not_imputed", "imputations", "predictors")
    table = pd.DataFrame(rows, columns=list(IMPUTATION_COLUMNS))
    return table.astype(dict.fromkeys(counts, "Int64"))


def drawn_how(plan, c: int) -> str:
    """How missing values of column `c` of an imputation plan are drawn, in words."""
    from discovery.kernels.chained import MATCHED

    if plan.how[c] == MATCHED:
        return MATCHING
    return NORMAL_WITHIN if plan.n_limited[c] else NORMAL
