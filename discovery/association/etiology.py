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
from discovery.association.etiology_estimates import LEAST_PATIENTS, Contrasts, estimate_contrasts
from discovery.association.multiplicity import benjamini_hochberg, selected_cells
from discovery.association.null_model import missing_patterns
from discovery.association.roc import auc_with_interval
from discovery.association.scaling import WINSOR, FeatureScaling
from discovery.problems import InputError, Problem, counted
from discovery.terms import RESTS_ON_FEW

COLUMNS = (
    "feature", "etiology", "contrast", "estimate", "ci_low", "ci_high", "p_value", "q_value", "auc", "n",
    "auc_low", "auc_high", "shrunk_estimate", "shrunk_low", "shrunk_high", "p_omnibus", "q_omnibus",
    "n_analysed", "n_left_out", "method", "note",
)  # fmt: skip
SEPARATOR = ";"
FEWEST_APART = 30  # patients with another number of labels than most, for a joint model without a warning
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


def etiology_labels(etiology: pd.Series) -> pd.DataFrame:
    """Indicators (patients x labels) from texts such as "a" or "a;b"; NaN in every column when there is
    no label. Labels are trimmed and sorted."""
    parts = [labels_in(text) for text in etiology]
    labels = sorted({label for own in parts for label in own})
    table = pd.DataFrame(np.nan, index=etiology.index, columns=labels)
    for i, own in enumerate(parts):
        if own:
            table.iloc[i] = [float(label in own) for label in labels]
    return table


def labels_in(text: object) -> list[str]:
    """The labels of a cell in their order, trimmed."""
    return [] if pd.isna(text) else [t.strip() for t in str(text).split(SEPARATOR) if t.strip()]


def without_rare(etiology: pd.Series, limit: int) -> pd.Series:
    """`etiology` without labels of fewer than `limit` patients: how they differ would tell their means."""
    labels = etiology_labels(etiology)
    rare = set(labels.columns[labels.sum() < limit])
    if not rare:
        return etiology
    return etiology.map(lambda text: SEPARATOR.join(t for t in labels_in(text) if t not in rare) or None)


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
        Least squares for features of many values, Firth logistic regression for features of two. Where all
        patients had the same number of labels, "with against without" could not be told: it rests on those
        who have another number of labels than most, and `note` says so where they are fewer than 30.
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
    found = estimate_contrasts(design, member, joint, conf_level)
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


def _table(design, member, names, joint, found: Contrasts, conf_level: float) -> pd.DataFrame:
    p = len(design.feature_names)
    p_cell = {str(j): found.p_value[:, j] for j in range(p)}
    q = selected_cells(p_cell, cell_p={str(j): found.omnibus[j] for j in range(p)})
    q_omnibus = benjamini_hochberg(found.omnibus)
    shrunk, half_shrunk = _shrunk(found, conf_level)
    half = found.quantile * found.se
    free = _residuals(design)
    method = _method(design, joint)
    rows = []
    for j, feature in enumerate(design.feature_names):
        seen = design.observed[:, j]
        n_analysed = int(seen.sum())
        few = _few_apart(member[seen]) if joint else ""
        for e, name in enumerate(names):
            n, estimate = int(member[seen, e].sum()), found.estimate[e, j]
            auc, auc_low, auc_high = _one_against_rest(member[seen, e], free[seen, j], conf_level)
            rows.append(
                {
                    "feature": feature,
                    "etiology": name,
                    "contrast": (JOINT if joint else SINGLE) + (", log odds" if found.binary[j] else ", SD"),
                    "estimate": estimate,
                    "ci_low": estimate - half[e, j],
                    "ci_high": estimate + half[e, j],
                    "p_value": found.p_value[e, j],
                    "q_value": q[str(j)][e],
                    "auc": auc,
                    "auc_low": auc_low,
                    "auc_high": auc_high,
                    "n": n,
                    "shrunk_estimate": shrunk[e, j],
                    "shrunk_low": shrunk[e, j] - half_shrunk[e, j],
                    "shrunk_high": shrunk[e, j] + half_shrunk[e, j],
                    "p_omnibus": found.omnibus[j],
                    "q_omnibus": q_omnibus[j],
                    "n_analysed": n_analysed,
                    "n_left_out": design.n_study - n_analysed,
                    "method": ("Firth logistic regression, Wald" if found.binary[j] else "least squares, t")
                    + method,
                    "note": _note(n, n_analysed, estimate) or few,
                }
            )
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _shrunk(found: Contrasts, conf_level: float) -> tuple[np.ndarray, np.ndarray]:
    """Shrunk deviations (k, p) and half of their intervals' width; log odds and SDs each for themselves."""
    shrunk, sd = np.full(found.estimate.shape, np.nan), np.full(found.estimate.shape, np.nan)
    for alike in (found.binary, ~found.binary):
        for e in range(len(shrunk)):
            shrunk[e, alike], sd[e, alike] = shrink_deviations(found.estimate[e, alike], found.se[e, alike])
    return shrunk, stats.norm.ppf((1 + conf_level) / 2) * sd


def _method(design: Design, joint: bool) -> str:
    site = any(term.covariate == "site" for term in design.terms)
    return (", joint model of all etiologies" if joint else "") + (", site as fixed effect" if site else "")


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


def _few_apart(member: np.ndarray) -> str:
    """What to say of the joint model of labels `member` (n, k) bool where few tell "with" from "without"."""
    size = member.sum(axis=0)
    labels = member[:, (size >= LEAST_PATIENTS) & (size < len(member))].sum(axis=1)
    if not labels.size:
        return ""
    commonest = int(np.bincount(labels).argmax())
    apart = int((labels != commonest).sum())
    if apart >= FEWEST_APART:
        return ""
    return (
        f"{RESTS_ON_FEW}: only {counted(apart)} with more or fewer than {commonest} "
        f"{'etiology' if commonest == 1 else 'etiologies'} can tell with from without, fewer than "
        f"{FEWEST_APART}"
    )


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
