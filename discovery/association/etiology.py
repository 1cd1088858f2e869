"""Etiology profiles: how each etiology differs in each feature, adjusted for covariates and site.

One label per patient: deviation of each etiology from the equal-weight mean of all etiologies. Several labels
per patient: one indicator for each label in a joint model, so that a label is not blamed for another one
that comes with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from discovery.association.design import Design, build_design
from discovery.association.multiplicity import benjamini_hochberg, never_zero, selected_cells
from discovery.association.null_model import missing_patterns
from discovery.association.roc import auc_with_interval
from discovery.association.scaling import WINSOR, FeatureScaling
from discovery.problems import InputError, Problem, counted

COLUMNS = (
    "feature",
    "etiology",
    "contrast",
    "estimate",
    "ci_low",
    "ci_high",
    "p_value",
    "q_value",
    "auc",
    "n",
    "auc_low",
    "auc_high",
    "shrunk_estimate",
    "shrunk_low",
    "shrunk_high",
    "p_omnibus",
    "q_omnibus",
    "n_analysed",
    "n_left_out",
    "method",
    "note",
)
SEPARATOR = ";"
LEAST_PATIENTS = 3  # an etiology with fewer is listed, not estimated
LEAST_SHRUNK = 5  # features needed to learn how large deviations are
SINGLE, JOINT = "deviation from the mean of etiologies", "with against without, given the other etiologies"


@dataclass(frozen=True, kw_only=True)
class EtiologyProfiles:
    """`table` (columns `COLUMNS`) has a row per feature and etiology. `estimate` is in SDs of the feature, or
    a log odds for a feature of two values. `joint` says that patients carry several labels."""

    table: pd.DataFrame
    labels: tuple[str, ...]
    joint: bool
    scaling: FeatureScaling
    left_out: pd.DataFrame
    notes: tuple[str, ...]


@dataclass
class _Contrasts:
    """One feature set's estimates, (k, p): contrast, standard error; (p,): omnibus p and freedom."""

    estimate: np.ndarray
    se: np.ndarray
    p_value: np.ndarray
    quantile: np.ndarray
    omnibus: np.ndarray
    binary: np.ndarray


def etiology_labels(etiology: pd.Series) -> pd.DataFrame:
    """Indicators (patients x labels) from texts such as "a" or "a;b"; NaN in every column when there is
    no label. Labels are trimmed and sorted."""
    parts = [
        None if pd.isna(text) else sorted({t.strip() for t in str(text).split(SEPARATOR) if t.strip()})
        for text in etiology
    ]
    labels = sorted({label for own in parts if own for label in own})
    table = pd.DataFrame(np.nan, index=etiology.index, columns=labels)
    for i, own in enumerate(parts):
        if own:
            table.iloc[i] = [float(label in own) for label in labels]
    return table


def etiology_profiles(
    etiology: pd.Series,
    covariates: pd.DataFrame,
    features: pd.DataFrame,
    *,
    site: pd.Series | None = None,
    winsor: tuple[float, float] | bool | None = WINSOR,
    scaling: FeatureScaling | None = None,
    conf_level: float = 0.95,
) -> EtiologyProfiles:
    """Profiles of every etiology over all features, adjusted for `covariates` and `site`.

    Parameters
    ----------
    etiology : Series of text by patient id, several labels separated by ";"; the other tables have the
        same patients
    winsor, scaling : as in `build_design`

    Returns
    -------
    EtiologyProfiles
        Least squares for features of many values, Firth logistic regression for features of two.
        q-values: features are picked by the omnibus test of "no etiology differs", then etiologies inside
        a picked feature (Benjamini & Bogomolov 2014). `shrunk_estimate`: normal empirical Bayes over the
        features of an etiology. `auc`: chance that a patient with the label has the higher value, free of
        covariates and site, than one without, DeLong interval.

    Raises
    ------
    InputError : fewer than two etiologies with 3 patients, or what `build_design` refuses.
    """
    design, member, names = etiology_design(
        etiology, covariates, features, site=site, winsor=winsor, scaling=scaling
    )
    joint = bool((member.sum(axis=1) > 1).any())
    found = _estimate(design, member, joint, conf_level)
    return EtiologyProfiles(
        table=_table(design, member, names, joint, found, conf_level),
        labels=tuple(names),
        joint=joint,
        scaling=design.scaling,
        left_out=design.left_out.assign(
            reason=design.left_out["reason"].replace("outcome is missing", "etiology is missing")
        ),
        notes=design.notes,
    )


