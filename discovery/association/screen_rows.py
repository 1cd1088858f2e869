"""Rows of a screen's table: features, their curvature, the base model, competing events."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.association.kinds import Rows, kind_of
from discovery.association.outcome_models import (
    Fits,
    effect_text,
    fit_columns,
    method_text,
    standardised_outcome,
)
from discovery.association.response import total_over
from discovery.association.screen_words import (
    RANKED_MISSING,
    UNRANKED,
    few_words,
    percent_missing,
    too_few,
)
from discovery.association.shape import ShapeTests
from discovery.kernels.screen_fit import REASONS
from discovery.terms import ENOUGH

COLUMNS = (
    "outcome", "feature", "model", "term", "effect_measure", "estimate", "ci_low", "ci_high", "p_value",
    "q_value", "p_familywise", "n", "events", "n_left_out", "method", "note",
)  # fmt: skip
ADJUSTED, BASE, NONLINEAR, TERMINAL = "adjusted", "base", "nonlinear part", "terminal event"


def fit_features(design: Design, sizes: np.ndarray, conf_level: float) -> tuple[Fits, list[str]]:
    """The fits, and for each feature why it could not be assessed ("" when it was)."""
    enough = sizes >= kind_of(design.kind).least
    observed = design.observed & enough  # a feature that may not be fitted has no rows, so no model
    fits = fit_columns(
        design.response, design.base, design.features, observed=observed, conf_level=conf_level
    )
    reasons = [""] * len(sizes)
    fault = kind_of(design.kind).base_fault(design) if enough.any() else ""
    for j in np.flatnonzero((fits.fit.code != 0) | ~enough | bool(fault)):
        why = f"not assessed: {fault or REASONS[int(fits.fit.code[j])]}"
        reasons[j] = why if enough[j] else too_few(design.kind, int(sizes[j]))
    return fits, reasons


def remarks(design: Design, sizes: np.ndarray, fits: Fits, reasons: list[str]) -> list[list[str]]:
    """Warnings of each feature, the gravest first."""
    kind = kind_of(design.kind)
    parameters = kind.coefficients_of(design.base.shape[1])
    fine = np.array([not reason for reason in reasons], dtype=bool)
    more = kind.remarks(design, fits, fine)
    words = [more[j] if fine[j] else [] for j in range(len(fine))]
    for j in np.flatnonzero(fine & (sizes < ENOUGH * parameters)):
        words[j].append(few_words(design.kind, int(sizes[j]), parameters))
    missing = 1 - total_over(design.observed) / design.n
    for j in np.flatnonzero(missing > RANKED_MISSING):
        words[j].append(f"{percent_missing(missing[j])}{UNRANKED}")
    scales = design.scaling.table
    noted = {scales.index[j]: scales["note"].iloc[j] for j in np.flatnonzero(scales["note"].to_numpy() != "")}
    if noted:
        for own, name in zip(words, design.feature_names):
            if name in noted:
                own.append(str(noted[name]))
    return words


def feature_rows(
    design: Design,
    fits: Fits,
    model: str,
    reasons: list[str],
    words: list[list[str]],
    endings: list[str] | None = None,
) -> Rows:
    """A row a feature: `reasons` why there are no numbers, or ""; `words` for notes; `endings` of methods."""
    texts = {flag: method_text(design, penalised=flag) for flag in (False, True)}
    failed = np.array([reason != "" for reason in reasons], dtype=bool)
    numbers = {
        "estimate": fits.fit.coef[:, -1],
        "ci_low": fits.ci_low,
        "ci_high": fits.ci_high,
        "p_value": fits.p_value,
    }
    return {
        "outcome": design.outcome,
        "feature": list(design.feature_names),
        "model": model,
        "term": list(design.feature_names),
        "effect_measure": effect_text(design.kind, "per 1 SD"),
        **{name: np.where(failed, np.nan, values) for name, values in numbers.items()},
        "q_value": np.nan,
        "p_familywise": np.nan,
        "n": total_over(design.observed),
        "events": _events(design, design.observed),
        "n_left_out": design.n_left_out,
        "method": [texts[bool(f)] + e for f, e in zip(fits.firth, endings or [""] * len(reasons))],
        "note": ["; ".join(filter(None, [a, *b])) if a or b else "" for a, b in zip(reasons, words)],
    }


def curvature_rows(design: Design, fits: Fits, shapes: ShapeTests) -> Rows:
    """The tests of the bends of each feature's curve."""
    p = len(design.feature_names)
    return feature_rows(design, fits, ADJUSTED, [""] * p, [[]] * p) | {
        "term": NONLINEAR,
        "effect_measure": [f"likelihood-ratio test, {k} df" if k else "" for k in shapes.df],
        "estimate": np.nan,
        "ci_low": np.nan,
        "ci_high": np.nan,
        "p_value": shapes.p_nonlinear,
        "q_value": shapes.q_nonlinear,
        "method": [
            f"restricted cubic spline, {len(knots)} knots, test of the bends; q by Benjamini-Hochberg"
            if k
            else ""
            for k, knots in zip(shapes.df, shapes.knots)
        ],
        "note": list(shapes.reason),
    }


