"""The effect of a feature as a smooth curve, with its band and where the patients are."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from discovery.association.design import Design
from discovery.association.full_fit import fit_all
from discovery.association.kinds import kind_of
from discovery.association.outcome_models import fit_columns, standardised_outcome, wants_firth
from discovery.association.shape import curvature_tests
from discovery.association.spline import restricted_cubic_spline

POINTS = 81
RUG_PATIENTS, RUG_TICKS = 5, 60  # a tick is the mean of five patients or more, and there are 60 at most
TEST_COLUMNS = [
    "outcome", "feature", "p_linear", "p_nonlinear", "q_nonlinear", "p_spline", "p_combined", "df", "knots",
    "n", "events", "note",
]  # fmt: skip
CURVE_COLUMNS = ["outcome", "feature", "part", "x", "value", "estimate", "ci_low", "ci_high", "n"]


def shape_of_effects(
    design: Design, features: Sequence[str], *, conf_level: float = 0.95
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Straight or bent: tests and curves of some features of a design.

    Returns
    -------
    tests : DataFrame (TEST_COLUMNS)
        p of the straight line, of the bends given the line (q by Benjamini-Hochberg over `features`), of
        both together, and the Cauchy combination of line and both. `knots` in the feature's own unit.
    curves : DataFrame (CURVE_COLUMNS)
        part "curve": the effect against the median patient (log ratio, or outcome SD) with its pointwise
        Wald interval, x in SD and `value` in the feature's unit; "knot"; "rug": the mean of n patients
        next to each other, five at least, so that no patient can be read off. None for classes without an
        order, where a feature has an effect for each class but one: their tests are of all these together.
    """
    which = np.array([design.feature_names.index(name) for name in features], dtype=int)
    part = standardised_outcome(design.take_features(which))
    if not len(which):
        return pd.DataFrame(columns=TEST_COLUMNS), pd.DataFrame(columns=CURVE_COLUMNS)
    line = fit_columns(part.response, part.base, part.features, observed=part.observed, intervals=False)
    shapes = curvature_tests(part, line, line.fit.code == 0)
    scale = part.scaling.table.loc[list(features)]
    tests, curves, directed = [], [], kind_of(design.kind).directed
    for j, name in enumerate(features):
        mean, sd = float(scale["mean"].iloc[j]), float(scale["sd"].iloc[j])
        knots = shapes.knots[j]
        tests.append(
            {
                "outcome": design.outcome,
                "feature": name,
                "p_linear": shapes.p_linear[j],
                "p_nonlinear": shapes.p_nonlinear[j],
                "q_nonlinear": shapes.q_nonlinear[j],
                "p_spline": shapes.p_spline[j],
                "p_combined": shapes.p_combined[j],
                "df": int(shapes.df[j]),
                "knots": "; ".join(f"{mean + sd * knot:.6g}" for knot in knots),
                "n": int(part.observed[:, j].sum()),
                "events": int(line.fit.events[j]) if design.kind in ("survival", "binary") else np.nan,
                "note": shapes.reason[j],
            }
        )
        if len(knots) >= 3 and directed:
            found = _curve(part, j, knots, conf_level)
            if found is not None:
                seen = np.sort(part.features[part.observed[:, j], j])
                whole = pd.concat([found, _knots(knots), _rug(seen)], ignore_index=True)
                curves.append(
                    whole.assign(outcome=design.outcome, feature=name, value=mean + sd * whole["x"])
                )
    table = pd.DataFrame(tests, columns=TEST_COLUMNS).astype({"events": "Int64"})
    if not curves:
        return table, pd.DataFrame(columns=CURVE_COLUMNS)
    return table, pd.concat(curves, ignore_index=True).reindex(columns=CURVE_COLUMNS)


def _curve(design: Design, j: int, knots: np.ndarray, conf_level: float) -> pd.DataFrame | None:
    seen = design.observed[:, j]
    x = design.features[seen, j]
    basis = restricted_cubic_spline(x, knots)
    response = design.take_patients(seen).response
    columns = np.column_stack([design.base[seen], basis])
    size = response.effective_sizes(np.ones((len(x), 1), dtype=bool))
    fit = fit_all(response, columns, bool(wants_firth(design.kind, size, columns.shape[1])[0]))
    k = basis.shape[1]
    covariance = fit.covariance[-k:, -k:]
    if not fit.converged or not np.isfinite(covariance).all():
        return None
    low, high = np.quantile(x, [0.01, 0.99])
    middle = float(np.median(x))
    at = np.unique(np.append(np.linspace(low, high, POINTS), middle))
    contrast = restricted_cubic_spline(at, knots) - restricted_cubic_spline(np.array([middle]), knots)
    estimate = contrast @ fit.coef[-k:]
    se = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", contrast, covariance, contrast), 0.0))
    level = (1 + conf_level) / 2
    reach = stats.t.ppf(level, fit.df) if np.isfinite(fit.df) else stats.norm.ppf(level)
    table = pd.DataFrame({"part": "curve", "x": at, "estimate": estimate, "ci_low": estimate - reach * se})
    return table.assign(ci_high=estimate + reach * se, n=len(x))


def _knots(knots: np.ndarray) -> pd.DataFrame:
    return pd.DataFrame({"part": "knot", "x": knots})


def _rug(values: np.ndarray) -> pd.DataFrame:
    """Means of consecutive patients of the sorted `values`."""
    ticks = max(1, min(RUG_TICKS, len(values) // RUG_PATIENTS))
    parts = np.array_split(values, ticks)
    return pd.DataFrame(
        {"part": "rug", "x": [part.mean() for part in parts], "n": [len(part) for part in parts]}
    )
