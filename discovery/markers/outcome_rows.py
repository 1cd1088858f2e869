"""One outcome's rows of the marker table, put together: numbers, ranks, families, words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from discovery.association.kinds import kind_of
from discovery.markers.outcome_columns import (
    FamilyRanks,
    attenuation_columns,
    confirmed_sentences,
    detectable_columns,
    distinct_shares,
    family_names,
    gain_columns,
    leads,
    rank_columns,
    rank_families,
    screened_columns,
    shrink,
    site_columns,
)
from discovery.markers.outcome_parts import OutcomeParts
from discovery.markers.outcome_words import add_verdicts, by_the_family, lost_draws, notes
from discovery.markers.ranks import DECIMALS
from discovery.markers.redundancy import given_lead

CONTRACT = (
    "outcome", "rank", "feature", "label", "family", "effect_measure", "estimate", "ci_low", "ci_high",
    "p_value", "q_value", "shrunk_estimate", "gain_measure", "gain", "gain_low", "gain_high", "rank_low",
    "rank_high", "probability_in_top", "redundancy_group", "n", "events", "n_left_out", "verdict",
)  # fmt: skip
EXTRA = (
    "verdict_rule", "flags", "note", "z", "se", "p_familywise", "shrunk_low", "shrunk_high", "lfsr",
    "s_value", "apparent_gain", "base_measure", "top_k", "family_rank", "family_rank_low", "family_rank_high",
    "family_probability_in_top", "family_top_k", "family_lead", "p_given_lead",
    "estimate_given_lead", "distinct_share",
    "missing_share", "reliability", "attenuation_corrected", "attenuation_low", "attenuation_high",
    "se_null", "detectable_effect", "detectable_level", "q_without_site", "estimate_without_site",
    "low_without_site", "high_without_site", "gain_random_folds",
    "gain_left_out_sites", "confirmed_order",
)  # fmt: skip
FAMILY_COLUMNS = (
    "outcome", "family", "redundancy_group", "family_rank", "family_rank_low", "family_rank_high",
    "family_probability_in_top", "family_top_k", "lead", "size", "members", "candidates",
)  # fmt: skip
COUNTS = ("n", "events", "n_left_out", "top_k", "family_top_k", "size", "candidates")
RANKS = ("rank", "rank_low", "rank_high", "family_rank", "family_rank_low", "family_rank_high")


def outcome_tables(
    o: OutcomeParts,
    *,
    seed: int,
    labels: Mapping[str, str],
    fdr: float,
    comparisons: int,
    reliability: Mapping[str, float],
    reliability_pairs: Mapping[str, int] | None,
    flags: Mapping[tuple[str, str], Sequence[str]],
    confirm: bool,
) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """(rows, families, remarks) of one outcome; `comparisons`: features tested over all outcomes."""
    design = o.design
    screened = screened_columns(o)
    shrunken = shrink(o, screened)
    family = rank_families(o)
    lead = leads(o)
    lead_name = np.array([design.feature_names[k] if k >= 0 else "" for k in lead], dtype=object)
    given = given_lead(design, lead)
    distinct, distinct_note = distinct_shares(o, seed)
    table = pd.DataFrame(
        screened
        | {
            "outcome": design.outcome,
            "feature": list(design.feature_names),
            "label": [labels.get(name, name) for name in design.feature_names],
            "family": family_names(o, lead_name),
            "redundancy_group": o.number,
        }
        | shrunken.columns
        | gain_columns(o)
        | rank_columns(o, shrunken, seed)
        | {name: o.spread(values) for name, values in family.of_features.items()}
        | {
            "family_lead": lead_name,
            "p_given_lead": given.p,
            "estimate_given_lead": given.estimate,
            "distinct_share": distinct,
            "missing_share": o.missing,
        }
        | attenuation_columns(o, reliability, reliability_pairs)
        | detectable_columns(o, fdr / max(comparisons, 1))
        | site_columns(o)
        | {"confirmed_order": o.spread(confirmed_sentences(o) if confirm else None, fill="")}
    )
    add_verdicts(table, o, given, fdr, flags)
    table["note"] = notes(table["note"], o)
    table = table.sort_values(["rank", "p_value", "feature"], key=_alike, kind="stable", na_position="last")
    families = _family_table(o, table, family)
    remarks = [
        f"{design.outcome}: {text}"
        for text in (
            shrunken.note if kind_of(design.kind).directed and table["estimate"].notna().any() else "",
            distinct_note,
            lost_draws(o),
            by_the_family(table),
        )
        if text
    ]
    return tidy_numbers(table[[*CONTRACT, *EXTRA]].reset_index(drop=True)), tidy_numbers(families), remarks


def _alike(column: pd.Series) -> pd.Series:
    """A column to sort by, p-values that differ by rounding made equal."""
    return column.round(DECIMALS) if column.name == "p_value" else column


def tidy_numbers(table: pd.DataFrame) -> pd.DataFrame:
    """A copy with counts as whole numbers, ranks without the noise of an interpolation, and no minus zero."""
    out = table.copy()
    for name in out.columns:
        if name in COUNTS:
            out[name] = out[name].astype(float).astype("Int64")
        elif name in RANKS:
            out[name] = out[name].astype(float).round(9)
        elif pd.api.types.is_float_dtype(out[name]):
            out[name] = out[name] + 0.0
    return out


def _family_table(o, table, family: FamilyRanks) -> pd.DataFrame:
    rows = []
    for k, number in enumerate(family.numbers):
        members = table[(table["redundancy_group"] == number) & table["rank"].notna()]
        rows.append(
            {
                "outcome": o.design.outcome,
                "family": members["family"].iloc[0],
                "redundancy_group": number,
                "family_rank": family.rank[k],
                "family_rank_low": family.low[k],
                "family_rank_high": family.high[k],
                "family_probability_in_top": family.share[k],
                "family_top_k": family.k,
                "lead": members["family_lead"].iloc[0],
                "size": len(members),
                "members": "; ".join(members["feature"]),
                "candidates": int(members["verdict"].str.contains("candidate").sum()),
            }
        )
    return pd.DataFrame(rows, columns=list(FAMILY_COLUMNS)).sort_values("family_rank", kind="stable")
