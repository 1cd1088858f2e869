"""Straight line or curve: a spline beside the linear term, and one p-value from both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.association.design import Design
from discovery.association.kinds import kind_of
from discovery.association.multiplicity import benjamini_hochberg, combine_by_cauchy
from discovery.association.outcome_models import Fits, fit_columns
from discovery.association.spline import default_knots, restricted_cubic_spline

NONLINEAR_Q = 0.05


@dataclass(frozen=True, kw_only=True)
class ShapeTests:
    """Per feature (p,): p of the line, of line and bends together, of the bends alone (df, with q over
    features), the Cauchy combination of the first two, the knots (on the z-scale), and why there is
    no spline where `df` is 0 (then `p_combined` is `p_linear`)."""

    p_linear: np.ndarray
    p_spline: np.ndarray
    p_nonlinear: np.ndarray
    q_nonlinear: np.ndarray
    p_combined: np.ndarray
    df: np.ndarray
    knots: tuple[np.ndarray, ...]
    reason: tuple[str, ...]


def curvature_tests(design: Design, linear: Fits, assessed: np.ndarray) -> ShapeTests:
    """Add the spline's bends to each assessed feature's model, one column after the other.

    The likelihood-ratio statistics of the added columns sum to the test of all bends, exactly in a plain
    fit. With few events each step is Firth-penalised by the rule of the linear fit, and the sum is
    chi-square in large samples only. Recurrent episodes have no likelihood to add: Wald, robust by patient.
    """
    p_features = design.features.shape[1]
    df = np.zeros(p_features, dtype=int)
    bend, whole = np.full(p_features, np.nan), np.full(p_features, np.nan)
    reason = [""] * p_features
    all_knots: list[np.ndarray] = [np.empty(0)] * p_features
    sizes = design.response.effective_sizes(design.observed)
    kind = kind_of(design.kind)
    chi2, line_df = kind.likelihood_ratio(linear.fit), kind.tested_df(linear.fit)
    for j in np.flatnonzero(assessed):
        seen = design.observed[:, j]
        knots = default_knots(design.features[seen, j], events=int(sizes[j]))
        if len(knots) < 3:
            reason[j] = "too few distinct values for a curve"
            continue
        basis = np.where(seen[:, None], restricted_cubic_spline(design.features[:, j], knots), 0.0)
        statistic, bends_df, fault = _sequential_chi2(design, basis, seen)
        both = float(chi2[j]) + statistic
        if kind.by_patient and not fault:
            statistic, both, fault = _robust_chi2(design, basis, seen)
        if fault:
            reason[j] = fault
            continue
        df[j] = bends_df
        all_knots[j] = knots
        freedom = int(seen.sum()) - 1 - design.base.shape[1] - basis.shape[1]
        bend[j] = kind.p_of_statistic(statistic, df[j], int(seen.sum()), freedom)
        whole[j] = kind.p_of_statistic(both, df[j] + int(line_df[j]), int(seen.sum()), freedom)
    p_linear = np.where(assessed, linear.p_value, np.nan)
    combined = combine_by_cauchy(np.column_stack([p_linear, whole]))
    return ShapeTests(
        p_linear=p_linear,
        p_spline=whole,
        p_nonlinear=bend,
        q_nonlinear=benjamini_hochberg(bend),
        p_combined=np.where(df > 0, combined, p_linear),
        df=df,
        knots=tuple(all_knots),
        reason=tuple(reason),
    )


def flag_nonlinear(shapes: ShapeTests) -> np.ndarray:
    """Features (p,) whose bends have a q of at most .05 over features."""
    return np.nan_to_num(shapes.q_nonlinear, nan=1.0) <= NONLINEAR_Q


def _sequential_chi2(design: Design, basis: np.ndarray, seen: np.ndarray) -> tuple[float, int, str]:
    """Likelihood-ratio statistic of the bends, its degrees of freedom, and what went wrong."""
    kind, total, df = kind_of(design.kind), 0.0, 0
    for k in range(1, basis.shape[1]):
        before = np.column_stack([design.base, basis[:, :k]])
        got = fit_columns(
            design.response,
            before,
            _freed(basis[:, k], before, seen)[:, None],
            observed=seen[:, None],
            intervals=False,
        )
        if got.fit.code[0] != 0:
            return np.nan, 0, "the curve could not be fitted"
        total += float(kind.likelihood_ratio(got.fit)[0])
        df += int(kind.tested_df(got.fit)[0])
    return total, df, ""


def _freed(column: np.ndarray, before: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """The column (n,) without what a level and the columns `before` (n, k) say of it among those `seen`.

    The likelihood is the same and so is the coefficient. But bends of a feature with a long tail are nearly
    one line, and cancel each other by coefficients that look as if they ran away.
    """
    known = np.column_stack([np.ones(int(seen.sum())), before[seen]])
    out = np.zeros(len(column))
    out[seen] = column[seen] - known @ np.linalg.lstsq(known, column[seen], rcond=None)[0]
    return out


def _robust_chi2(design: Design, basis: np.ndarray, seen: np.ndarray) -> tuple[float, float, str]:
    """Wald statistics of the bends, and of line and bends together, with the robust covariance."""
    columns = np.column_stack([design.base[seen], basis[seen]])
    fit = kind_of(design.kind).full_fit(design.take_patients(seen).response, columns, False)
    found = []
    for k in (basis.shape[1] - 1, basis.shape[1]):
        b, v = fit.coef[-k:], fit.covariance[-k:, -k:]
        if not fit.converged or not np.isfinite(v).all() or np.linalg.matrix_rank(v) < k:
            return np.nan, np.nan, "the curve could not be fitted"
        found.append(float(b @ np.linalg.solve(v, b)))
    return found[0], found[1], ""
