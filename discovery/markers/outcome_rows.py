"""One outcome's rows of the marker table: ranks, families, gains, flags and words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.association.evidence import evidence_errors
from discovery.association.kinds import kind_of
from discovery.association.multiplicity import SMALLEST_P
from discovery.association.screen import ADJUSTED, Screen
from discovery.markers.attenuation import Corrected, correct_attenuation, explained_by_base
from discovery.markers.bootstrap import BootstrapDraws
from discovery.markers.confirmed_order import confirmed_order, order_sentence
from discovery.markers.detectable import detectable_effect, null_standard_errors
from discovery.markers.families import family_leads, family_scores
from discovery.markers.gain import MONTE_CARLO_NOTED, CorrectedGain
from discovery.markers.ranks import (
    DECIMALS,
    FIRST_TAIL,
    TOP_FAMILIES,
    TOP_FEATURES,
    posterior_share_in_top,
    rank_descending,
    rank_draws,
    rank_interval,
    share_in_top,
    size_of_top,
)
from discovery.markers.redundancy import given_lead
from discovery.markers.refit import OutcomeRefit, gain_measure_name
from discovery.markers.shrinkage import (
    ShrunkenEffects,
    independent_features,
    shrink_effects,
    stretch_to_profile,
)
from discovery.markers.site_check import DOES_NOT_TRANSPORT, SiteCheck
from discovery.markers.stability import stability_shares
from discovery.markers.verdict import (
    FEW_EVENTS,
    NO_ORDER,
    NO_TRANSPORT,
    NONLINEAR,
    PERMUTATION_FIRST,
    SIGN_TURNS,
    UNRELIABLE,
    Evidence,
    verdict_of,
)
from discovery.problems import InputError
from discovery.seeds import named_rng

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


@dataclass(kw_only=True)
class OutcomeParts:
    """What is gathered for one outcome on the way; indices `ranked` are into the design's features,
    in the order of their names: chance and ties then do not depend on the order of columns.

    wide : the design of the patients that estimates and ranks are of; `design` itself, unless covariates were
    imputed.
    number, family (p,) : the family of each feature and its central member. The rows name a family after
    its best ranked feature, and after the central one only where none of it could be ranked.
    """

    design: Design
    wide: Design
    screen: Screen
    ranked: np.ndarray
    missing: np.ndarray
    number: np.ndarray
    family: np.ndarray
    refit: OutcomeRefit | None = None
    site: SiteCheck | None = None
    draws: BootstrapDraws | None = None
    gain: CorrectedGain | None = None
    apparent: np.ndarray | None = None
    base_measure: np.ndarray | None = None
    completed: tuple[Design, ...] = ()  # gaps filled, perhaps with more patients than `design`


def outcome_tables(o, *, seed, labels, fdr, comparisons, reliability, reliability_pairs, flags, confirm):
    """(rows, families, remarks) of one outcome; `comparisons`: features tested over all outcomes."""
    design, screen, p = o.design, o.screen, len(o.design.feature_names)
    adjusted = screen.table
    adjusted = adjusted[(adjusted["model"] == ADJUSTED) & (adjusted["term"] == adjusted["feature"])]
    adjusted = adjusted.set_index("feature").loc[list(design.feature_names)]
    columns = {
        name: adjusted[name].to_numpy()
        for name in ("effect_measure", "estimate", "ci_low", "ci_high", "p_value", "q_value", "p_familywise",
                     "n", "events", "n_left_out", "note")
    }  # fmt: skip
    columns["p_value"] = np.maximum(columns["p_value"].astype(float), SMALLEST_P)

    def spread(values, fill=np.nan):
        out = np.full(p, fill, dtype=object if fill == "" else float)
        if values is not None:
            out[o.ranked] = values
        return out

    z = screen.fit.z[o.ranked]
    estimates, se = screen.fit.coef[o.ranked, -1], screen.fit.se[o.ranked]
    evidence_se = evidence_errors(screen.kind, estimates, z, se)
    independent = independent_features(design.features[:, o.ranked])
    shrunk = shrink_effects(estimates, evidence_se, independent=independent)
    estimate, ci_low, ci_high = (columns[name][o.ranked] for name in ("estimate", "ci_low", "ci_high"))
    shrunk_low, shrunk_high = stretch_to_profile(shrunk, estimate, ci_low, ci_high, evidence_se)
    rank = _ranks(o, z, evidence_se, shrunk, seed)
    family = _family_ranks(o, z)
    lead = np.full(p, -1)
    lead[o.ranked] = _to_whole(family_leads(np.abs(z), o.number[o.ranked]), o.ranked)
    lead_name = np.array([design.feature_names[k] if k >= 0 else "" for k in lead], dtype=object)
    given = given_lead(design, lead)
    distinct, distinct_note = _distinct(o, seed)
    known, corrected = _attenuation(o, reliability, reliability_pairs)
    se_null = np.where(screen.assessed, null_standard_errors(design), np.nan)
    level = fdr / max(comparisons, 1)
    gain = o.gain
    columns |= {
        "outcome": design.outcome,
        "feature": list(design.feature_names),
        "label": [labels.get(name, name) for name in design.feature_names],
        "family": _family_names(o, lead_name),
        "redundancy_group": o.number,
        "gain_measure": gain_measure_name(design),
        "z": spread(z),
        "se": np.where(screen.assessed, screen.fit.se, np.nan),
        "shrunk_estimate": spread(shrunk.mean),
        # with nearly all of the posterior at 0 both quantiles are 0 and the mean is a hair beside them
        "shrunk_low": spread(np.minimum(shrunk_low, shrunk.mean)),
        "shrunk_high": spread(np.maximum(shrunk_high, shrunk.mean)),
        "lfsr": spread(shrunk.lfsr),
        "s_value": spread(shrunk.s_value),
        "apparent_gain": spread(o.apparent),
        "base_measure": spread(o.base_measure),
        "gain": spread(None if gain is None else gain.gain),
        "gain_low": spread(None if gain is None else gain.low),
        "gain_high": spread(None if gain is None else gain.high),
        **{name: spread(values) for name, values in rank.items()},
        **{name: spread(values) for name, values in family.of_features.items()},
        "family_lead": lead_name,
        "p_given_lead": given.p,
        "estimate_given_lead": given.estimate,
        "distinct_share": distinct,
        "missing_share": o.missing,
        "reliability": known,
        "attenuation_corrected": corrected.estimate,
        "attenuation_low": corrected.low,
        "attenuation_high": corrected.high,
        "se_null": se_null,
        "detectable_effect": detectable_effect(se_null, level),
        "detectable_level": np.where(np.isnan(se_null), np.nan, level),
        **{
            name: spread(None if o.site is None else getattr(o.site, name))
            for name in (
                "q_without_site",
                "estimate_without_site",
                "low_without_site",
                "high_without_site",
            )
        },
        "gain_random_folds": spread(None if o.site is None else o.site.gain_random_folds),
        "gain_left_out_sites": spread(None if o.site is None else o.site.gain_left_out_sites),
        "confirmed_order": spread(_confirmed(o) if confirm else None, fill=""),
    }
    table = pd.DataFrame(columns)
    _add_words(table, o, given, fdr, flags)
    table["note"] = _notes(table["note"], o)
    table = table.sort_values(["rank", "p_value", "feature"], key=_alike, kind="stable", na_position="last")
    families = _family_table(o, table, family)
    remarks = [
        f"{design.outcome}: {text}"
        for text in (
            shrunk.note if kind_of(design.kind).directed and table["estimate"].notna().any() else "",
            distinct_note,
            _lost_draws(o),
            _by_the_family(table),
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


def _ranks(o, z, se, shrunk: ShrunkenEffects, seed) -> dict[str, np.ndarray | None]:
    rank = rank_descending(np.abs(z))
    k = size_of_top(rank.size, TOP_FEATURES)
    columns: dict[str, np.ndarray | None] = {"rank": rank, "top_k": np.full(rank.size, float(k))}
    if o.draws is None:
        return columns | dict.fromkeys(("rank_low", "rank_high", "probability_in_top"))
    drawn = rank_draws(np.abs(o.draws.z))
    low, high = rank_interval(drawn, first_tail=FIRST_TAIL)
    if np.isnan(shrunk.mean).all():
        share = share_in_top(drawn, k)
    else:
        rng = named_rng(seed, "markers", o.design.outcome, "posterior")
        share = posterior_share_in_top(shrunk.mean, shrunk.sd, se, k, rng=rng)
    return columns | {
        "rank_low": np.minimum(low, rank),
        "rank_high": np.maximum(high, rank),
        "probability_in_top": share,
    }


@dataclass(frozen=True, kw_only=True)
class _FamilyRanks:
    numbers: np.ndarray  # families with a ranked feature
    rank: np.ndarray
    low: np.ndarray
    high: np.ndarray
    share: np.ndarray
    k: int
    of_features: dict[str, np.ndarray]


def _family_ranks(o, z) -> _FamilyRanks:
    numbers, own = np.unique(o.number[o.ranked], return_inverse=True)
    score = family_scores(np.abs(z), own + 1, count=numbers.size)
    rank = rank_descending(score) if numbers.size else np.empty(0)
    k = size_of_top(numbers.size, TOP_FAMILIES)
    low = high = share = np.full(numbers.size, np.nan)
    if o.draws is not None:
        drawn = rank_draws(family_scores(np.abs(o.draws.z), own + 1, count=numbers.size))
        low, high = rank_interval(drawn)
        low, high, share = np.minimum(low, rank), np.maximum(high, rank), share_in_top(drawn, k)
    return _FamilyRanks(
        numbers=numbers, rank=rank, low=low, high=high, share=share, k=k,
        of_features={
            "family_rank": rank[own], "family_rank_low": low[own], "family_rank_high": high[own],
            "family_probability_in_top": share[own], "family_top_k": np.full(own.size, float(k)),
        },
    )  # fmt: skip


def _to_whole(lead, ranked) -> np.ndarray:
    return np.where(lead < 0, -1, ranked[np.maximum(lead, 0)]) if lead.size else lead


def _family_names(o, lead_name) -> list[str]:
    """The name of each feature's family: of its lead, also for a member that has no rank itself."""
    leads = {number: name for number, name in zip(o.number, lead_name) if name}
    return [leads.get(number, centre) for number, centre in zip(o.number, o.family)]


