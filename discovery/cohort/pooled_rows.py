"""Rows of a screen with pooled answers: which of them can be assessed, numbers, method, notes."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.association.kinds import kind_of
from discovery.association.screen_rows import ADJUSTED
from discovery.association.screen_words import (
    FAMILYWISE_BELOW,
    FAMILYWISE_FIRST,
    FEW,
    LEANS,
    RANKED_MISSING,
    UNRANKED,
    familywise_below,
    familywise_first,
    few_words,
    leans_on_distribution,
    percent_missing,
    too_few,
)
from discovery.cohort.drawn_spread import DRAWS
from discovery.cohort.imputation import Completed, completed_design
from discovery.cohort.imputed_fits import ImputedFits
from discovery.kernels.screen_fit import REASONS
from discovery.problems import counted
from discovery.terms import COMPLETE_CASES

COUNTS = ["n", "n_left_out", "events"]
NUMBERS = ["estimate", "ci_low", "ci_high", "p_value"]
FIRTH, TEST_OR_INTERVAL = "Firth penalty", re.compile(r"\b(test|interval)\b")
RUBIN = "by Rubin's rules, t test and interval with Barnard-Rubin df"
SPREAD = f"by Rubin's rules, t test with Barnard-Rubin df, interval from {DRAWS} bootstrap draws"
NOMINAL = 0.05  # that an interval of 95 % goes with
FAMILYWISE_OF = "; familywise p by permutation in complete cases"
NO_INTERVAL = "no interval: the estimate hangs on very few patients"
DISAGREE = (
    "p and interval disagree about 0: p by Rubin's rules, which are cautious here, interval by bootstrap"
)


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


def rows_with(
    design: Design,
    table: pd.DataFrame,
    completed: Completed,
    fits: ImputedFits,
    judged: Judged,
    model: str = ADJUSTED,
    covariates: str = "",
) -> pd.DataFrame:
    """Rows of `model` (its name or how that begins) with the pooled answers; former rows of the main model
    are kept as "complete cases"."""
    table = table.copy()
    plan = completed.plan
    places = {
        (feature, term): at
        for at, feature, term, name in zip(table.index, table["feature"], table["term"], table["model"])
        if str(name) == model or (model != ADJUSTED and str(name).startswith(model + ":"))
    }
    before = {column: dict(zip(table.index, table[column])) for column in ("note", "p_familywise", "method")}
    said: dict[str, dict] = {name: {} for name in (*COUNTS, "note", "method", *NUMBERS)}  # by column and row
    former, leaning = [], _leaning(design, completed, fits, judged)
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
        for place in (at, *each):
            _say(said, place, COUNTS, counts)
        note = str(before["note"][at])
        if not good:
            for place in (at, *each):
                _say(said, place, NUMBERS, [np.nan] * len(NUMBERS))
            said["note"][at] = _note([judged.why[c], *_lasting(note)], plan, c, covariates)
            continue
        permuted = before["p_familywise"][at]
        how = model_of(design.kind, before["method"][at], firth=fits.firth[c])
        other = "" if np.isnan(permuted) else FAMILYWISE_OF
        said["method"][at] = f"{how}, {completed.m} imputations pooled {pooling_rule(fits)}{other}"
        _say(said, at, NUMBERS, [fits.coef[c, -1], fits.ci_low[c], fits.ci_high[c], fits.p_value[c]])
        warnings = _warnings(
            design, fits, c, int(judged.sizes[c]), permuted, _lasting(note) + leaning.get(c, [])
        )
        said["note"][at] = _note(warnings, plan, c, covariates)
        for k, place in enumerate(each):
            _say(said, place, NUMBERS, _contrast(fits, c, k))
            said["method"][place] = f"{how}, {completed.m} imputations pooled {RUBIN}"
    for column, values in said.items():
        if values:
            table.loc[[*values], column] = [*values.values()]
    return with_former(table, former)


def _say(said: dict[str, dict], place: object, columns: list[str], values: list) -> None:
    """Note `values` for `columns` of the row at `place`: a table takes them all at once far faster."""
    for column, value in zip(columns, values):
        said[column][place] = value


def _leaning(design: Design, completed: Completed, fits: ImputedFits, judged: Judged) -> dict[int, list[str]]:
    """By place, the remark on a pooled p that is small where the middle one of the copies' p-values of a test
    that asks less of the outcome's distribution is not."""
    small = np.flatnonzero(judged.good & (fits.p_value <= NOMINAL))
    if not small.size:
        return {}
    found = []
    for k in range(completed.m):
        copy = completed_design(design, completed, k).take_features(completed.plan.columns[small])
        p = kind_of(design.kind).p_without_distribution(copy)
        if p is None:
            return {}
        found.append(p)
    return {
        int(c): [leans_on_distribution(p)] for c, p in zip(small, np.median(found, axis=0)) if p > NOMINAL
    }


def with_former(table: pd.DataFrame, former: list) -> pd.DataFrame:
    """The table with its former rows beneath, called complete cases."""
    if not former:
        return table
    rows = pd.DataFrame(former).astype(table.dtypes)
    rows["model"], rows["q_value"] = COMPLETE_CASES, np.nan
    return pd.concat([table, rows], ignore_index=True)


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
    counting = (*FEW, "not assessed", FAMILYWISE_BELOW, LEANS)
    return [
        part
        for part in note.split("; ")
        if part and not part.startswith(counting) and not part.endswith(FAMILYWISE_FIRST)
    ]


def model_of(kind: str, method, *, firth: bool = False) -> str:
    """The model of a row's method text, and how it takes outcome and sites, without test and interval."""
    model, *others = str(method).split("; ")[0].split(", ")
    about = [part for part in others if not TEST_OR_INTERVAL.search(part) and part != FIRTH]
    robust = ["robust by patient"] if kind_of(kind).by_patient else []
    return ", ".join([model, *([FIRTH] if firth else []), *robust, *about])


def pooling_rule(fits: ImputedFits) -> str:
    if fits.classes is None:
        return RUBIN if fits.spread is None else SPREAD
    return "over all classes (D1), each copy's covariance scaled to its likelihood ratio"


def _contrast(fits: ImputedFits, c, k: int) -> list[float]:
    assert fits.classes is not None
    one = fits.classes.contrast
    low, high = one.interval()
    return [one.estimate[c, k], low[c, k], high[c, k], one.p_value[c, k]]


def _note(parts: list[str], plan, c, covariates: str) -> str:
    words = [f"imputed in {counted(plan.n_missing[c])}"] if plan.n_missing[c] else []
    if plan.n_limited[c]:
        words.append(f"{plan.n_limited[c]} of them known only to lie beyond a limit")
    reason = plan.reason[plan.columns[c]]
    if reason:
        words.append("not imputed" if reason.endswith("% missing") else reason)  # the share is said once
    return "; ".join(filter(None, [*parts, ", ".join(words), covariates]))


def with_shares_missing(design: Design, rows: pd.DataFrame) -> list[str]:
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
