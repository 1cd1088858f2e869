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
    FAMILYWISE_FIRST,
    FEW,
    RANKED_MISSING,
    UNRANKED,
    Screen,
    cause_model,
    familywise_below,
    familywise_first,
    few_words,
    percent_missing,
    too_few,
)
from discovery.cohort.drawn_spread import DRAWS
from discovery.cohort.imputation import Completed, complete, plan_imputation
from discovery.cohort.imputed_fits import ImputedFits, fit_imputed
from discovery.cohort.outcome_predictors import outcome_columns
from discovery.kernels.screen_fit import NOTHING_TO_FIT, OK, REASONS
from discovery.problems import counted
from discovery.study.limits import Limits

COMPLETE_CASES = "complete cases"
NUMBERS = ["estimate", "ci_low", "ci_high", "p_value"]
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


def with_former(table: pd.DataFrame, former: list) -> pd.DataFrame:
    """The table with its former rows beneath, called complete cases."""
    if not former:
        return table
    rows = pd.DataFrame(former).astype(table.dtypes)
    rows["model"], rows["q_value"] = COMPLETE_CASES, np.nan
    return pd.concat([table, rows], ignore_index=True)


@dataclass(frozen=True, kw_only=True)
class Judged:
    """Of pooled models (c,): `sizes` of what limits them, and `why` not assessed, "" where they are."""

    sizes: np.ndarray
    why: np.ndarray

    @property
    def good(self) -> np.ndarray:
        return self.why == ""


def judge(design: Design, completed: Completed, fits: ImputedFits) -> Judged:
    """The rules of a screen, for pooled models by the patients who are in them."""
    sizes = design.response.effective_sizes(completed.plan.observed[:, completed.plan.columns])
    why = np.full(len(sizes), "", dtype=object)
    why[~np.isfinite(fits.p_value)] = "not assessed: the pooled test is not defined"
    for c in np.flatnonzero(fits.failed):
        some = f" (in {fits.failed[c]} of {completed.m} imputations)" if fits.failed[c] < completed.m else ""
        reason = REASONS[int(fits.code[c])] or "an estimate has no error"
        why[c] = f"not assessed: {reason}{some}"
    bases = [design.base] if completed.bases is None else completed.bases
    faults = filter(None, (kind_of(design.kind).base_fault(replace(design, base=base)) for base in bases))
    if fault := next(faults, ""):
        why[:] = f"not assessed: {fault}"
    for c in np.flatnonzero(sizes < kind_of(design.kind).least):
        why[c] = too_few(design.kind, int(sizes[c]))
    return Judged(sizes=sizes, why=why)


def screen_with(
    design, screen, completed, fits: ImputedFits, fdr, multiplicity, covariates: str = ""
) -> Screen:
    """The screen with the pooled answers of the features that can be assessed.

    covariates : which ones were imputed, for the notes. All rows then are of the patients of `design`, and a
    feature that cannot be assessed in them is not, whatever the complete cases say; "" leaves it with theirs.
    """
    judged = judge(design, completed, fits)
    good = judged.good
    taken = np.ones(len(good), dtype=bool) if covariates else good
    columns = completed.plan.columns[taken]
    fit = screen.fit
    coef, se, z, code, n = fit.coef.copy(), fit.se.copy(), fit.z.copy(), fit.code.copy(), fit.n.copy()
    known = np.where(good, 1.0, np.nan)[taken]
    coef[columns] = fits.coef[taken] * known[:, None]
    se[columns], z[columns] = fits.se[taken] * known, fits.z[taken] * known
    code[columns] = np.where(good[taken], OK, NOTHING_TO_FIT)
    n[columns] = fits.n[taken]
    events = fit.events.copy()
    if design.event is not None:
        events[columns] = np.rint(design.event @ completed.plan.observed[:, columns]).astype(events.dtype)
    firth, p, assessed = screen.firth.copy(), screen.p_value.copy(), screen.assessed.copy()
    sizes = screen.sizes.copy()
    firth[columns], assessed[columns], sizes[columns] = fits.firth[taken], good[taken], judged.sizes[taken]
    p[columns] = fits.p_value[taken] * known
    if screen.shapes is not None:
        bent = np.where(screen.shapes.df[columns] > 0, screen.shapes.p_spline[columns], np.nan)
        p[columns] = combine_by_cauchy(np.column_stack([p[columns], bent * known]))
    q = adjust({design.outcome: p}, multiplicity, fdr).q_value[design.outcome]
    table = _rows_with(design, screen.table, completed, fits, judged, covariates=covariates)
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
            found, model = judge(other, completed, again), f"competing event {cause}"
            if not table["model"].str.startswith(model + ":").any():  # none with all covariates has had it
                rows = table[main].assign(model=cause_model(cause), q_value=np.nan, p_familywise=np.nan)
                table = pd.concat([table, rows], ignore_index=True)
            table = _rows_with(other, table, completed, again, found, model, covariates)
    return replace(
        screen,
        table=table,
        fit=fit._replace(
            coef=coef, se=se, z=z, code=code, n=n, events=events, **_contrasts(fit, fits, columns, taken)
        ),
        firth=firth,
        sizes=sizes,
        p_value=p,
        q_value=q,
        assessed=assessed,
    )


def _contrasts(fit, fits: ImputedFits, columns, taken) -> dict[str, np.ndarray]:
    """The fields of a multinomial fit that others do not have."""
    if fits.classes is None:
        return {}
    contrasts, covariance = fit.contrasts.copy(), fit.covariance.copy()
    contrasts[columns], covariance[columns] = fits.classes.contrasts[taken], fits.classes.covariance[taken]
    return {"contrasts": contrasts, "covariance": covariance}


