"""One word per marker, and the rule that produced it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.association.screen_words import LEANS, RANKED_MISSING, percent_missing
from discovery.terms import (
    CANDIDATE,
    ENOUGH,
    GIVES_AWAY,
    NOT_ASSESSABLE,
    NOT_SUPPORTED,
    PERMUTATION_FIRST,
    SITE_DRIVEN,
    STRONG,
    SUGGESTIVE,
)

FOUND = (STRONG, CANDIDATE)

MOST_MISSING = RANKED_MISSING
LEAST_RELIABILITY = 0.4
LEAST_EVENTS_PER_PARAMETER = 5.0

NONLINEAR = "nonlinear"
HAZARDS = "hazards not proportional"
ODDS = "odds not proportional"
UNRELIABLE = "measured unreliably"
NO_ORDER = "order not established"
FEW_EVENTS = f"fewer than {ENOUGH} events per parameter"
NO_TRANSPORT = "does not transport across sites"
SIGN_TURNS = "sign turns given"  # and the name of its family's lead
RED_FLAGS = (NONLINEAR, HAZARDS, ODDS, UNRELIABLE, FEW_EVENTS, LEANS, SIGN_TURNS, *GIVES_AWAY)

LEAST_FAMILYWISE = 0.05  # the permutation p that a candidate needs then


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """What is known of one marker; NaN where it was not computed.

    not_assessed : the reason why there is no estimate, or "".
    events_per_parameter, penalty_available : events (rarer class, patients) by coefficients of its model.
    flipped_without : sites without which the sign turns. lead : name of its family's lead, "" for the lead.
    resampled : whether ranks and gains were bootstrapped. permutation_first : so few events that the
    familywise permutation p, where there is one, comes before q. directed : the effect has a sign; classes
    without an order have none, and no local false sign rate is asked for.
    """

    not_assessed: str = ""
    missing_share: float = 0.0
    reliability: float = np.nan
    events_per_parameter: float = np.inf
    penalty_available: bool = True
    p_value: float = np.nan
    q_value: float = np.nan
    p_familywise: float = np.nan
    q_without_site: float = np.nan
    flipped_without: tuple[str, ...] = ()
    gain_low: float = np.nan
    family_probability_in_top: float = np.nan
    lfsr: float = np.nan
    p_given_lead: float = np.nan
    lead: str = ""
    flags: tuple[str, ...] = ()
    resampled: bool = True
    permutation_first: bool = False
    directed: bool = True


def verdict_of(evidence: Evidence, *, fdr: float = 0.05) -> tuple[str, str]:
    """(word, rule): the first rule that fits, from "not assessable" down to "not supported".

    Where fewer than 20 features leave the local false sign rate unknown, "candidate" rests on q
    alone and "strong candidate" is not given. With fewer than 30 events a candidate also needs a
    familywise permutation p <= 0.05.
    """
    e = evidence
    for word, rule in (
        (NOT_ASSESSABLE, _not_assessable(e)),
        (SITE_DRIVEN, _site_driven(e, fdr)),
    ):
        if rule:
            return word, rule
    lfsr_known = e.directed and not np.isnan(e.lfsr)
    permuted = e.permutation_first and not np.isnan(e.p_familywise)
    also = f", familywise permutation p <= {LEAST_FAMILYWISE:g}" if permuted else ""
    if permuted and e.p_familywise > LEAST_FAMILYWISE and e.q_value <= 2 * fdr:
        return SUGGESTIVE, (
            f"q <= {fdr if e.q_value <= fdr else 2 * fdr:g}, but with fewer than {PERMUTATION_FIRST} events "
            f"a candidate also needs a familywise permutation p <= {LEAST_FAMILYWISE:g}"
        )
    lacking = _short_of_strong(e, fdr)
    if not lacking:
        sign = "lfsr <= 0.01, " if e.directed else ""
        rule = f"q <= {fdr:g}{also}, gain_low > 0, family probability in top >= 0.8, {sign}no red flag"
        return _with_redundancy(STRONG, rule, e)
    if e.q_value <= fdr and (not lfsr_known or e.lfsr <= 0.05):
        rule = f"q <= {fdr:g}{also}" + (", lfsr <= 0.05" if lfsr_known else "")
        return _with_redundancy(CANDIDATE, f"{rule}; not strong: {', '.join(lacking)}", e)
    if e.q_value <= 2 * fdr:
        why = "; lfsr > 0.05" if e.q_value <= fdr else ""
        return SUGGESTIVE, f"q <= {2 * fdr:g}{why}"
    if e.p_familywise <= 0.1:
        return SUGGESTIVE, f"familywise permutation p <= 0.1, by that alone: q > {2 * fdr:g}"
    return NOT_SUPPORTED, (
        f"q > {2 * fdr:g}; this is not evidence of no effect: see the interval and the detectable effect"
    )


def _not_assessable(e: Evidence) -> str:
    if e.not_assessed:
        return e.not_assessed
    if e.missing_share > MOST_MISSING:
        return f"{percent_missing(e.missing_share)}, more than {100 * MOST_MISSING:.0f} %"
    if e.reliability < LEAST_RELIABILITY:
        return f"reliability {e.reliability:.2f}, below {LEAST_RELIABILITY}"
    if e.events_per_parameter < LEAST_EVENTS_PER_PARAMETER and not e.penalty_available:
        return f"fewer than {LEAST_EVENTS_PER_PARAMETER:g} patients per parameter"
    return ""


def _site_driven(e: Evidence, fdr: float) -> str:
    if e.q_without_site <= fdr and e.p_value > 0.05:
        return f"q <= {fdr:g} when the site is ignored, p > 0.05 within sites"
    if e.flipped_without and (e.q_value <= fdr or e.q_without_site <= fdr):
        return f"the sign turns without site {', '.join(e.flipped_without)}"
    return ""


def _short_of_strong(e: Evidence, fdr: float) -> list[str]:
    red = [flag for flag in e.flags if flag.startswith(RED_FLAGS)]
    conditions = [
        (e.q_value <= fdr, f"q > {fdr:g}"),
        (e.resampled, "ranks and gains were not resampled"),
        (
            not e.resampled or e.gain_low > 0,
            "gain_low <= 0" if e.gain_low <= 0 else "no interval for the gain",
        ),
        (not e.resampled or e.family_probability_in_top >= 0.8, "family probability in top < 0.8"),
        (not e.directed or not np.isnan(e.lfsr), "lfsr needs 20 features"),
        (np.isnan(e.lfsr) or e.lfsr <= 0.01, "lfsr > 0.01"),
        (not red, "flagged " + ", ".join(flag.split(":")[0] for flag in red)),
    ]
    return [words for holds, words in conditions if not holds]


def _with_redundancy(word: str, rule: str, e: Evidence) -> tuple[str, str]:
    if e.lead and e.p_given_lead > 0.05:
        return f"{word}, redundant with {e.lead}", f"{rule}; adds nothing given {e.lead} (p > 0.05)"
    return word, rule