def etiology_design(
    etiology: pd.Series,
    covariates: pd.DataFrame,
    features: pd.DataFrame,
    *,
    site: pd.Series | None = None,
    winsor: tuple[float, float] | bool | None = WINSOR,
    scaling: FeatureScaling | None = None,
) -> tuple[Design, np.ndarray, np.ndarray]:
    """Patients with an etiology as a design; who has which, bool (n, k); and the labels (k,).

    Raises
    ------
    InputError : fewer than two etiologies with 3 patients, or what `build_design` refuses.
    """
    from discovery.study import Outcome

    labels = etiology_labels(etiology)
    labelled = labels.notna().all(axis=1).to_numpy() if len(labels.columns) else np.zeros(len(labels), bool)
    design = build_design(
        Outcome(
            name="etiology",
            kind="continuous",
            label="etiology",
            patient_id=np.asarray(etiology.index, dtype=object),
            value=np.where(labelled, 0.0, np.nan),
        ),
        covariates,
        features,
        site=site,
        winsor=winsor,
        scaling=scaling,
    )
    member = labels.loc[list(design.patient_id)].to_numpy(dtype=float) == 1
    names = np.array(labels.columns, dtype=object)
    if (member.sum(axis=0) >= LEAST_PATIENTS).sum() < 2:
        sizes = ", ".join(f"{name}: {n}" for name, n in zip(names, member.sum(axis=0)))
        raise InputError(
            [
                Problem(
                    file="etiology",
                    found=sizes,
                    wanted=f"two etiologies with {LEAST_PATIENTS} patients or more are wanted",
                )
            ]
        )
    return design, member, names


def _estimate(design: Design, member: np.ndarray, joint: bool, conf_level: float) -> _Contrasts:
    k, p = member.shape[1], design.features.shape[1]
    blank = [np.full((k, p), np.nan) for _ in range(4)]
    out = _Contrasts(blank[0], blank[1], blank[2], blank[3], np.full(p, np.nan), np.zeros(p, dtype=bool))
    for columns, rows in missing_patterns(design.observed):
        own = member[rows]
        used = np.flatnonzero((own.sum(axis=0) >= LEAST_PATIENTS) & (own.sum(axis=0) < len(rows)))
        if len(used) < (1 if joint else 2):
            continue
        kept = np.ones(len(rows), dtype=bool) if joint else own[:, used].any(axis=1)
        values, others = design.features[np.ix_(rows[kept], columns)], design.base[rows[kept]]
        others = np.column_stack([np.ones(kept.sum()), others])
        groups = own[kept][:, used].astype(float)
        two = np.array([len(np.unique(v)) == 2 for v in values.T])
        flat = np.array([len(np.unique(v)) < 2 for v in values.T])
        if joint:
            contrast = np.eye(len(used))
            whole = np.column_stack([groups, others])
        else:  # indicators take the place of the intercept
            contrast = np.eye(len(used)) - 1 / len(used)
            whole = np.column_stack([groups, others[:, 1:]])
        contrast = np.column_stack([contrast, np.zeros((len(used), whole.shape[1] - len(used)))])
        many = columns[~two & ~flat]
        if len(many):
            _least_squares(
                out,
                design.features[np.ix_(rows[kept], many)],
                whole,
                others,
                contrast,
                used,
                many,
                conf_level,
            )
        for j in columns[two]:
            _firth_logistic(out, design.features[rows[kept], j], whole, contrast, used, j, joint, conf_level)
    return out


def _least_squares(out, values, whole, others, contrast, used, columns, conf_level) -> None:
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
    place = np.ix_(used, columns)
    out.estimate[place], out.se[place] = estimate, np.where(np.isnan(estimate), np.nan, se)
    out.p_value[place] = never_zero(2 * stats.t.sf(np.abs(estimate / se), freedom))
    out.quantile[place] = stats.t.ppf((1 + conf_level) / 2, freedom)
    if rank > rank_without:
        f = ((without**2).sum(axis=0) - left) / (rank - rank_without) / variance
        out.omnibus[columns] = never_zero(stats.f.sf(f, rank - rank_without, freedom))


def _firth_logistic(out, values, whole, contrast, used, column, joint, conf_level) -> None:
    from discovery.kernels.logistic import fit_logistic

    out.binary[column] = True
    k = len(used)
    high = (values == values.max()).astype(float)
    if joint:
        columns, back = np.column_stack([whole[:, :k], whole[:, k + 1 :]]), np.eye(k)
    else:  # K - 1 sum-to-zero columns beside the intercept
        columns = np.column_stack([whole[:, : k - 1] - whole[:, [k - 1]], whole[:, k:]])
        back = np.vstack([np.eye(k - 1), -np.ones(k - 1)])
    fit = fit_logistic(high, columns, firth=True)
    m = back.shape[1]
    coef, covariance = fit.coef[1 : 1 + m], fit.covariance[1 : 1 + m, 1 : 1 + m]
    if not fit.converged or not np.isfinite(covariance).all():
        return
    estimate = back @ coef
    se = np.sqrt(np.diag(back @ covariance @ back.T))
    out.estimate[used, column], out.se[used, column] = estimate, se
    out.p_value[used, column] = never_zero(2 * stats.norm.sf(np.abs(estimate / se)))
    out.quantile[used, column] = stats.norm.ppf((1 + conf_level) / 2)
    out.omnibus[column] = float(never_zero(stats.chi2.sf(coef @ np.linalg.solve(covariance, coef), m)))


