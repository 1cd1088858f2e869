"""Which etiologies differ from which: every pair compared in every feature, after the omnibus test."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd
from scipy import stats

from discovery.association.design import Design
from discovery.association.etiology import etiology_design
from discovery.association.etiology_estimates import LEAST_PATIENTS
from discovery.association.multiplicity import benjamini_hochberg, holm, never_zero
from discovery.association.null_model import missing_patterns
from discovery.association.scaling import WINSOR

COLUMNS = (
    "feature", "etiology", "against", "effect_measure", "estimate", "ci_low", "ci_high", "p_value", "p_holm",
    "q_value", "q_omnibus", "n", "n_against", "method", "note",
)  # fmt: skip
SD, LOG_ODDS = "difference in SD of the feature", "difference in log odds"
NOT_ESTIMATED = (
    "not estimated: the pair cannot be told apart from covariates or site, or the feature is constant"
)


def etiology_contrasts(
    etiology: pd.Series,
    covariates: pd.DataFrame,
    features: pd.DataFrame,
    omnibus: pd.Series,
    *,
    site: pd.Series | None = None,
    winsor: tuple[float, float] | bool | None = WINSOR,
    conf_level: float = 0.95,
) -> pd.DataFrame:
    """Difference of every two etiologies in every feature, adjusted for `covariates` and `site`.

    Parameters
    ----------
    etiology, covariates, features, site, winsor : as in `etiology_profiles`
    omnibus : p of "no etiology differs" by feature (`p_omnibus` of the profiles); a feature without one
        has no q-values

    Returns
    -------
    DataFrame (COLUMNS), a row per feature and pair of etiologies with 3 patients or more. Where patients have
    several labels, all labels are in one model and a row is the difference of two labels' effects. Intervals
    are for one pair each. p_holm: Holm over the pairs of a feature. q_value: the smallest level at which
    the feature is among those picked by Benjamini-Hochberg on the omnibus p, R of m, and p_holm is at most
    level x R / m; it controls the expected share of picked features with any false pair (Benjamini &
    Bogomolov, J R Stat Soc B 2014;76:297-318, with the familywise error inside a feature).

    Raises
    ------
    InputError : as `etiology_profiles`
    """
    design, member, names = etiology_design(etiology, covariates, features, site=site, winsor=winsor)
    rows: list[dict] = []
    for columns, patients in missing_patterns(design.observed):
        own = member[patients]
        used = np.flatnonzero((own.sum(axis=0) >= LEAST_PATIENTS) & (own.sum(axis=0) < len(patients)))
        if len(used) >= 2:
            for column in columns:
                rows += _one_feature(design, member, patients, used, names, column, conf_level)
    table = pd.DataFrame(rows)
    if not len(table):
        return pd.DataFrame(columns=list(COLUMNS))
    place = {name: k for k, name in enumerate(design.feature_names)}
    table = table.sort_values("feature", key=lambda f: f.map(place), kind="stable", ignore_index=True)
    table["p_holm"] = table.groupby("feature")["p_value"].transform(lambda p: holm(p.to_numpy()))
    q_omnibus = pd.Series(benjamini_hochberg(omnibus.to_numpy(dtype=float)), index=omnibus.index)
    table["q_omnibus"] = table["feature"].map(q_omnibus)
    table["q_value"] = gated_q(table["p_holm"], table["q_omnibus"], q_omnibus)
    return table[list(COLUMNS)]


def gated_q(p_within, q_own, q_all) -> np.ndarray:
    """Smallest level at which a row's family is picked and the row rejected at level x R / m.

    p_within (rows,): adjusted inside the family; q_own (rows,), q_all (m,): BH q of its own and all families.
    """
    p, own = np.asarray(p_within, dtype=float), np.asarray(q_own, dtype=float)
    attained = np.sort(np.asarray(q_all, dtype=float)[~np.isnan(q_all)])
    best = np.full(p.shape, np.nan)
    for picked, level in enumerate(attained, start=1):
        best = np.fmin(best, np.maximum(np.maximum(level, own), p * attained.size / picked))
    return np.where(np.isnan(p) | np.isnan(own), np.nan, np.minimum(best, 1.0))


def _one_feature(design: Design, member, patients, used, names, column, conf_level) -> list[dict]:
    groups = member[np.ix_(patients, used)]
    joint = bool((member.sum(axis=1) > 1).any())
    kept = np.ones(len(patients), dtype=bool) if joint else groups.any(axis=1)
    values = design.features[patients[kept], column]
    others = design.base[patients[kept]]
    two = len(np.unique(values)) == 2
    fit = _logistic if two else _least_squares
    estimate, se, freedom = fit(values, groups[kept].astype(float), others, joint)
    quantile = stats.t.ppf((1 + conf_level) / 2, freedom)
    site = any(term.covariate == "site" for term in design.terms)
    rows = []
    for a, b in combinations(range(len(used)), 2):
        difference, error = float(estimate[a, b]), float(se[a, b])
        known = np.isfinite(difference) and error > 0
        rows.append(
            {
                "feature": design.feature_names[column],
                "etiology": names[used[a]],
                "against": names[used[b]],
                "effect_measure": LOG_ODDS if two else SD,
                "estimate": difference if known else np.nan,
                "ci_low": difference - quantile * error if known else np.nan,
                "ci_high": difference + quantile * error if known else np.nan,
                "p_value": never_zero(2 * stats.t.sf(abs(difference / error), freedom)) if known else np.nan,
                "n": int(groups[:, a].sum()),
                "n_against": int(groups[:, b].sum()),
                "method": ("Firth logistic regression, Wald" if two else "least squares, t")
                + (", joint model of all etiologies" if joint else "")
                + (", site as fixed effect" if site else ""),
                "note": "" if known else NOT_ESTIMATED,
            }
        )
    return rows


def _least_squares(values, groups, others, joint):
    """Differences (k, k), their standard errors, degrees of freedom; NaN what cannot be estimated."""
    k = groups.shape[1]
    whole = np.column_stack([groups, np.ones(len(values)), others] if joint else [groups, others])
    inverse = np.linalg.pinv(whole)
    freedom = len(values) - np.linalg.matrix_rank(whole)
    if freedom < 1 or np.ptp(values) == 0:
        return np.full((k, k), np.nan), np.full((k, k), np.nan), 1
    coef = inverse @ values
    variance = ((values - whole @ coef) ** 2).sum() / freedom
    pair = np.eye(whole.shape[1])[:k, None] - np.eye(whole.shape[1])[None, :k]
    estimable = np.abs(pair - pair @ inverse @ whole).max(axis=2) < 1e-8
    se = np.sqrt(((pair @ inverse) ** 2).sum(axis=2) * variance)
    return np.where(estimable, pair @ coef, np.nan), se, freedom


def _logistic(values, groups, others, joint):
    from discovery.kernels.logistic import fit_logistic

    k = groups.shape[1]
    high = (values == values.max()).astype(float)
    # one label each: the last etiology is the reference, its coefficient 0
    columns = groups if joint else groups[:, : k - 1]
    fit = fit_logistic(high, np.column_stack([columns, others]), firth=True)
    m = columns.shape[1]
    coef, covariance = np.zeros(k), np.zeros((k, k))
    coef[:m], covariance[:m, :m] = fit.coef[1 : 1 + m], fit.covariance[1 : 1 + m, 1 : 1 + m]
    if not fit.converged or not np.isfinite(covariance).all():
        return np.full((k, k), np.nan), np.full((k, k), np.nan), np.inf
    own = np.diag(covariance)
    spread = own[:, None] + own[None, :] - 2 * covariance
    return coef[:, None] - coef[None, :], np.sqrt(np.maximum(spread, 0.0)), np.inf
