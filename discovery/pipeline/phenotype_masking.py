"""The search for groups fit to be shared: nothing in its tables and figures that a few patients make up."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from discovery.cohort.masked_counts import small
from discovery.cohort.masked_means import mask_statistics, tells_a_few
from discovery.survival.coarse_curves import coarse_at_risk, coarse_curves
from discovery.terms import MEAN_EPISODES

KNOWN = (
    "phenotype_curves", "phenotype_at_risk", "phenotype_levels", "phenotype_biplot", "phenotype_map",
    "phenotype_mix", "phenotype_axis_mix", "phenotype_profiles",
)  # fmt: skip
EFFECTS, DIGITS = ["effect", "ci_low", "ci_high"], 2


def masked_phenotypes(
    tables: Mapping[str, pd.DataFrame],
    limit: int,
    etiologies: Mapping[str, int] | None = None,
    *,
    features: pd.DataFrame | None = None,
    members: pd.DataFrame | None = None,
) -> dict[str, pd.DataFrame]:
    """Curves in steps of `limit` events, no place of a single patient, no count or mean of a few.

    `etiologies`: how many patients have each, as far as other tables say; no other number is said here.
    `features`, `members` (patient_id, phenotype): whose values the profiles are of; without them no mean
    and no effect is shown.
    Left out as a whole: shares and means of a group at one time (those of a group tell those of the others
    where all are shown), mean numbers of episodes, whose steps may be one patient's, the etiologies of the
    groups where a cell is small (its row and column tell it), and the sizes of all groups where one is.
    """
    out: dict[str, pd.DataFrame] = {}

    def given(name: str) -> pd.DataFrame:
        return tables.get(name, pd.DataFrame())

    curves = given("phenotype_curves")
    if len(curves):
        single = curves[curves["curve"] != MEAN_EPISODES]
        out["phenotype_curves"] = coarse_curves(single, limit) if len(single) else single
    if len(given("phenotype_at_risk")):
        out["phenotype_at_risk"] = coarse_at_risk(given("phenotype_at_risk"), limit)
    for name in ("phenotype_levels", "phenotype_map"):
        if name in tables:
            out[name] = tables[name].iloc[:0]
    if len(given("phenotype_biplot")):
        arrows = given("phenotype_biplot")["part"] != "patient"
        out["phenotype_biplot"] = given("phenotype_biplot")[arrows].reset_index(drop=True)
    mix = given("phenotype_mix")
    if len(mix) and _any_small(mix["n"], limit):
        out["phenotype_mix"] = mix.iloc[:0]
    if len(given("phenotype_axis_mix")):
        out["phenotype_axis_mix"] = _without_few(given("phenotype_axis_mix"), limit, etiologies or {})
    if len(given("phenotype_profiles")):
        profiles = given("phenotype_profiles")
        few = _small(profiles["n"], limit)
        told = few | _few_missing(profiles, given("phenotypes"), limit)
        shown = profiles.assign(n=profiles["n"].astype("Int64").mask(told), mean=profiles["mean"].mask(few))
        out["phenotype_profiles"] = _masked_profiles(shown, features, members, limit)
    sizes = given("phenotypes")
    if len(sizes) and "phenotype_profiles" in out:
        out["phenotypes"] = sizes = _with_effects(sizes, out["phenotype_profiles"])
    if len(sizes) and _any_small(sizes["size"], limit):
        for name in ("phenotypes", "phenotype_stability"):
            if len(given(name)):
                out[name] = out.get(name, given(name)).assign(size=pd.NA)
        out["phenotype_consensus"] = given("phenotype_consensus").iloc[:0]
    others = given("phenotype_methods")
    if len(others):
        hidden = {name: others[name].astype("Int64").mask(_small(others[name], limit))
                  for name in ("smallest", "in_no_group")}  # fmt: skip
        out["phenotype_methods"] = others.assign(**hidden)
    return out


def _masked_profiles(
    profiles: pd.DataFrame, features: pd.DataFrame | None, members: pd.DataFrame | None, limit: int
) -> pd.DataFrame:
    """`profiles` with means rounded as those of any group are, and none of a feature that tells a few.

    Where all but a few of a group have the same value, the means of all groups go: beside that of everybody,
    which the baseline has, the others would tell it. So do the effects, which are of these means.
    """
    profiles = profiles.copy()
    if features is None or members is None:
        return profiles.assign(**dict.fromkeys(["mean", *EFFECTS], np.nan))
    group = members.set_index(members["patient_id"].astype(str))["phenotype"]
    own = features.set_axis(features.index.astype(str))
    for name, mine in profiles.groupby("feature", sort=False):
        rows = list(mine.index)
        if name not in own:
            profiles.loc[rows, ["mean", *EFFECTS]] = np.nan
            continue
        column = own[name].astype(float)
        values = [column[column.index.isin(group.index[group == one])].dropna() for one in mine["phenotype"]]
        parts = [part.to_numpy() for part in values]
        mask_statistics(profiles, rows, parts, limit, counted=mine["n"].notna().tolist())
        if profiles.loc[rows, "mean"].isna().any():
            profiles.loc[rows, "mean"] = np.nan
        if any(_nearly_all_the_same(part, limit) for part in parts):
            profiles.loc[rows, EFFECTS] = np.nan
    return profiles.assign(**{column: profiles[column].round(DIGITS) for column in EFFECTS})


def _nearly_all_the_same(known: np.ndarray, limit: int) -> bool:
    return known.size >= limit and tells_a_few(known, limit)


def _with_effects(groups: pd.DataFrame, profiles: pd.DataFrame) -> pd.DataFrame:
    """`groups` with the effects of the features as the masked `profiles` have them."""
    wide = profiles.pivot(index="phenotype", columns="feature", values="effect")
    shown = {name: groups["phenotype"].map(wide[name]) for name in wide if name in groups}
    return groups.assign(**shown)


def _few_missing(profiles: pd.DataFrame, groups: pd.DataFrame, limit: int) -> np.ndarray:
    """Rows of the features that few of some group lack: its size less those who have it tells how many."""
    if not len(groups):
        return np.zeros(len(profiles), dtype=bool)
    size = profiles["phenotype"].map(groups.set_index("phenotype")["size"])
    few = pd.Series(_small(size - profiles["n"], limit), index=profiles.index)
    return few.groupby(profiles["feature"]).transform("any").to_numpy(dtype=bool)


def _small(counts: pd.Series, limit: int) -> np.ndarray:
    return np.array([small(count, limit) for count in counts], dtype=bool)


def _any_small(counts: pd.Series, limit: int) -> bool:
    return bool(_small(counts, limit).any())


def _without_few(mix: pd.DataFrame, limit: int, etiologies: Mapping[str, int]) -> pd.DataFrame:
    """Etiologies along the axes, without those of a few patients and sizes that are masked elsewhere."""
    kept = mix[~_small(mix["n"], limit)].reset_index(drop=True)
    told = [etiologies.get(str(name)) == n for name, n in zip(kept["etiology"], kept["n"])]
    return kept.assign(n=kept["n"].astype("Int64").where(told))