def base_model_rows(design: Design, *, conf_level: float = 0.95) -> Rows:
    """The base model by itself: each covariate in turn is tested given the others."""
    design = standardised_outcome(design)
    n, size, q = design.n, design.effective_size, len(design.terms)
    numbers = {name: np.full(q, np.nan) for name in ("estimate", "ci_low", "ci_high", "p_value")}
    methods, notes = [method_text(design, penalised=False)] * q, [""] * q
    failed: dict[int, int] = {}
    for j in range(q):
        if size < kind_of(design.kind).least:
            notes[j] = too_few(design.kind, size)
            continue
        others = np.ascontiguousarray(design.base[:, np.arange(q) != j])
        got = fit_columns(design.response, others, design.base[:, [j]], conf_level=conf_level)
        methods[j] = method_text(design, penalised=bool(got.firth[0]))
        if got.fit.code[0] == 0:
            found = (got.fit.coef[0, -1], got.ci_low[0], got.ci_high[0], got.p_value[0])
            for column, value in zip(numbers.values(), found):
                column[j] = value
        else:
            failed[j] = int(got.fit.code[0])
    fault = kind_of(design.kind).base_fault(design) if failed else ""
    for j, code in failed.items():
        notes[j] = f"not assessed: {fault or REASONS[code]}".replace("the feature", "the covariate")
    return {
        "outcome": design.outcome,
        "feature": [""] * q,
        "model": BASE,
        "term": [term.name for term in design.terms],
        "effect_measure": [effect_text(design.kind, term.contrast) for term in design.terms],
        **numbers,
        "q_value": np.nan,
        "p_familywise": np.nan,
        "n": n,
        "events": _events(design, np.ones((n, 1), dtype=bool))[0],
        "n_left_out": design.n_study - n,
        "method": methods,
        "note": notes,
    }


def competing_rows(design: Design, conf_level: float, model: str = "") -> Rows:
    """The same models with another event of the outcome as the one that counts; not in the q-values."""
    sizes = design.response.effective_sizes(design.observed)
    fits, reasons = fit_features(design, sizes, conf_level)
    words = remarks(design, sizes, fits, reasons)
    return feature_rows(design, fits, model or cause_model(design.cause), reasons, words)


def cause_model(cause: int) -> str:
    """The model of the rows of a competing event."""
    return f"competing event {cause}: cause-specific hazard"


def _events(design: Design, observed: np.ndarray) -> np.ndarray:
    """Events among the rows of each column; NaN where the outcome has no events."""
    return kind_of(design.kind).events(design, observed)


def stacked(parts: list[Rows]) -> pd.DataFrame:
    """One table with the types of `COLUMNS`, whatever columns of a part are empty throughout."""
    numbers = ("estimate", "ci_low", "ci_high", "p_value", "q_value", "p_familywise", "events")
    types = dict.fromkeys(numbers, float) | {"n": np.int64, "n_left_out": np.int64}
    sizes = [len(part["feature"]) for part in parts]
    table = {}
    for name in COLUMNS:
        column = np.empty(sum(sizes), dtype=types.get(name, object))
        at = 0
        for part, size in zip(parts, sizes):
            column[at : at + size] = part[name]
            at += size
        table[name] = column
    return pd.DataFrame(table, copy=False)