def _distinct(o, seed) -> tuple[np.ndarray, str]:
    blank = np.full(len(o.design.feature_names), np.nan)
    if o.ranked.size < 2:
        return blank, "distinctness needs at least two ranked features"
    try:
        rng = named_rng(seed, "markers", o.design.outcome, "halves")
        return stability_shares(o.design, o.ranked, rng=rng, completed=o.completed), ""
    except InputError as fault:
        return blank, f"distinctness not computed: {fault.problems[0].found}"


def _attenuation(o, reliability, pairs) -> tuple[np.ndarray, Corrected]:
    names = o.design.feature_names
    known = np.array([float(reliability.get(name, np.nan)) for name in names])
    seen = None if pairs is None else np.array([float(pairs.get(name, np.nan)) for name in names])
    fit, assessed = o.screen.fit, o.screen.assessed
    estimate, se = (np.where(assessed, values, np.nan) for values in (fit.coef[:, -1], fit.se))
    blank = np.full(known.size, np.nan)
    explained = blank if np.isnan(known).all() else explained_by_base(o.design)
    return known, correct_attenuation(estimate, se, known, explained, pairs=seen)


def _confirmed(o) -> list[str] | None:
    if o.draws is None or o.ranked.size < 2 or not kind_of(o.design.kind).directed:
        return None
    order = confirmed_order(o.screen.fit.coef[o.ranked, -1], o.draws.estimate)
    return [order_sentence(order, j) for j in range(o.ranked.size)]


