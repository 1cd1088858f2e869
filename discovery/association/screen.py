"""Every feature against one outcome, adjusted for the base model, as one tidy table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.association.episodes import terminal_design
from discovery.association.kinds import Rows, kind_of
from discovery.association.maxt import max_t
from discovery.association.multiplicity import adjust
from discovery.association.outcome_models import (
    Fits,
    effect_text,
    fit_columns,
    method_text,
    standardised_outcome,
)
from discovery.association.response import total_over
from discovery.association.shape import ShapeTests, curvature_tests, flag_nonlinear
from discovery.kernels.screen_fit import REASONS, ScreenFit
from discovery.problems import InputError, Problem, nearest

COLUMNS = (
    "outcome",
    "feature",
    "model",
    "term",
    "effect_measure",
    "estimate",
    "ci_low",
    "ci_high",
    "p_value",
    "q_value",
    "p_familywise",
    "n",
    "events",
    "n_left_out",
    "method",
    "note",
)
ADJUSTED, BASE, NONLINEAR, TERMINAL = "adjusted", "base", "nonlinear part", "terminal event"
SHAPES = ("linear", "flexible")
PRIMARY_MAXT = 30  # below this many events the permutation p is the primary one
RANKED_MISSING = 0.40  # a feature with a larger share missing is listed, not ranked
ENOUGH = 10  # of what limits the model for each coefficient, for no warning


@dataclass(frozen=True, kw_only=True)
class Screen:
    """One outcome's screen. `table` has the columns `COLUMNS`: a row per feature (model "adjusted", term =
    the feature), rows of the base model (feature empty, term = covariate), with competing events a
    row per feature for each of them, and with flexible shapes a row per feature for its curvature.

    Arrays are aligned with `features` (p,): `fit` (base coefficients and feature), `firth`, `sizes` (of what
    limits the model, as many as it has), `p_value`, `q_value`, `p_familywise`, `assessed`. `nonlinear` is the
    flag of a flexible screen.
    """

    outcome: str
    kind: str
    features: tuple[str, ...]
    table: pd.DataFrame
    fit: ScreenFit
    firth: np.ndarray
    sizes: np.ndarray
    p_value: np.ndarray
    q_value: np.ndarray
    p_familywise: np.ndarray
    assessed: np.ndarray
    maxt_limit: float
    shapes: ShapeTests | None
    nonlinear: np.ndarray
    notes: tuple[str, ...]


def screen(
    design: Design,
    *,
    fdr: float = 0.05,
    multiplicity: str = "selected-cells",
    shape: str = "linear",
    permutations: int = 10_000,
    rng: np.random.Generator | None = None,
    conf_level: float = 0.95,
) -> Screen:
    """Test every feature of `design`, one model each.

    Parameters
    ----------
    fdr, multiplicity : as in `multiplicity.adjust`; this outcome is the only cell here, see
        `adjust_screens` for several
    shape : "linear", or "flexible": p combines the straight line with a restricted cubic spline
    permutations : draws for `p_familywise`, from `rng`; 0 leaves it empty

    Returns
    -------
    Screen
        A feature that cannot be assessed (fewer than 10 events or patients in the rarer class, no
        spread, no convergence) has empty numbers and the reason in `note`; the others carry on.
        `p_familywise` is about the straight line, also when the shape is flexible.

    Raises
    ------
    InputError : an unknown shape or method, an outcome kind without a screen, permutations without rng.
    """
    _require(shape, permutations, rng)
    kind = kind_of(design.kind)
    design = standardised_outcome(design)
    sizes = design.response.effective_sizes(design.observed)
    fits, reasons = _fit_features(design, sizes, conf_level)
    assessed = np.array([reason == "" for reason in reasons], dtype=bool)
    p = np.where(assessed, fits.p_value, np.nan)
    remarks = _remarks(design, sizes, fits, reasons)

    shapes, nonlinear, methods = None, np.zeros(len(p), dtype=bool), None
    if shape == "flexible" and assessed.any():
        shapes = curvature_tests(design, fits, assessed)
        nonlinear = flag_nonlinear(shapes)
        p = shapes.p_combined
        methods = [
            "; p by Cauchy combination of straight line and spline" if k else "" for k in shapes.df > 0
        ]
        for j in np.flatnonzero(nonlinear):
            remarks[j].append("nonlinear")
        for j in np.flatnonzero(assessed & (shapes.df == 0)):
            remarks[j].append("no spline: " + shapes.reason[j])

    p_familywise, limit = np.full(len(p), np.nan), np.nan
    if permutations and assessed.any():
        assert rng is not None
        try:
            found = max_t(design.take_features(np.flatnonzero(assessed)), permutations=permutations, rng=rng)
        except InputError as fault:
            remarks = [[*r, f"no permutation p: {fault.problems[0].found}"] for r in remarks]
        else:
            p_familywise[assessed], limit = found.p_familywise, found.limit
            for j in np.flatnonzero(assessed):
                remarks[j] += filter(None, [familywise_first(design.kind, sizes[j])])
            for j in np.flatnonzero(p_familywise < p):
                remarks[j].append(familywise_below("permutes scores, another test"))
    q = adjust({design.outcome: p}, multiplicity, fdr).q_value[design.outcome]

    rows = _feature_rows(design, fits, ADJUSTED, [reasons, remarks], methods)
    rows |= {"p_value": p, "q_value": q, "p_familywise": p_familywise}
    tables = [rows, *kind.more_rows(design, fits.fit, rows, conf_level)]
    if shapes is not None:
        tables.append(_curvature_rows(design, fits, shapes))
    tables.append(base_model_rows(design, conf_level=conf_level))
    tables += [_competing_rows(design.for_cause(k), conf_level) for k in design.causes if k != design.cause]
    ended = terminal_design(design)
    if ended is not None:
        tables.append(_competing_rows(ended, conf_level, f"{TERMINAL}: hazard"))
    return Screen(
        outcome=design.outcome,
        kind=design.kind,
        features=design.feature_names,
        table=_stacked(tables),
        fit=fits.fit,
        firth=fits.firth,
        sizes=sizes,
        p_value=p,
        q_value=q,
        p_familywise=p_familywise,
        assessed=assessed,
        maxt_limit=limit,
        shapes=shapes,
        nonlinear=nonlinear,
        notes=design.notes,
    )


def adjust_screens(
    screens: Mapping[str, Screen], *, multiplicity: str = "selected-cells", fdr: float = 0.05
) -> dict[str, Screen]:
    """The screens with q-values that count all of them together, outcomes being the cells.

    Features are matched by name, so that outcomes may have different features left out.
    """
    names = sorted({name for s in screens.values() for name in s.features})
    place = {name: i for i, name in enumerate(names)}
    cells = {}
    for outcome, s in screens.items():
        cells[outcome] = np.full(len(names), np.nan)
        cells[outcome][[place[name] for name in s.features]] = s.p_value
    found = adjust(cells, multiplicity, fdr)
    result = {}
    for outcome, s in screens.items():
        q = found.q_value[outcome][[place[name] for name in s.features]]
        table = s.table.copy()
        main = (table["model"] == ADJUSTED) & (table["term"] == table["feature"])
        table.loc[main, "q_value"] = q
        result[outcome] = replace(s, q_value=q, table=table)
    return result


def base_model_rows(design: Design, *, conf_level: float = 0.95) -> Rows:
    """The base model by itself: each covariate in turn is tested given the others."""
    design = standardised_outcome(design)
    n, size, q = design.n, design.effective_size, len(design.terms)
    numbers = {name: np.full(q, np.nan) for name in ("estimate", "ci_low", "ci_high", "p_value")}
    methods, notes = [method_text(design, penalised=False)] * q, [""] * q
    fault = kind_of(design.kind).base_fault(design) if q else ""
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
            reason = f"not assessed: {fault or REASONS[int(got.fit.code[0])]}"
            notes[j] = reason.replace("the feature", "the covariate")
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


def _require(shape: str, permutations: int, rng: np.random.Generator | None) -> None:
    problems = []
    if shape not in SHAPES:
        problems.append(Problem(file="shape", found=str(shape), wanted=nearest(shape, SHAPES)))
    if permutations < 0:
        problems.append(Problem(file="permutations", found=str(permutations), wanted="a whole number from 0"))
    if permutations > 0 and rng is None:
        problems.append(Problem(file="permutations", found="no generator", wanted="rng, or permutations=0"))
    if problems:
        raise InputError(problems)


def _fit_features(design: Design, sizes: np.ndarray, conf_level: float) -> tuple[Fits, list[str]]:
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


def too_few(kind: str, size: int) -> str:
    """Why a model of so little is not fitted."""
    return f"not assessed: {kind_of(kind).said_size(size)}, fewer than {kind_of(kind).least}"


UNRANKED = ": listed, not ranked"


def percent_missing(share: float) -> str:
    """`45 % missing`; with a digit more where a share above the limit would be rounded to it."""
    digits = 1 if share > RANKED_MISSING and round(100 * share) == round(100 * RANKED_MISSING) else 0
    return f"{100 * share:.{digits}f} % missing"


def familywise_first(kind: str, size: int) -> str:
    """A remark where so few limit the model that tests that lean on large samples are doubtful; else ""."""
    if not kind_of(kind).limited or size >= PRIMARY_MAXT:
        return ""
    return f"fewer than {PRIMARY_MAXT} {kind_of(kind).counted}{FAMILYWISE_FIRST}"


def familywise_below(why: str) -> str:
    """A remark where the familywise p-value is the smaller one.

    Of one statistic in the same patients it cannot be: the largest of all features' statistics is never below
    the own one. The two p-values of a row differ in one or both. Each is kept as it is, since their maximum,
    though still a valid familywise p, would be the answer of neither.
    """
    return f"{FAMILYWISE_BELOW} it {why}"


FAMILYWISE_FIRST = ": the familywise p is the primary one"
FAMILYWISE_BELOW = "the familywise p is below p:"
FEW = ("exploratory: ", "few events: ", "small: ")


def few_words(kind: str, size: int, parameters: int) -> str:
    """A warning where fewer than `ENOUGH` of what limits the model are there a coefficient; else ""."""
    each = size / parameters
    if each >= ENOUGH:
        return ""
    word = FEW[0] if each < 5 else FEW[1] if kind_of(kind).limited else FEW[2]
    return f"{word}{kind_of(kind).said_size(size)} for {parameters} coefficients"


def _remarks(design: Design, sizes: np.ndarray, fits: Fits, reasons: list[str]) -> list[list[str]]:
    """Warnings of each feature, the gravest first."""
    kind = kind_of(design.kind)
    parameters = kind.coefficients_of(design.base.shape[1])
    fine = np.array([not reason for reason in reasons], dtype=bool)
    more = kind.remarks(design, fits.fit, fine)
    remarks = [more[j] if fine[j] else [] for j in range(len(fine))]
    for j in np.flatnonzero(fine & (sizes < ENOUGH * parameters)):
        remarks[j].append(few_words(design.kind, int(sizes[j]), parameters))
    missing = 1 - total_over(design.observed) / design.n
    for j in np.flatnonzero(missing > RANKED_MISSING):
        remarks[j].append(f"{percent_missing(missing[j])}{UNRANKED}")
    scales = design.scaling.table
    noted = {scales.index[j]: scales["note"].iloc[j] for j in np.flatnonzero(scales["note"].to_numpy() != "")}
    if noted:
        for own, name in zip(remarks, design.feature_names):
            if name in noted:
                own.append(str(noted[name]))
    return remarks


def _events(design: Design, observed: np.ndarray) -> np.ndarray:
    """Events among the rows of each column; NaN where the outcome has no events."""
    return kind_of(design.kind).events(design, observed)


def _feature_rows(
    design: Design, fits: Fits, model: str, words: list, methods: list[str] | None = None
) -> Rows:
    reasons, remarks = words
    texts = {flag: method_text(design, penalised=flag) for flag in (False, True)}
    endings = methods or [""] * len(reasons)
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
        "method": [texts[bool(f)] + e for f, e in zip(fits.firth, endings)],
        "note": ["; ".join(filter(None, [a, *b])) if a or b else "" for a, b in zip(reasons, remarks)],
    }


def _curvature_rows(design: Design, fits: Fits, shapes: ShapeTests) -> Rows:
    p = len(design.feature_names)
    return _feature_rows(design, fits, ADJUSTED, [[""] * p, [[]] * p]) | {
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


def _competing_rows(design: Design, conf_level: float, model: str = "") -> Rows:
    """The same models with another event of the outcome as the one that counts; not in the q-values."""
    sizes = design.response.effective_sizes(design.observed)
    fits, reasons = _fit_features(design, sizes, conf_level)
    remarks = _remarks(design, sizes, fits, reasons)
    model = model or cause_model(design.cause)
    return _feature_rows(design, fits, model, [reasons, remarks])


def cause_model(cause: int) -> str:
    """The model of the rows of a competing event."""
    return f"competing event {cause}: cause-specific hazard"


def _stacked(parts: list[Rows]) -> pd.DataFrame:
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
