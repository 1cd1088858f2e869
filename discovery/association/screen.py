"""Every feature against one outcome, adjusted for the base model, as one tidy table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.association.episodes import terminal_design
from discovery.association.kinds import Rows, kind_of
from discovery.association.maxt import max_t
from discovery.association.multiplicity import adjust
from discovery.association.outcome_models import Fits, standardised_outcome
from discovery.association.screen_rows import (
    ADJUSTED,
    TERMINAL,
    base_model_rows,
    competing_rows,
    curvature_rows,
    feature_rows,
    fit_features,
    remarks,
    stacked,
)
from discovery.association.screen_words import familywise_below, familywise_first
from discovery.association.shape import ShapeTests, curvature_tests, flag_nonlinear
from discovery.kernels.screen_fit import ScreenFit
from discovery.problems import InputError, Problem, nearest

SHAPES = ("linear", "flexible")


@dataclass(frozen=True, kw_only=True)
class Screen:
    """One outcome's screen. `table` has the columns `COLUMNS`: a row per feature (model "adjusted", term =
    the feature), rows of the base model (feature empty, term = covariate), with competing events a
    row per feature for each of them, and with flexible shapes a row per feature for its curvature.

    Arrays are aligned with `features` (p,): `fit` (base coefficients and feature), `firth`, `sizes` (of what
    limits the model, as many as it has), `variance_increase` (relative, by imputation; NaN without),
    `p_value`, `q_value`, `p_familywise`, `assessed`. `nonlinear` is the flag of a flexible screen.
    """

    outcome: str
    kind: str
    features: tuple[str, ...]
    table: pd.DataFrame
    fit: ScreenFit
    firth: np.ndarray
    sizes: np.ndarray
    variance_increase: np.ndarray
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
    design = standardised_outcome(design)
    sizes = design.response.effective_sizes(design.observed)
    fits, reasons = fit_features(design, sizes, conf_level)
    assessed = np.array([reason == "" for reason in reasons], dtype=bool)
    p = np.where(assessed, fits.p_value, np.nan)
    words = remarks(design, sizes, fits, reasons)
    shapes, nonlinear = None, np.zeros(len(p), dtype=bool)
    if shape == "flexible" and assessed.any():
        shapes = curvature_tests(design, fits, assessed)
        nonlinear, p = flag_nonlinear(shapes), shapes.p_combined
        _remark_shapes(words, shapes, nonlinear, assessed)
    p_familywise, limit = np.full(len(p), np.nan), np.nan
    if permutations and assessed.any():
        assert rng is not None
        p_familywise, limit = _permuted(design, assessed, p, sizes, words, permutations, rng)
    q = adjust({design.outcome: p}, multiplicity, fdr).q_value[design.outcome]
    main = feature_rows(design, fits, ADJUSTED, reasons, words, _endings(shapes))
    main |= {"p_value": p, "q_value": q, "p_familywise": p_familywise}
    return Screen(
        outcome=design.outcome,
        kind=design.kind,
        features=design.feature_names,
        table=stacked([main, *_other_rows(design, fits, main, shapes, conf_level)]),
        fit=fits.fit,
        firth=fits.firth,
        sizes=sizes,
        variance_increase=np.full(len(p), np.nan),
        p_value=p,
        q_value=q,
        p_familywise=p_familywise,
        assessed=assessed,
        maxt_limit=limit,
        shapes=shapes,
        nonlinear=nonlinear,
        notes=design.notes,
    )


def _remark_shapes(
    words: list[list[str]], shapes: ShapeTests, nonlinear: np.ndarray, assessed: np.ndarray
) -> None:
    for j in np.flatnonzero(nonlinear):
        words[j].append("nonlinear")
    for j in np.flatnonzero(assessed & (shapes.df == 0)):
        words[j].append("no spline: " + shapes.reason[j])


def _endings(shapes: ShapeTests | None) -> list[str] | None:
    """What the method of each feature adds where its p is of a flexible shape too."""
    if shapes is None:
        return None
    return ["; p by Cauchy combination of straight line and spline" if k else "" for k in shapes.df > 0]


def _permuted(
    design: Design,
    assessed: np.ndarray,
    p: np.ndarray,
    sizes: np.ndarray,
    words: list[list[str]],
    permutations: int,
    rng: np.random.Generator,
) -> tuple[np.ndarray, float]:
    """Familywise p-values (p,) of the features `assessed` and their limit; remarks go to `words`."""
    p_familywise = np.full(len(p), np.nan)
    try:
        found = max_t(design.take_features(np.flatnonzero(assessed)), permutations=permutations, rng=rng)
    except InputError as fault:
        for own in words:
            own.append(f"no permutation p: {fault.problems[0].found}")
        return p_familywise, np.nan
    p_familywise[assessed] = found.p_familywise
    for j in np.flatnonzero(assessed):
        words[j] += filter(None, [familywise_first(design.kind, sizes[j])])
    for j in np.flatnonzero(p_familywise < p):
        words[j].append(familywise_below("permutes scores, another test"))
    return p_familywise, found.limit


def _other_rows(
    design: Design, fits: Fits, main: Rows, shapes: ShapeTests | None, conf_level: float
) -> Iterator[Rows]:
    """What stands beneath the rows of the features."""
    yield from kind_of(design.kind).more_rows(design, fits.fit, main, conf_level)
    if shapes is not None:
        yield curvature_rows(design, fits, shapes)
    yield base_model_rows(design, conf_level=conf_level)
    for cause in design.causes:
        if cause != design.cause:
            yield competing_rows(design.for_cause(cause), conf_level)
    if (ended := terminal_design(design)) is not None:
        yield competing_rows(ended, conf_level, f"{TERMINAL}: hazard")


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