def _add_words(table, o, given, fdr, flags) -> None:
    """Flags, verdict and its rule."""
    design, screen = o.design, o.screen
    kind, sizes = kind_of(design.kind), screen.sizes
    each = sizes / kind.coefficients_of(o.wide.base.shape[1])
    flips = {int(j): names for j, names in zip(o.ranked, o.site.flipped_without)} if o.site else {}
    turns = given.turns(screen.fit.coef[:, -1])
    words, rules, listed = [], [], []
    found = kind.flags(screen.table)
    for j, row in enumerate(table.to_dict("records")):
        own = [*flags.get((design.outcome, row["feature"]), ()), *found.get(row["feature"], ())]
        if screen.nonlinear[j]:
            own.append(NONLINEAR)
        if row["reliability"] < 0.6:
            own.append(UNRELIABLE)
        if screen.assessed[j] and each[j] < 10:
            own.append(FEW_EVENTS)
        if turns[j]:
            own.append(f"{SIGN_TURNS} {row['family_lead']}")
        if row["rank"] <= row["top_k"] < row["rank_high"]:
            own.append(NO_ORDER)
        if (
            row["q_value"] <= fdr
            and row["gain_random_folds"] - row["gain_left_out_sites"] > DOES_NOT_TRANSPORT
        ):
            own.append(NO_TRANSPORT)
        if row["base_measure"] < kind.chance - 1e-9:
            measure = gain_measure_name(design).removeprefix("Wolbers' ")
            own.append(f"the base model's {measure} is below {kind.chance:g}: the gain is hard to read")
        own = list(dict.fromkeys(own))
        word, rule = verdict_of(
            Evidence(
                not_assessed="" if screen.assessed[j] else str(row["note"]).split("; ")[0] or "not assessed",
                missing_share=row["missing_share"],
                reliability=row["reliability"],
                events_per_parameter=each[j],
                penalty_available=kind.penalised,
                p_value=row["p_value"],
                q_value=row["q_value"],
                p_familywise=row["p_familywise"],
                q_without_site=row["q_without_site"],
                flipped_without=flips.get(j, ()),
                gain_low=row["gain_low"],
                family_probability_in_top=row["family_probability_in_top"],
                lfsr=row["lfsr"],
                p_given_lead=given.p[j],
                lead="" if row["family_lead"] == row["feature"] else row["family_lead"],
                flags=tuple(own),
                resampled=o.draws is not None,
                directed=kind.directed,
                permutation_first=kind.limited and sizes[j] < PERMUTATION_FIRST,
            ),
            fdr=fdr,
        )
        words.append(word)
        rules.append(rule)
        listed.append("; ".join(own))
    table["verdict"], table["verdict_rule"], table["flags"] = words, rules, listed