def shrink_deviations(estimate: np.ndarray, se: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Deviations (p,) of one etiology drawn towards 0, and their posterior SDs.

    The variance of true deviations is max(0, mean(d^2 - se^2)) over features. Since it is itself
    estimated, the posterior variance has Morris's added term (J Am Stat Assoc 1983;78:47-55), without
    which intervals collapse where the estimate is 0. NaN when fewer than 5 features have an estimate.
    """
    seen = np.isfinite(estimate) & np.isfinite(se)
    shrunk, sd = np.full(len(estimate), np.nan), np.full(len(estimate), np.nan)
    if seen.sum() >= LEAST_SHRUNK:
        d, v = estimate[seen], se[seen] ** 2
        true = max(0.0, float(np.mean(d**2 - v)))
        share = v / (true + v)  # by which each is drawn in
        unsure = 2 / (seen.sum() - 2) * share**2 * (v.mean() + true) / (v + true) * d**2
        shrunk[seen] = d * (1 - share)
        sd[seen] = np.sqrt(v * (1 - share) + unsure)
    return shrunk, sd


def _table(design, member, names, joint, found: _Contrasts, conf_level: float) -> pd.DataFrame:
    k, p = found.estimate.shape
    p_cell = {str(j): found.p_value[:, j] for j in range(p)}
    q = selected_cells(p_cell, cell_p={str(j): found.omnibus[j] for j in range(p)})
    q_omnibus = benjamini_hochberg(found.omnibus)
    shrunk, shrunk_sd = np.full((k, p), np.nan), np.full((k, p), np.nan)
    for group in (found.binary, ~found.binary):
        for e in range(k):
            shrunk[e, group], shrunk_sd[e, group] = shrink_deviations(
                found.estimate[e, group], found.se[e, group]
            )
    z = stats.norm.ppf((1 + conf_level) / 2)
    free = _residuals(design)
    site = any(term.covariate == "site" for term in design.terms)
    rows = []
    for j, feature in enumerate(design.feature_names):
        seen = design.observed[:, j]
        for e, name in enumerate(names):
            n = int(member[seen, e].sum())
            half = found.quantile[e, j] * found.se[e, j]
            auc = _one_against_rest(member[seen, e], free[seen, j], conf_level)
            rows.append(
                (
                    feature,
                    name,
                    (JOINT if joint else SINGLE) + (", log odds" if found.binary[j] else ", SD"),
                    found.estimate[e, j],
                    found.estimate[e, j] - half,
                    found.estimate[e, j] + half,
                    found.p_value[e, j],
                    q[str(j)][e],
                    auc[0],
                    n,
                    auc[1],
                    auc[2],
                    shrunk[e, j],
                    shrunk[e, j] - z * shrunk_sd[e, j],
                    shrunk[e, j] + z * shrunk_sd[e, j],
                    found.omnibus[j],
                    q_omnibus[j],
                    int(seen.sum()),
                    design.n_study - int(seen.sum()),
                    ("Firth logistic regression, Wald" if found.binary[j] else "least squares, t")
                    + (", joint model of all etiologies" if joint else "")
                    + (", site as fixed effect" if site else ""),
                    _note(n, int(seen.sum()), found.estimate[e, j]),
                )
            )
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _note(n: int, of: int, estimate: float) -> str:
    if n < LEAST_PATIENTS:
        return f"not estimated: {counted(n)}, fewer than {LEAST_PATIENTS}"
    if n == of:
        return "not estimated: every patient has this etiology"
    if np.isnan(estimate):
        return (
            "not estimated: the feature does not vary, or the etiology cannot be told apart from "
            "site or covariates"
        )
    return ""


def _residuals(design: Design) -> np.ndarray:
    """Features minus their least-squares fit on covariates and site, over each feature's own rows."""
    free = np.full(design.features.shape, np.nan)
    z = np.column_stack([np.ones(design.n), design.base])
    for columns, rows in missing_patterns(design.observed):
        if len(rows):
            x = design.features[np.ix_(rows, columns)]
            rest = x - z[rows] @ np.linalg.lstsq(z[rows], x, rcond=None)[0]
            # differences of rounding size are ties
            free[np.ix_(rows, columns)] = np.round(rest, 12)
    return free


def _one_against_rest(member: np.ndarray, value: np.ndarray, conf_level: float) -> tuple[float, float, float]:
    if member.sum() < LEAST_PATIENTS or (~member).sum() < LEAST_PATIENTS:
        return np.nan, np.nan, np.nan
    found = auc_with_interval(member.astype(float), value, conf_level=conf_level)
    return found.auc, found.ci_low, found.ci_high
