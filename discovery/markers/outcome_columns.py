"""Columns of numbers of one outcome's rows: of the screen, shrunken, ranked, corrected; p features each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from discovery.association.evidence import evidence_errors
from discovery.association.kinds import kind_of
from discovery.association.multiplicity import SMALLEST_P
from discovery.association.screen_rows import ADJUSTED
from discovery.markers.attenuation import correct_attenuation, explained_by_base
from discovery.markers.confirmed_order import confirmed_order, order_sentence
from discovery.markers.detectable import detectable_effect, null_standard_errors
from discovery.markers.families import family_leads, family_scores
from discovery.markers.outcome_parts import OutcomeParts
from discovery.markers.ranks import (
    TOP_FAMILIES,
    TOP_FEATURES,
    chance_in_top,
    rank_descending,
    rank_draws,
    rank_interval,
    ranks_with_interval,
    share_in_top,
    size_of_top,
)
from discovery.markers.refit import gain_measure_name
from discovery.markers.shrinkage import (
    ShrunkenEffects,
    independent_features,
    shrink_effects,
    stretch_to_profile,
)
from discovery.markers.stability import stability_shares
from discovery.problems import InputError
from discovery.seeds import named_rng

Columns = dict[str, Any]  # an array (p,) for each name
OF_SCREEN = (
    "effect_measure", "estimate", "ci_low", "ci_high", "p_value", "q_value", "p_familywise", "n", "events",
    "n_left_out", "note",
)  # fmt: skip
OF_SITES = (
    "q_without_site", "estimate_without_site", "low_without_site", "high_without_site", "gain_random_folds",
    "gain_left_out_sites",
)  # fmt: skip


def screened_columns(o: OutcomeParts) -> Columns:
    """What the screen says of the adjusted models."""
    table = o.screen.table
    table = table[(table["model"] == ADJUSTED) & (table["term"] == table["feature"])]
    table = table.set_index("feature").loc[list(o.design.feature_names)]
    columns: Columns = {name: table[name].to_numpy() for name in OF_SCREEN}
    return columns | {
        "p_value": np.maximum(columns["p_value"].astype(float), SMALLEST_P),
        "z": o.spread(o.screen.fit.z[o.ranked]),
        "se": np.where(o.screen.assessed, o.screen.fit.se, np.nan),
    }


@dataclass(frozen=True, kw_only=True)
class Shrunken:
    """`effects` of the ranked features, by standard errors `se` that go with their likelihood ratios."""

    effects: ShrunkenEffects
    se: np.ndarray
    columns: Columns

    @property
    def note(self) -> str:
        return self.effects.note


def shrink(o: OutcomeParts, screened: Columns) -> Shrunken:
    """Effects drawn in for having been picked."""
    fit = o.screen.fit
    estimates, z, se = (values[o.ranked] for values in (fit.coef[:, -1], fit.z, fit.se))
    se = evidence_errors(o.screen.kind, estimates, z, se)
    independent = independent_features(o.design.features[:, o.ranked])
    effects = shrink_effects(estimates, se, independent=independent)
    estimate, ci_low, ci_high = (screened[name][o.ranked] for name in ("estimate", "ci_low", "ci_high"))
    low, high = stretch_to_profile(effects, estimate, ci_low, ci_high, se)
    columns = {
        "shrunk_estimate": o.spread(effects.mean),
        # with nearly all of the posterior at 0 both quantiles are 0 and the mean is a hair beside them
        "shrunk_low": o.spread(np.minimum(low, effects.mean)),
        "shrunk_high": o.spread(np.maximum(high, effects.mean)),
        "lfsr": o.spread(effects.lfsr),
        "s_value": o.spread(effects.s_value),
    }
    return Shrunken(effects=effects, se=se, columns=columns)


def gain_columns(o: OutcomeParts) -> Columns:
    gain = o.gain
    return {
        "gain_measure": gain_measure_name(o.design),
        "apparent_gain": o.spread(o.apparent),
        "base_measure": o.spread(o.base_measure),
        "gain": o.spread(None if gain is None else gain.gain),
        "gain_low": o.spread(None if gain is None else gain.low),
        "gain_high": o.spread(None if gain is None else gain.high),
    }


def rank_columns(o: OutcomeParts, shrunken: Shrunken, seed: int) -> Columns:
    """Ranks by |z|, and how far they are known from the bootstrap draws."""
    drawn_z = None if o.draws is None else o.draws.z
    rank, low, high, drawn = ranks_with_interval(o.screen.fit.z[o.ranked], drawn_z)
    k = size_of_top(rank.size, TOP_FEATURES)
    share = None
    if drawn is not None:
        effects, rng = shrunken.effects, named_rng(seed, "markers", o.design.outcome, "posterior")
        share = chance_in_top(drawn, k, mean=effects.mean, sd=effects.sd, se=shrunken.se, rng=rng)
    return {
        "rank": o.spread(rank),
        "top_k": o.spread(np.full(rank.size, float(k))),
        "rank_low": o.spread(low),
        "rank_high": o.spread(high),
        "probability_in_top": o.spread(share),
    }


@dataclass(frozen=True, kw_only=True)
class FamilyRanks:
    """Ranks of the families `numbers` that have a ranked feature; intervals and shares are NaN without draws;
    of_features : the same as columns of the ranked features."""

    numbers: np.ndarray
    rank: np.ndarray
    low: np.ndarray
    high: np.ndarray
    share: np.ndarray
    k: int
    of_features: dict[str, np.ndarray]


def rank_families(o: OutcomeParts) -> FamilyRanks:
    """Families by the largest |z| among their features."""
    z = o.screen.fit.z[o.ranked]
    numbers, own = np.unique(o.number[o.ranked], return_inverse=True)
    score = family_scores(np.abs(z), own + 1, count=numbers.size)
    rank = rank_descending(score) if numbers.size else np.empty(0)
    k = size_of_top(numbers.size, TOP_FAMILIES)
    low = high = share = np.full(numbers.size, np.nan)
    if o.draws is not None:
        drawn = rank_draws(family_scores(np.abs(o.draws.z), own + 1, count=numbers.size))
        low, high = rank_interval(drawn)
        low, high, share = np.minimum(low, rank), np.maximum(high, rank), share_in_top(drawn, k)
    return FamilyRanks(
        numbers=numbers, rank=rank, low=low, high=high, share=share, k=k,
        of_features={
            "family_rank": rank[own], "family_rank_low": low[own], "family_rank_high": high[own],
            "family_probability_in_top": share[own], "family_top_k": np.full(own.size, float(k)),
        },
    )  # fmt: skip


def leads(o: OutcomeParts) -> np.ndarray:
    """The place (p,) of the best ranked feature of each one's family; -1 for one without a rank itself."""
    lead = np.full(len(o.design.feature_names), -1)
    first = family_leads(np.abs(o.screen.fit.z[o.ranked]), o.number[o.ranked])
    if first.size:
        lead[o.ranked] = np.where(first < 0, -1, o.ranked[np.maximum(first, 0)])
    return lead


