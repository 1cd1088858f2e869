"""Every feature against one outcome, adjusted for the base model, as one tidy table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.association.episodes import terminal_design
from discovery.association.kinds import kind_of
from discovery.association.maxt import max_t
from discovery.association.multiplicity import adjust
from discovery.association.outcome_models import (
    Fits,
    effect_text,
    fit_columns,
    method_text,
    standardised_outcome,
)
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
ADJUSTED, BASE, NONLINEAR = "adjusted", "base", "nonlinear part"
SHAPES = ("linear", "flexible")
PRIMARY_MAXT = 30  # below this many events the permutation p is the primary one
RANKED_MISSING = 0.40  # a feature with a larger share missing is listed, not ranked


@dataclass(frozen=True, kw_only=True)
class Screen:
    """One outcome's screen. `table` has the columns `COLUMNS`: a row per feature (model "adjusted", term =
    the feature), rows of the base model (feature empty, term = covariate), with competing events a
    row per feature for each of them, and with flexible shapes a row per feature for its curvature.

    Arrays are aligned with `features` (p,): `fit` (base coefficients and feature), `firth`,
    `p_value`, `q_value`, `p_familywise`, `assessed`. `nonlinear` is the flag of a flexible screen.
    """

    outcome: str
    kind: str
    features: tuple[str, ...]
    table: pd.DataFrame
    fit: ScreenFit
    firth: np.ndarray
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
            few = assessed & (sizes < PRIMARY_MAXT) & kind.limited
            for j in np.flatnonzero(few):
                remarks[j].append(f"fewer than {PRIMARY_MAXT} {kind.counted}: p_familywise is the primary p")
    q = adjust({design.outcome: p}, multiplicity, fdr).q_value[design.outcome]

    rows = _feature_rows(design, fits, ADJUSTED, [reasons, remarks], methods)
    rows["p_value"], rows["q_value"], rows["p_familywise"] = p, q, p_familywise
    tables = [rows, *kind.more_rows(design, fits.fit, rows, conf_level)]
    if shapes is not None:
        tables.append(_curvature_rows(design, fits, shapes))
    tables.append(base_model_rows(design, conf_level=conf_level))
    tables += [_competing_rows(design.for_cause(k), conf_level) for k in design.causes if k != design.cause]
    ended = terminal_design(design)
    if ended is not None:
        tables.append(_competing_rows(ended, conf_level, "terminal event: hazard"))
    return Screen(
        outcome=design.outcome,
        kind=design.kind,
        features=design.feature_names,
        table=_stacked(tables),
        fit=fits.fit,
        firth=fits.firth,
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


def base_model_rows(design: Design, *, conf_level: float = 0.95) -> pd.DataFrame:
    """The base model by itself: each covariate in turn is tested given the others."""
    design = standardised_outcome(design)
    n = design.n
    everyone = np.ones((n, 1), dtype=bool)
    size = design.effective_size
    rows = []
    for j, term in enumerate(design.terms):
        row = dict.fromkeys(COLUMNS, np.nan) | {
            "outcome": design.outcome,
            "feature": "",
            "model": BASE,
            "term": term.name,
            "effect_measure": effect_text(design.kind, term.contrast),
            "n": n,
            "events": _events(design, everyone)[0],
            "n_left_out": design.n_study - n,
            "method": method_text(design, penalised=False),
            "note": "",
        }
        if size < kind_of(design.kind).least:
            row["note"] = _too_few(design.kind, size)
        else:
            others = np.delete(design.base, j, axis=1)
            got = fit_columns(design.response, others, design.base[:, [j]], conf_level=conf_level)
            row["method"] = method_text(design, penalised=bool(got.firth[0]))
            if got.fit.code[0] == 0:
                row["estimate"], row["p_value"] = got.fit.coef[0, -1], got.p_value[0]
                row["ci_low"], row["ci_high"] = got.ci_low[0], got.ci_high[0]
            else:
                row["note"] = f"not assessed: {REASONS[int(got.fit.code[0])]}".replace(
                    "the feature", "the covariate"
                )
        rows.append(row)
    return pd.DataFrame(rows, columns=list(COLUMNS))


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
    reasons = []
    for j, code in enumerate(fits.fit.code):
        if not enough[j]:
            reasons.append(_too_few(design.kind, int(sizes[j])))
        else:
            reasons.append(f"not assessed: {REASONS[int(code)]}" if code else "")
    return fits, reasons


def _too_few(kind: str, size: int) -> str:
    return f"not assessed: {size} {kind_of(kind).counted}, fewer than {kind_of(kind).least}"


FEW = ("exploratory: ", "few events: ", "small: ")


def few_words(kind: str, size: int, parameters: int) -> str:
    """A warning where there are fewer than 10 of what limits the model for each coefficient; else ""."""
    each = size / parameters
    if each >= 10:
        return ""
    word = FEW[0] if each < 5 else FEW[1] if kind_of(kind).limited else FEW[2]
    return f"{word}{size} {kind_of(kind).counted} for {parameters} coefficients"


def _remarks(design: Design, sizes: np.ndarray, fits: Fits, reasons: list[str]) -> list[list[str]]:
    """Warnings of each feature, the gravest first."""
    kind = kind_of(design.kind)
    parameters = kind.coefficients_of(design.base.shape[1])
    missing = 1 - design.observed.mean(axis=0)
    more = kind.remarks(design, fits.fit, np.array([not reason for reason in reasons]))
    remarks: list[list[str]] = []
    for j, name in enumerate(design.feature_names):
        own: list[str] = more[j] if not reasons[j] else []
        if not reasons[j] and (few := few_words(design.kind, int(sizes[j]), parameters)):
            own.append(few)
        if missing[j] > RANKED_MISSING:
            own.append(f"{100 * missing[j]:.0f} % missing: listed, not ranked")
        scale_note = design.scaling.table.at[name, "note"] if name in design.scaling.table.index else ""
        if scale_note:
            own.append(str(scale_note))
        remarks.append(own)
    return remarks


def _events(design: Design, observed: np.ndarray) -> np.ndarray:
    """Events among the rows of each column; NaN where the outcome has no events."""
    return kind_of(design.kind).events(design, observed)


def _feature_rows(
    design: Design, fits: Fits, model: str, words: list, methods: list[str] | None = None
) -> pd.DataFrame:
    reasons, remarks = words
    fit = fits.fit
    texts = {flag: method_text(design, penalised=flag) for flag in (False, True)}
    endings = methods or [""] * len(reasons)
    rows = pd.DataFrame(
        {
            "outcome": design.outcome,
            "feature": list(design.feature_names),
            "model": model,
            "term": list(design.feature_names),
            "effect_measure": effect_text(design.kind, "per 1 SD"),
            "estimate": fit.coef[:, -1],
            "ci_low": fits.ci_low,
            "ci_high": fits.ci_high,
            "p_value": fits.p_value,
            "q_value": np.nan,
            "p_familywise": np.nan,
            "n": design.observed.sum(axis=0),
            "events": _events(design, design.observed),
            "n_left_out": design.n_left_out,
            "method": [texts[bool(f)] + e for f, e in zip(fits.firth, endings)],
            "note": ["; ".join(filter(None, [a, *b])) for a, b in zip(reasons, remarks)],
        },
        columns=list(COLUMNS),
    )
    failed = [bool(reason) for reason in reasons]
    rows.loc[failed, ["estimate", "ci_low", "ci_high", "p_value"]] = np.nan
    return rows


def _curvature_rows(design: Design, fits: Fits, shapes: ShapeTests) -> pd.DataFrame:
    p = len(design.feature_names)
    rows = _feature_rows(design, fits, ADJUSTED, [[""] * p, [[]] * p])
    rows = rows.assign(
        term=NONLINEAR,
        effect_measure=[f"likelihood-ratio test, {k} df" if k else "" for k in shapes.df],
        p_value=shapes.p_nonlinear,
        q_value=shapes.q_nonlinear,
        method=[
            f"restricted cubic spline, {len(knots)} knots, test of the bends; q by Benjamini-Hochberg"
            if k
            else ""
            for k, knots in zip(shapes.df, shapes.knots)
        ],
        note=list(shapes.reason),
    )
    rows[["estimate", "ci_low", "ci_high"]] = np.nan
    return rows


def _competing_rows(design: Design, conf_level: float, model: str = "") -> pd.DataFrame:
    """The same models with another event of the outcome as the one that counts; not in the q-values."""
    sizes = design.response.effective_sizes(design.observed)
    fits, reasons = _fit_features(design, sizes, conf_level)
    remarks = _remarks(design, sizes, fits, reasons)
    model = model or f"competing event {design.cause}: cause-specific hazard"
    return _feature_rows(design, fits, model, [reasons, remarks])


def _stacked(tables: list[pd.DataFrame]) -> pd.DataFrame:
    """One table with the types of `COLUMNS`, whatever columns of a part are empty throughout."""
    numbers = ("estimate", "ci_low", "ci_high", "p_value", "q_value", "p_familywise", "events")
    types = dict.fromkeys(numbers, float) | {"n": np.int64, "n_left_out": np.int64}
    return pd.DataFrame(
        {
            name: np.concatenate([table[name].to_numpy(dtype=types.get(name, object)) for table in tables])
            for name in COLUMNS
        }
    )
