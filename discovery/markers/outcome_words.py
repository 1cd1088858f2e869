"""Words of one outcome's rows: flags, verdicts and their rules, notes, remarks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from discovery.association.kinds import kind_of
from discovery.association.screen_words import LEANS
from discovery.markers.gain import MONTE_CARLO_NOTED
from discovery.markers.outcome_parts import OutcomeParts
from discovery.markers.redundancy import GivenLead
from discovery.markers.refit import gain_measure_name
from discovery.markers.site_check import DOES_NOT_TRANSPORT
from discovery.markers.verdict import (
    FEW_EVENTS,
    NO_ORDER,
    NO_TRANSPORT,
    NONLINEAR,
    SIGN_TURNS,
    UNRELIABLE,
    Evidence,
    verdict_of,
)
from discovery.terms import ENOUGH, PERMUTATION_FIRST, SEPARATES

MOST_LOST = 0.05  # of the bootstrap draws; beyond, it is remarked
UNRELIABLE_BELOW = 0.6


def add_verdicts(
    table: pd.DataFrame,
    o: OutcomeParts,
    given: GivenLead,
    fdr: float,
    flags: Mapping[tuple[str, str], Sequence[str]],
) -> None:
    """Put verdict, verdict_rule and flags into the rows, which are in the order of the design's features."""
    each = o.screen.sizes / kind_of(o.design.kind).coefficients_of(o.wide.base.shape[1])
    of_kind = kind_of(o.design.kind).flags(o.screen.table)
    turns = given.turns(o.screen.fit.coef[:, -1])
    flips = {int(j): names for j, names in zip(o.ranked, o.site.flipped_without)} if o.site else {}
    words, rules, listed = [], [], []
    for j, row in enumerate(table.to_dict("records")):
        name = row["feature"]
        own = [*flags.get((o.design.outcome, name), ()), *of_kind.get(name, ())]
        own += _flags(o, j, row, each[j], turns[j], fdr)
        own = list(dict.fromkeys(own))
        evidence = _evidence(o, j, row, each[j], given.p[j], flips.get(j, ()), own)
        word, rule = verdict_of(evidence, fdr=fdr)
        words.append(word)
        rules.append(rule)
        listed.append("; ".join(own))
    table["verdict"], table["verdict_rule"], table["flags"] = words, rules, listed


def _flags(
    o: OutcomeParts, j: int, row: dict[str, Any], each: float, turns: bool, fdr: float
) -> Iterator[str]:
    """What the row of feature `j` warns of; `each`: events or the like for each coefficient."""
    chance = kind_of(o.design.kind).chance
    yield from (part for part in str(row["note"]).split("; ") if part.startswith(SEPARATES))
    if LEANS in str(row["note"]):
        yield LEANS
    if o.screen.nonlinear[j]:
        yield NONLINEAR
    if row["reliability"] < UNRELIABLE_BELOW:
        yield UNRELIABLE
    if o.screen.assessed[j] and each < ENOUGH:
        yield FEW_EVENTS
    if turns:
        yield f"{SIGN_TURNS} {row['family_lead']}"
    if row["rank"] <= row["top_k"] < row["rank_high"]:
        yield NO_ORDER
    if row["q_value"] <= fdr and row["gain_random_folds"] - row["gain_left_out_sites"] > DOES_NOT_TRANSPORT:
        yield NO_TRANSPORT
    if row["base_measure"] < chance - 1e-9:
        measure = gain_measure_name(o.design).removeprefix("Wolbers' ")
        yield f"the base model's {measure} is below {chance:g}: the gain is hard to read"


def _evidence(
    o: OutcomeParts, j: int, row: dict[str, Any], each: float, p_given_lead: float, flipped, flags: list[str]
) -> Evidence:
    kind, lead = kind_of(o.design.kind), row["family_lead"]
    return Evidence(
        not_assessed="" if o.screen.assessed[j] else str(row["note"]).split("; ")[0] or "not assessed",
        missing_share=row["missing_share"],
        reliability=row["reliability"],
        events_per_parameter=each,
        penalty_available=kind.penalised,
        p_value=row["p_value"],
        q_value=row["q_value"],
        p_familywise=row["p_familywise"],
        q_without_site=row["q_without_site"],
        flipped_without=flipped,
        gain_low=row["gain_low"],
        family_probability_in_top=row["family_probability_in_top"],
        lfsr=row["lfsr"],
        p_given_lead=p_given_lead,
        lead="" if lead == row["feature"] else lead,
        flags=tuple(flags),
        resampled=o.draws is not None,
        directed=kind.directed,
        permutation_first=kind.limited and o.screen.sizes[j] < PERMUTATION_FIRST,
    )


def lost_draws(o: OutcomeParts) -> str:
    """A remark when more than one draw in twenty could not be fitted for some feature."""
    if o.draws is None:
        return ""
    lost = np.isnan(o.draws.z).mean(axis=0)
    if not lost.max() > MOST_LOST:
        return ""
    name = o.design.feature_names[o.ranked[int(lost.argmax())]]
    return f"models failed in up to {100 * lost.max():.0f} % of the bootstrap draws (most often with {name})"


def by_the_family(table: pd.DataFrame) -> str:
    found = table["verdict"].str.contains("candidate")
    count, families = int(found.sum()), table.loc[found, "family"].nunique()
    if count < 2:
        return ""
    return (
        f"{count} candidates from {families} {'family' if families == 1 else 'families'}; correlated "
        "features are found together, so if one is wrong its family is"
    )


def notes(of_screen: Sequence[str], o: OutcomeParts) -> list[str]:
    """The notes of the screen (p,), and twice the Monte Carlo error of a gain where it is large."""
    extra = [""] * len(o.design.feature_names)
    if o.gain is not None:
        for j, error in zip(o.ranked, o.gain.monte_carlo_error):
            if error > MONTE_CARLO_NOTED:
                extra[j] = (
                    f"the number of bootstrap draws alone leaves the gain uncertain by about "
                    f"{2 * error:.3f}; more replicates make it surer"
                )
    return ["; ".join(filter(None, pair)) for pair in zip(of_screen, extra)]
