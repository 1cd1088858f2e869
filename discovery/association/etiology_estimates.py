"""Estimates behind etiology profiles: contrasts by least squares, or by penalised logistic models."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from discovery.association.design import Design
from discovery.association.multiplicity import never_zero
from discovery.association.null_model import missing_patterns

LEAST_PATIENTS = 3  # an etiology with fewer is listed, not estimated


@dataclass
class Contrasts:
    """Contrasts of k etiologies in p features, filled in as they are found.

    estimate, se, p_value (k, p); quantile (k, p) : of the t or normal distribution, for intervals; omnibus
    (p,) : p of "no etiology differs"; binary (p,) : the feature has two values.
    """

    estimate: np.ndarray
    se: np.ndarray
    p_value: np.ndarray
    quantile: np.ndarray
    omnibus: np.ndarray
    binary: np.ndarray


def _no_contrasts(k: int, p: int) -> Contrasts:
    blank = np.full((4, k, p), np.nan)
    return Contrasts(
        estimate=blank[0], se=blank[1], p_value=blank[2], quantile=blank[3], omnibus=np.full(p, np.nan),
        binary=np.zeros(p, dtype=bool),
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class _Columns:
    """The models' columns of patients who have the same features.

    used (k,) : etiologies with enough patients; whole (m, r) : their indicators, then intercept (unless the
    indicators take its place) and base columns; others : whole without the indicators, with an intercept;
    contrast (k, r) : what is asked of the coefficients; joint : patients carry several labels.
    """

    rows: np.ndarray
    used: np.ndarray
    whole: np.ndarray
    others: np.ndarray
    contrast: np.ndarray
    joint: bool


def estimate_contrasts(design: Design, member: np.ndarray, joint: bool, conf_level: float) -> Contrasts:
    """Etiologies `member` (n, k) bool in every feature of `design`, adjusted for its base model.

    `joint`: with a label against without it, given the others; otherwise the deviation of each from the
    equal-weight mean of all.
    """
    out = _no_contrasts(member.shape[1], design.features.shape[1])
    for features, rows in missing_patterns(design.observed):
        columns = _columns(design, member, rows, joint)
        if columns is None:
            continue
        values = design.features[np.ix_(columns.rows, features)]
        distinct = np.array([len(np.unique(v)) for v in values.T])
        many = np.flatnonzero(distinct > 2)
        if many.size:
            _least_squares(out, values[:, many], columns, features[many], conf_level)
        for j in np.flatnonzero(distinct == 2):
            _firth_logistic(out, values[:, j], columns, features[j], conf_level)
    return out


def _columns(design: Design, member: np.ndarray, rows: np.ndarray, joint: bool) -> _Columns | None:
    """None where too few etiologies have enough patients among the `rows`."""
    size = member[rows].sum(axis=0)
    used = np.flatnonzero((size >= LEAST_PATIENTS) & (size < len(rows)))
    if len(used) < (1 if joint else 2):
        return None
    if not joint:  # a patient of another etiology has no part in the mean of these
        rows = rows[member[np.ix_(rows, used)].any(axis=1)]
    groups = member[np.ix_(rows, used)].astype(float)
    others = np.column_stack([np.ones(len(rows)), design.base[rows]])
    whole = np.column_stack([groups, others if joint else others[:, 1:]])
    contrast = np.eye(len(used)) - (0 if joint else 1 / len(used))
    contrast = np.column_stack([contrast, np.zeros((len(used), whole.shape[1] - len(used)))])
    return _Columns(rows=rows, used=used, whole=whole, others=others, contrast=contrast, joint=joint)


def _least_squares(
    out: Contrasts, values: np.ndarray, columns: _Columns, features: np.ndarray, conf_level: float
) -> None:
    whole, others, contrast = columns.whole, columns.others, columns.contrast
    inverse = np.linalg.pinv(whole)
    rank, rank_without = np.linalg.matrix_rank(whole), np.linalg.matrix_rank(others)
    freedom = len(values) - rank
    if freedom < 1:
        return
    coef = inverse @ values
    left = ((values - whole @ coef) ** 2).sum(axis=0)
    without = values - others @ np.linalg.lstsq(others, values, rcond=None)[0]
    variance = left / freedom
    spread = contrast @ inverse  # the estimate as a linear map of the values
    estimable = np.abs(contrast - contrast @ inverse @ whole).max(axis=1) < 1e-8
    estimate = np.where(estimable[:, None], spread @ values, np.nan)
    se = np.sqrt((spread**2).sum(axis=1)[:, None] * variance)
    place = np.ix_(columns.used, features)
    out.estimate[place], out.se[place] = estimate, np.where(np.isnan(estimate), np.nan, se)
    out.p_value[place] = never_zero(2 * stats.t.sf(np.abs(estimate / se), freedom))
    out.quantile[place] = stats.t.ppf((1 + conf_level) / 2, freedom)
    if rank > rank_without:
        f = ((without**2).sum(axis=0) - left) / (rank - rank_without) / variance
        out.omnibus[features] = never_zero(stats.f.sf(f, rank - rank_without, freedom))


def _firth_logistic(
    out: Contrasts, values: np.ndarray, columns: _Columns, feature: int, conf_level: float
) -> None:
    from discovery.kernels.logistic import fit_logistic

    out.binary[feature] = True
    used, whole, k = columns.used, columns.whole, len(columns.used)
    high = (values == values.max()).astype(float)
    if columns.joint:
        x, back = np.column_stack([whole[:, :k], whole[:, k + 1 :]]), np.eye(k)
    else:  # K - 1 sum-to-zero columns beside the intercept
        x = np.column_stack([whole[:, : k - 1] - whole[:, [k - 1]], whole[:, k:]])
        back = np.vstack([np.eye(k - 1), -np.ones(k - 1)])
    fit = fit_logistic(high, x, firth=True)
    m = back.shape[1]
    coef, covariance = fit.coef[1 : 1 + m], fit.covariance[1 : 1 + m, 1 : 1 + m]
    if not fit.converged or not np.isfinite(covariance).all():
        return
    estimate = back @ coef
    se = np.sqrt(np.diag(back @ covariance @ back.T))
    out.estimate[used, feature], out.se[used, feature] = estimate, se
    out.p_value[used, feature] = never_zero(2 * stats.norm.sf(np.abs(estimate / se)))
    out.quantile[used, feature] = stats.norm.ppf((1 + conf_level) / 2)
    out.omnibus[feature] = float(never_zero(stats.chi2.sf(coef @ np.linalg.solve(covariance, coef), m)))