def _lost_draws(o) -> str:
    """A remark when more than one draw in twenty could not be fitted for some feature."""
    if o.draws is None:
        return ""
    lost = np.isnan(o.draws.z).mean(axis=0)
    if not lost.max() > 0.05:
        return ""
    name = o.design.feature_names[o.ranked[int(lost.argmax())]]
    return f"models failed in up to {100 * lost.max():.0f} % of the bootstrap draws (most often with {name})"


def _by_the_family(table) -> str:
    found = table["verdict"].str.contains("candidate")
    count, families = int(found.sum()), table.loc[found, "family"].nunique()
    if count < 2:
        return ""
    return (
        f"{count} candidates from {families} {'family' if families == 1 else 'families'}; correlated "
        "features are found together, so if one is wrong its family is"
    )


def _notes(notes, o) -> list[str]:
    extra = [""] * len(o.design.feature_names)
    if o.gain is not None:
        for j, error in zip(o.ranked, o.gain.monte_carlo_error):
            if error > MONTE_CARLO_NOTED:
                extra[j] = f"Monte Carlo error of the gain's correction {error:.4f}"
    return ["; ".join(filter(None, pair)) for pair in zip(notes, extra)]


def _family_table(o, table, family: _FamilyRanks) -> pd.DataFrame:
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
