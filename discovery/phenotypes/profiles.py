"""What the groups look like, without judging them by the features that made them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from discovery.problems import InputError, Problem

if TYPE_CHECKING:
    from discovery.phenotypes.model import Phenotypes

MADE_BY = "made the groups: description only, no test"


def profile_table(
    found: Phenotypes,
    features: pd.DataFrame,
    labels: dict[str, str] | None = None,
    *,
    conf_level: float = 0.95,
    profile_test: str | None = None,
) -> pd.DataFrame:
    """A row a group and feature: the group against all others, in SDs inside the groups.

    Columns phenotype, feature, label, n, mean (raw unit), effect (difference of prepared means over the
    pooled SD within groups), ci_low, ci_high (Hedges & Olkin 1985, large samples), order (1: tells this
    group most), note. The features made the groups, so the effects look larger than new patients would
    show; there are no p-values.

    profile_test : "null" adds between, between_null, p_null and q_null of each feature (all groups at
        once) against cohorts without groups that were clustered the same way; see `null_profile`.

    Raises
    ------
    InputError : another `profile_test`, and what `null_profile_table` says.
    """
    from scipy.stats import norm

    if profile_test not in (None, "null"):
        raise InputError([Problem(file="profile_test", found=str(profile_test), wanted='"null" or None')])

    z = found.preparation_.scaled(features)
    names = [str(name) for name in found.preparation_.table.index]
    raw = features[names].to_numpy(dtype=float)
    group = found.labels_
    z_value, rows = norm.ppf(0.5 + conf_level / 2), []
    for c, phenotype in enumerate(found.group_names):
        inside, outside = group == c, (group >= 0) & (group != c)
        effect, low, high = _effects(z[inside], z[outside], z_value)
        order = np.argsort(np.argsort(-np.abs(np.nan_to_num(effect)), kind="stable"), kind="stable") + 1
        for j, name in enumerate(names):
            seen = raw[inside, j][np.isfinite(raw[inside, j])]
            rows.append(
                {
                    "phenotype": phenotype,
                    "feature": name,
                    "label": (labels or {}).get(name, name),
                    "n": int(seen.size),
                    "mean": float(seen.mean()) if seen.size else np.nan,
                    "effect": effect[j],
                    "ci_low": low[j],
                    "ci_high": high[j],
                    "order": int(order[j]),
                    "note": MADE_BY,
                }
            )
    table = pd.DataFrame(rows)
    if profile_test is None:
        return table
    from discovery.phenotypes.null_profile import NULL_NOTE, null_profile_table

    tested = null_profile_table(found, features, workers=found.workers)
    return table.assign(note=NULL_NOTE).merge(tested, on="feature", how="left", validate="many_to_one")


def _effects(inside: np.ndarray, outside: np.ndarray, z_value: float):
    """Standardised difference of means (p,) with its interval; NaN with fewer than 2 values on a side."""
    n, m = np.isfinite(inside).sum(axis=0), np.isfinite(outside).sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        first = np.nansum(inside, axis=0) / n
        second = np.nansum(outside, axis=0) / m
        left = np.nansum((inside - first) ** 2, axis=0) + np.nansum((outside - second) ** 2, axis=0)
        effect = (first - second) / np.sqrt(left / (n + m - 2))
        se = np.sqrt((n + m) / (n * m) + effect**2 / (2 * (n + m)))
    enough = (n >= 2) & (m >= 2) & np.isfinite(effect)
    effect = np.where(enough, effect, np.nan)
    return effect, effect - z_value * se, effect + z_value * se


def mix_table(found: Phenotypes, etiology: pd.Series) -> pd.DataFrame:
    """phenotype, etiology, n, of_phenotype (share), of_etiology (share); several labels count each."""
    own = _etiologies(etiology)
    names = np.array([*found.group_names, ""], dtype=object)[found.labels_]
    long = pd.DataFrame({"phenotype": names, "etiology": own.to_numpy()}).explode("etiology").dropna()
    long = long[long["phenotype"] != ""]
    counts = long.groupby(["phenotype", "etiology"], sort=True).size().rename("n").reset_index()
    size = dict(zip(found.group_names, found.sizes_))
    counts["of_phenotype"] = counts["n"] / counts["phenotype"].map(size)
    counts["of_etiology"] = counts["n"] / counts.groupby("etiology")["n"].transform("sum")
    return counts


def mean_beats(found: Phenotypes, features: pd.DataFrame, shape: Any, prefix: str) -> pd.DataFrame:
    """phenotype, phase (0 to 2), pressure, low, high: the mean normalised beat of each group, and +/- 1 SD.

    shape : the learned components of the beat, whose scores stand in `features` as `prefix` 1, 2, …; empty
    where they do not.
    """
    members = [(name, found.labels_ == c) for c, name in enumerate(found.group_names)]
    parts = [
        beats.assign(phenotype=name) for name, beats in _beats_of(members, features, shape, prefix).items()
    ]
    columns = ["phenotype", "phase", "pressure", "low", "high"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def axis_beats(places: pd.DataFrame, features: pd.DataFrame, shape: Any, prefix: str) -> pd.DataFrame:
    """axis, part ("lowest third", "highest third"), phase, pressure, low, high: the mean normalised beat of
    the patients at either end of each axis of `places` (n, d), and +/- 1 SD; see `mean_beats`."""
    parts = []
    for axis in places:
        values = places[axis].to_numpy(dtype=float)
        low, high = np.nanquantile(values, [1 / 3, 2 / 3])
        members = [("lowest third", values <= low), ("highest third", values > high)]
        for name, beats in _beats_of(members, features, shape, prefix).items():
            parts.append(beats.assign(axis=axis, part=name))
    columns = ["axis", "part", "phase", "pressure", "low", "high"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def _beats_of(members, features: pd.DataFrame, shape: Any, prefix: str) -> dict[str, pd.DataFrame]:
    """Name -> phase, pressure, low, high of the patients (n,) of that name, two or more with a whole beat."""
    names = [f"{prefix}{k + 1}" for k in range(len(shape.components_))]
    if not set(names) <= set(map(str, features.columns)):
        return {}
    scores = features[names].to_numpy(dtype=float)
    whole, out = np.isfinite(scores).all(axis=1), {}
    for name, mine in members:
        if (mine & whole).sum() < 2:
            continue
        beats = shape.inverse_transform(scores[mine & whole])
        mean, sd = beats.mean(axis=0), beats.std(axis=0, ddof=1)
        phase = np.linspace(0, 2, mean.size, endpoint=False)
        table = {"phase": phase, "pressure": mean, "low": mean - sd, "high": mean + sd}
        out[name] = pd.DataFrame(table)
    return out


def axis_mix_table(places: pd.DataFrame, etiology: pd.Series, *, conf_level: float = 0.95) -> pd.DataFrame:
    """axis, etiology, n, mean (place on the axis, in SD of all patients), ci_low, ci_high (t).

    A patient with several etiologies counts in each. The etiologies had no part in the axes.
    """
    from scipy.stats import t

    own = _etiologies(etiology)
    rows = []
    for axis in places:
        values = places[axis]
        standard = ((values - values.mean()) / values.std()).rename("place")
        long = pd.DataFrame({"etiology": own, "place": standard}).explode("etiology").dropna()
        for name, mine in long.groupby("etiology", sort=True)["place"]:
            n, mean = len(mine), float(mine.mean())
            half = t.ppf(0.5 + conf_level / 2, n - 1) * mine.std() / np.sqrt(n) if n > 1 else np.nan
            rows.append((axis, name, n, mean, mean - half, mean + half))
    return pd.DataFrame(rows, columns=["axis", "etiology", "n", "mean", "ci_low", "ci_high"])


def _etiologies(etiology: pd.Series) -> pd.Series:
    """The labels of each patient as a list, from text "a;b"."""
    return etiology.astype(object).map(
        lambda cell: [] if pd.isna(cell) else [part.strip() for part in str(cell).split(";") if part.strip()]
    )


def group_columns(found: Phenotypes) -> pd.DataFrame:
    """A column of 0 and 1 for each group (against all others), NaN where a patient is in none."""
    member = (found.labels_[:, None] == np.arange(found.k_)).astype(float)
    member[found.labels_ < 0] = np.nan
    return pd.DataFrame(member, index=found.patients_, columns=found.group_names)


def axis_columns(found: Phenotypes) -> pd.DataFrame:
    """The places of the patients on the axes (n, d)."""
    places = found.directions_.of_scores(found.scores_)
    return pd.DataFrame(places, index=found.patients_, columns=found.axis_names)


def loading_table(found: Phenotypes, labels: dict[str, str] | None = None) -> pd.DataFrame:
    """A row an axis and feature: axis, feature, label, loading, correlation (of feature and axis) with its
    bootstrap interval ci_low, ci_high, and order (1: the feature that this axis rests on most)."""
    names = [str(name) for name in found.preparation_.table.index]
    search = found.axis_search_
    loadings = search.axes.loadings
    rows = []
    for j, axis in enumerate(found.axis_names):
        size = np.abs(search.correlation[:, j])
        rows.append(
            pd.DataFrame(
                {
                    "axis": axis,
                    "feature": names,
                    "label": [(labels or {}).get(name, name) for name in names],
                    "loading": loadings[:, j],
                    "correlation": search.correlation[:, j],
                    "ci_low": search.low[:, j],
                    "ci_high": search.high[:, j],
                    "order": np.argsort(np.argsort(-size, kind="stable"), kind="stable") + 1,
                }
            )
        )
    return pd.concat(rows, ignore_index=True)
