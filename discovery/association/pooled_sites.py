"""Leading features site by site, and pooled over sites with random effects."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.association.effect_modification import effect_modification
from discovery.association.meta_analysis import Pooled, pool_random_effects
from discovery.association.outcome_models import effect_text
from discovery.problems import InputError

FEWEST_SITES = 3
FEW_SITES = 4  # up to here the intervals are approximate
SITE, POOLED, PLAIN, NEXT = "site", "pooled", "pooled, plain Hartung-Knapp", "prediction"
COLUMNS = [
    "outcome", "feature", "part", "site", "effect_measure", "estimate", "se", "ci_low", "ci_high", "p_value",
    "weight_percent", "tau", "i2_percent", "heterogeneity_p", "n", "events", "method", "note",
]  # fmt: skip
METHOD = "random effects, Paule-Mandel, Hartung-Knapp (factor at least 1)"


def pooled_sites(design: Design, features: Sequence[str], *, conf_level: float = 0.95) -> pd.DataFrame:
    """Effects of `features` at each site and their random-effects summary.

    The slope of each site comes from one model with a slope a site and the base model shared (sites as strata
    or fixed effects), so that a site of few events need not estimate the covariates too. Sites with
    fewer than 5 events (patients of the rarer class, patients) are left out.

    Returns
    -------
    DataFrame (COLUMNS)
        Part "site": one row a site with its weight; "pooled": the mean effect with its modified
        Hartung-Knapp interval; "pooled, plain Hartung-Knapp" (the factor not held at 1 or more: with
        few sites it can be far too short); "prediction": where the effect at a new site is expected.
        With fewer than three sites nothing is pooled, and the note says so.
    """
    if design.site is None or not features or len(np.unique(design.site)) < 2:
        return pd.DataFrame(columns=COLUMNS)
    which = np.array([design.feature_names.index(name) for name in features], dtype=int)
    try:
        found = effect_modification(
            design.take_features(which), design.site, modifier="site", conf_level=conf_level
        )
    except InputError as fault:
        why = "; ".join(f"{problem.wanted} wanted ({problem.found})" for problem in fault.problems)
        table = pd.DataFrame({"feature": list(features)})
        return table.assign(outcome=design.outcome, part=POOLED, note=f"not pooled: {why}").reindex(
            columns=COLUMNS
        )
    own, measure = found.tests.set_index("feature")["note"].to_dict(), effect_text(design.kind, "per 1 SD")
    rows: list[dict] = []
    for name in features:
        sites = found.effects[found.effects["feature"] == name]
        about = {"outcome": design.outcome, "feature": name, "effect_measure": measure}
        remarks = [text for text in (*found.notes, own[name]) if text]
        rows += [about | row for row in _rows_of_feature(sites, remarks, conf_level)]
    table = pd.DataFrame(rows).reindex(columns=COLUMNS)
    for column in ("site", "method", "note", "effect_measure"):
        table[column] = table[column].fillna("")
    return table.astype({"n": "Int64", "events": "Int64"})


def _rows_of_feature(sites: pd.DataFrame, remarks: list[str], conf_level: float) -> list[dict]:
    """A row for each of `sites` (group, estimate, se, ci_low, ci_high, n, events), then their summary."""
    estimate, se = (sites[name].to_numpy(dtype=float) for name in ("estimate", "se"))
    good = np.isfinite(estimate) & np.isfinite(se) & (se > 0)
    counts = {"n": int(sites["n"].sum()), "events": sites["events"].sum(min_count=1)}
    share = np.full(len(se), np.nan)
    if good.sum() < FEWEST_SITES:
        why = f"not pooled: {FEWEST_SITES} sites with an estimate wanted, there are {int(good.sum())}"
        summary = [{"part": POOLED, "note": "; ".join([why, *remarks])}]
    else:
        pooled = pool_random_effects(estimate[good], se[good] ** 2, conf_level=conf_level)
        weight = 1 / (se[good] ** 2 + pooled.tau2)
        share[good] = 100 * weight / weight.sum()
        summary = _summary(pooled, remarks)
    rows = [
        {
            "part": SITE, "site": row.group, "estimate": row.estimate if fine else np.nan, "se": row.se,
            "ci_low": row.ci_low, "ci_high": row.ci_high, "weight_percent": percent, "n": row.n,
            "events": row.events, "note": "",
        }
        for row, fine, percent in zip(sites.itertuples(), good, share)
    ]  # fmt: skip
    return rows + [counts | row for row in summary]


def _summary(pooled: Pooled, remarks: list[str]) -> list[dict]:
    few = ["few sites: the intervals are approximate"] if pooled.k <= FEW_SITES else []
    both = {
        "estimate": pooled.estimate, "method": METHOD, "tau": float(np.sqrt(pooled.tau2)),
        "i2_percent": pooled.i2_percent, "heterogeneity_p": pooled.q_p_value,
    }  # fmt: skip
    modified = {
        "part": POOLED, "se": pooled.modified_se, "ci_low": pooled.modified_low,
        "ci_high": pooled.modified_high, "p_value": pooled.modified_p_value,
        "note": "; ".join([*few, *remarks]),
    }  # fmt: skip
    plain = {
        "part": PLAIN, "se": pooled.hk_se, "ci_low": pooled.hk_low, "ci_high": pooled.hk_high,
        "p_value": pooled.hk_p_value, "method": METHOD.removesuffix(" (factor at least 1)"),
    }  # fmt: skip
    predicted = {"part": NEXT, "ci_low": pooled.prediction_low, "ci_high": pooled.prediction_high}
    return [both | part for part in (modified, plain, predicted)]
