"""Outcomes whose effects have no direction, classes without an order: what stands where an effect would.

A feature may raise the odds of one class and lower those of another, so no single number is its effect. The
page and the figures of all features show the gain in discrimination in its place; the log odds ratios of
single classes follow for the leading features.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.report.format import effect_interval, p_phrase
from discovery.terms import PROPORTIONAL

NO_DIRECTION = "any difference between the classes"  # how the effect measure of such a row begins
GAIN_IN = "gain in "
AGAINST = " against "
SHOWN = 6  # features whose classes are drawn
HEADING, GROUP = "heading", "group"


def with_shown_effects(markers: pd.DataFrame) -> pd.DataFrame:
    """A copy of the marker table in which rows without a direction have their gain for an effect.

    The corrected gain with its interval, or the apparent one without when nothing was resampled.
    """
    if "effect_measure" not in markers:
        return markers
    out = markers.copy()
    mine = out["effect_measure"].astype(str).str.startswith(NO_DIRECTION)
    if not mine.any():
        return markers
    resampled = out["gain"].notna()
    apparent = out.get("apparent_gain", np.nan)
    out.loc[mine, "estimate"] = out["gain"].where(resampled, apparent)[mine]
    out.loc[mine, "ci_low"], out.loc[mine, "ci_high"] = out.loc[mine, "gain_low"], out.loc[mine, "gain_high"]
    words = np.where(resampled, GAIN_IN, "apparent " + GAIN_IN)
    out.loc[mine, "effect_measure"] = (words + out["gain_measure"].astype(str))[mine]
    return out


def has_no_direction(effect_measure: object) -> bool:
    return str(effect_measure).removeprefix("apparent ").startswith((GAIN_IN, NO_DIRECTION))


def is_beside_main(row) -> bool:
    """Whether an association row belongs to a feature's main model without being its main row."""
    term = str(row["term"])
    return str(row["model"]) == "adjusted" and (term == PROPORTIONAL or AGAINST in term)


def no_direction_sentence(row, label: str) -> str:
    """The beginning of a feature's sentence: what was tested, and that it has no sign."""
    return (
        f"Tells the classes of {label} apart beyond the base model: {p_phrase(row['p_value'])} over all "
        f"classes together, {p_phrase(row['q_value'], 'q')}; the odds of single classes are listed below. "
    )


def class_rows(associations: pd.DataFrame, markers: pd.DataFrame, outcome: str) -> pd.DataFrame:
    """Rows for a forest: under each leading feature the log odds ratio of every class against the first.

    kind ("heading" or "group"), label, effect_measure, estimate, ci_low, ci_high, people.
    """
    mine = associations[associations["outcome"] == outcome]
    mine = mine[[is_beside_main(row) and AGAINST in str(row["term"]) for row in mine.to_dict("records")]]
    ranked = markers[(markers["outcome"] == outcome) & markers["rank"].notna()]
    rows = []
    for leader in ranked.sort_values("rank", kind="stable").head(SHOWN).to_dict("records"):
        block = mine[(mine["feature"] == leader["feature"]) & mine["estimate"].notna()]
        if block.empty:
            continue
        rows.append({"kind": HEADING, "label": leader["label"], "people": p_phrase(leader["q_value"], "q")})
        rows += [
            {
                "kind": GROUP,
                "label": row["term"],
                "effect_measure": "log odds ratio per 1 SD",
                "estimate": row["estimate"],
                "ci_low": row["ci_low"],
                "ci_high": row["ci_high"],
                "people": p_phrase(row["p_value"]),
            }
            for row in block.to_dict("records")
        ]
    return pd.DataFrame(rows)


def class_text(row) -> str:
    """`2.10 (1.40 to 3.15)`, or the test that has no estimate."""
    if str(row["term"]) == PROPORTIONAL:
        return str(row["effect_measure"]) or "not tested"
    return effect_interval(row["estimate"], row["ci_low"], row["ci_high"], row["effect_measure"])