def _rows_with(
    design, table, completed, fits, judged: Judged, model: str = ADJUSTED, covariates: str = ""
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
    for c, good in enumerate(judged.good):
        if not (good or covariates):
            continue
        name = design.feature_names[plan.columns[c]]
        at = places[(name, name)]
        each = []  # rows of classes against the first
        if fits.classes is not None:
            each = [places[key] for key in places if key[0] == name and " against " in key[1]]
        if model == ADJUSTED:
            former += [table.loc[place].copy() for place in (at, *each)]
        seen = plan.observed[:, plan.columns[c]]
        counts = [
            int(seen.sum()), int(design.n_study - seen.sum()),
            kind_of(design.kind).events(design, seen[:, None])[0],
        ]  # fmt: skip
        table.loc[[at, *each], ["n", "n_left_out", "events"]] = counts
        note = str(table.loc[at, "note"])
        if not good:
            table.loc[[at, *each], NUMBERS] = np.nan
            table.loc[at, "note"] = _note([judged.why[c], *_lasting(note)], plan, c, covariates)
            continue
        permuted = table.loc[at, "p_familywise"]
        how = model_of(design.kind, table.loc[at, "method"], firth=fits.firth[c])
        other = "" if np.isnan(permuted) else FAMILYWISE_OF
        table.loc[at, "method"] = f"{how}, {completed.m} imputations pooled {pooling_rule(fits)}{other}"
        table.loc[at, NUMBERS] = [fits.coef[c, -1], fits.ci_low[c], fits.ci_high[c], fits.p_value[c]]
        warnings = _warnings(design, fits, c, int(judged.sizes[c]), permuted, _lasting(note))
        table.loc[at, "note"] = _note(warnings, plan, c, covariates)
        for k, place in enumerate(each):
            table.loc[place, NUMBERS] = _contrast(fits, c, k)
            table.loc[place, "method"] = f"{how}, {completed.m} imputations pooled {RUBIN}"
    return with_former(table, former)


def _warnings(
    design: Design, fits: ImputedFits, c: int, size: int, permuted: float, others: list[str]
) -> list[str]:
    """What to say of a pooled model beside `others`, the gravest first."""
    parts = [few_words(design.kind, size, kind_of(design.kind).coefficients_of(design.base.shape[1]))]
    parts += others
    if np.isfinite(permuted):
        parts.append(familywise_first(design.kind, size))
    if permuted < fits.p_value[c]:
        parts.append(familywise_below("is of the patients with all values"))
    if np.isfinite(fits.coef[c, -1]) and np.isnan(fits.ci_low[c]) and np.isnan(fits.ci_high[c]):
        parts.append(NO_INTERVAL)
    outside = fits.ci_low[c] > 0 or fits.ci_high[c] < 0
    if fits.spread is not None and outside != (fits.p_value[c] < NOMINAL):
        parts.append(DISAGREE)
    return parts


def _lasting(note: str) -> list[str]:
    """The parts of the complete cases' note that do not count patients or compare p-values."""
    counting = (*FEW, "not assessed", FAMILYWISE_BELOW)
    return [
        part
        for part in note.split("; ")
        if part and not part.startswith(counting) and not part.endswith(FAMILYWISE_FIRST)
    ]


def model_of(kind: str, method, *, firth: bool = False) -> str:
    """The model of a row's method text, without its test and interval."""
    penalty = ", Firth penalty" if firth else ""
    robust = ", robust by patient" if kind_of(kind).by_patient else ""
    return str(method).split(", ")[0] + penalty + robust


def pooling_rule(fits: ImputedFits) -> str:
    if fits.classes is None:
        return RUBIN if fits.spread is None else SPREAD
    return "over all classes (D1), each copy's covariance scaled to its likelihood ratio"


def _contrast(fits: ImputedFits, c, k: int) -> list[float]:
    assert fits.classes is not None
    one = fits.classes.contrast
    low, high = one.interval()
    return [one.estimate[c, k], low[c, k], high[c, k], one.p_value[c, k]]


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


def _note(parts: list[str], plan, c, covariates: str) -> str:
    words = [f"imputed in {counted(plan.n_missing[c])}"] if plan.n_missing[c] else []
    if plan.n_limited[c]:
        words.append(f"{plan.n_limited[c]} of them known only to lie beyond a limit")
    reason = plan.reason[plan.columns[c]]
    if reason:
        words.append("not imputed" if reason.endswith("% missing") else reason)  # the share is said once
    return "; ".join(filter(None, [*parts, ", ".join(words), covariates]))


def imputation_table(design: Design, screen: Screen, completed, fits, plan) -> pd.DataFrame:
    """A row for every feature with a gap. se and df are those of the interval, and of p too but where
    episodes are counted; what was missing is by Rubin's rules."""
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
            pooled, spread = fits.pooled, fits.spread
            row |= {
                "n_imputed": int(plan.n_missing[c]),
                "n_beyond_limit": int(plan.n_limited[c]),
                "imputations": completed.m,
                "predictors": int(plan.predictors[c]),
                "model": drawn_how(plan, c) if plan.n_missing[c] else "",
                "estimate": pooled.estimate[c],
                "se": pooled.se[c] if spread is None else fits.se[c],
                "df": pooled.df[c] if spread is None else spread.df[c],
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