def family_names(o: OutcomeParts, lead_name: np.ndarray) -> list[str]:
    """The name of each feature's family: of its lead, also for a member that has no rank itself."""
    leads = {number: name for number, name in zip(o.number, lead_name) if name}
    return [leads.get(number, centre) for number, centre in zip(o.number, o.family)]


def distinct_shares(o: OutcomeParts, seed: int) -> tuple[np.ndarray, str]:
    """Shares (p,) of half samples that keep choosing each feature, and a remark where there are none."""
    blank = np.full(len(o.design.feature_names), np.nan)
    if o.ranked.size < 2:
        return blank, "distinctness needs at least two ranked features"
    try:
        rng = named_rng(seed, "markers", o.design.outcome, "halves")
        return stability_shares(o.design, o.ranked, rng=rng, completed=o.completed), ""
    except InputError as fault:
        return blank, f"distinctness not computed: {fault.problems[0].found}"


def attenuation_columns(
    o: OutcomeParts, reliability: Mapping[str, float], pairs: Mapping[str, int] | None
) -> Columns:
    """Effects corrected for what is lost by measuring unreliably, where the reliability is known."""
    names = o.design.feature_names
    known = np.array([float(reliability.get(name, np.nan)) for name in names])
    seen = None if pairs is None else np.array([float(pairs.get(name, np.nan)) for name in names])
    fit, assessed = o.screen.fit, o.screen.assessed
    estimate, se = (np.where(assessed, values, np.nan) for values in (fit.coef[:, -1], fit.se))
    blank = np.full(known.size, np.nan)
    explained = blank if np.isnan(known).all() else explained_by_base(o.design)
    corrected = correct_attenuation(estimate, se, known, explained, pairs=seen)
    return {
        "reliability": known,
        "attenuation_corrected": corrected.estimate,
        "attenuation_low": corrected.low,
        "attenuation_high": corrected.high,
    }


def detectable_columns(o: OutcomeParts, level: float) -> Columns:
    """What could have been seen: in the patients with a value or, where values were imputed, in one completed
    copy, with what the imputation adds to the variance."""
    se_null, increase = null_standard_errors(o.design), o.screen.variance_increase
    if o.completed:
        pooled = null_standard_errors(o.completed[0]) * np.sqrt(1 + increase)
        se_null = np.where(np.isnan(increase), se_null, pooled)
    se_null = np.where(o.screen.assessed, se_null, np.nan)
    return {
        "se_null": se_null,
        "detectable_effect": detectable_effect(se_null, level),
        "detectable_level": np.where(np.isnan(se_null), np.nan, level),
    }


def site_columns(o: OutcomeParts) -> Columns:
    """How the effect stands with each site left out."""
    return {name: o.spread(None if o.site is None else getattr(o.site, name)) for name in OF_SITES}


def confirmed_sentences(o: OutcomeParts) -> list[str] | None:
    if o.draws is None or o.ranked.size < 2 or not kind_of(o.design.kind).directed:
        return None
    order = confirmed_order(o.screen.fit.coef[o.ranked, -1], o.draws.estimate)
    return [order_sentence(order, j) for j in range(o.ranked.size)]
