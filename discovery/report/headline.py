"""The honest sentence for each outcome: what was found, how sure, and what could have been seen."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from discovery.report.format import (
    effect,
    fixed,
    is_log_ratio,
    listed_apart,
    missing,
    number,
    plural,
    ratio_name,
    whole,
    with_minus,
)
from discovery.report.settings import OutcomeRun, RunSettings
from discovery.terms import (
    ADJUSTED_FOR_IT,
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

VERDICTS = (STRONG, CANDIDATE, SUGGESTIVE, NOT_SUPPORTED, SITE_DRIVEN, NOT_ASSESSABLE)


@dataclass(frozen=True, kw_only=True)
class Headline:
    """What the report says first about one outcome; every field is a finished sentence or a count."""

    outcome: str
    found: str
    beware: str = ""
    order: str = ""
    family: str = ""
    could_see: str = ""
    fragile: str = ""
    candidates: int = 0
    strong: int = 0
    suggestive: int = 0
    assessed: int = 0
    families: int = 0


def base_verdict(verdict: object) -> str:
    """The verdict word without what was added to it ("candidate" of "candidate, redundant with X")."""
    text = "" if verdict is None else str(verdict)
    return next((word for word in VERDICTS if text.startswith(word)), text)


def given_away(flags: object) -> list[str]:
    """Those of a row's `flags` by which the feature may be the outcome itself under another name."""
    return [] if missing(flags) else [flag for flag in str(flags).split("; ") if flag.startswith(GIVES_AWAY)]


def warned(words: str, flags: object) -> str:
    """A verdict or a name with the warning beside it that the feature may give the outcome away."""
    doubts = dict.fromkeys(flag.split(":")[0] for flag in given_away(flags))
    return f"{words} ({', '.join(doubts)})" if words and doubts else words


def headline(markers: pd.DataFrame, outcome: OutcomeRun, settings: RunSettings) -> Headline:
    """The headline of `outcome` from the ranked table of all outcomes."""
    mine = markers[markers["outcome"] == outcome.name].sort_values("rank", kind="stable")
    words = mine["verdict"].map(base_verdict) if len(mine) else pd.Series(dtype=object)
    with_p = mine["p_value"].notna() if len(mine) else words == ""
    assessed = mine[with_p & (words != NOT_ASSESSABLE)]
    finds = mine[words.isin(VERDICTS[:2])]
    strong, suggestive = int((words == VERDICTS[0]).sum()), int((words == VERDICTS[2]).sum())
    leads = _leads(finds)
    common: dict[str, Any] = {
        "outcome": outcome.name,
        "candidates": len(finds),
        "strong": strong,
        "suggestive": suggestive,
        "assessed": len(assessed),
        "families": len(leads),
        "fragile": _fragile(outcome, settings),
        "beware": " ".join(
            filter(None, [_covariates_told(outcome, settings), _beware(mine[words.isin(VERDICTS[:3])])])
        ),
    }
    could_see = smallest_effect_sentence(assessed)
    if not len(assessed):
        why = _why_not(mine[words == NOT_ASSESSABLE]) if len(mine) else ""
        none = "No feature could be tested against this outcome"
        if with_p.any():
            none = f"None of {plural(len(mine), 'feature')} could be assessed"
        return Headline(found=f"{none}{why}.", **common)
    left = _left_over(len(mine) - len(assessed))
    hints = (
        f" {plural(suggestive, 'feature').capitalize()} {'is' if suggestive == 1 else 'are'} "
        f"suggestive at best."
    )
    if not len(finds):
        among = plural(len(assessed), "assessed feature")
        found = f"No candidate among {among}." + (hints if suggestive else "") + left
        return Headline(found=found, could_see=could_see, **common)
    one = len(finds) == 1
    of_them = f" ({'it is' if one else f'{whole(strong)} of them'} strong)" if strong else ""
    families = plural(len(leads), "family", "families")
    counted = f"{len(finds)} of {plural(len(assessed), 'assessed feature')}"
    found = (
        f"{'The only assessed feature' if len(assessed) == 1 else counted} "
        f"{'is a candidate' if one else 'are candidates'}{of_them}, "
        f"from {families} of features that move together. Best of each: {listed_apart(leads)}.{left}"
    )
    return Headline(
        found=found,
        order=_order(finds, settings),
        family=_by_the_family(finds, leads),
        could_see=could_see,
        **common,
    )


def _left_over(count: int) -> str:
    """The sentence on the features that the number of those assessed leaves out; "" where there are none."""
    return f" {plural(count, 'more feature').capitalize()} could not be assessed." if count else ""


def _covariates_told(outcome: OutcomeRun, settings: RunSettings) -> str:
    """The covariates of which the study was warned that they tell this outcome; "" where there are none."""
    of = f"the outcome {outcome.name!r}"
    told = [
        str(problem.column) for problem in settings.problems
        if problem.column is not None and of in problem.wanted and ADJUSTED_FOR_IT in problem.wanted
    ]  # fmt: skip
    if not told:
        return ""
    names = listed_apart(list(dict.fromkeys(told)))
    which = f"covariate {names}: it tells" if len(told) == 1 else f"covariates {names}: each tells"
    return (
        f"Beware of the {which} this outcome by itself, and adjusted for that hardly anything is left for a "
        "feature. Was it known before the outcome?"
    )


def _beware(rows: pd.DataFrame) -> str:
    """What to look into before the verdicts of features that may give the outcome away are believed."""
    if "flags" not in rows:
        return ""
    doubtful = rows[[bool(given_away(flags)) for flags in rows["flags"]]]
    if not len(doubtful):
        return ""
    labels = listed_apart([str(label) for label in doubtful["label"]])
    if len(doubtful) == 1:
        return (
            f"Beware of {labels}: it tells the outcome so well that it may be made from it or known only "
            "after it. Look into that before its verdict is believed."
        )
    return (
        f"Beware of {labels}: they tell the outcome so well that they may be made from it or known only "
        "after it. Look into that before their verdicts are believed."
    )


def _why_not(rows: pd.DataFrame) -> str:
    """Why most of the features `rows` are not assessed, to end a sentence with; "" where none says it."""
    if "verdict_rule" not in rows:
        return ""
    why = rows["verdict_rule"].dropna().astype(str).str.removeprefix("not assessed: ")
    counts = why[why != ""].value_counts(sort=False)
    if not len(counts):
        return ""
    most = "" if len(counts) == 1 else f" for {whole(counts.max())} of {plural(len(rows), 'feature')}"
    return f":{most} {with_minus(str(counts.idxmax()))}"


def smallest_effect(assessed: pd.DataFrame) -> tuple[float, float]:
    """(effect, level): what a typical feature had to have to be found in 8 of 10 such studies at p = level.

    The median over the features of the effect that the details of each one state; NaN when unknown.
    """
    if not {"detectable_effect", "detectable_level"} <= set(assessed):
        return math.nan, math.nan
    known = assessed[["detectable_effect", "detectable_level"]].astype(float).dropna()
    return float(known["detectable_effect"].median()), float(known["detectable_level"].max())


def smallest_effect_sentence(assessed: pd.DataFrame) -> str:
    """What this study could have seen, in the words of its effect measure; empty when unknown."""
    if not len(assessed):
        return ""
    size, level = smallest_effect(assessed)
    if not math.isfinite(size):
        return ""
    measure = str(assessed["effect_measure"].iloc[0])
    name = ratio_name(measure)
    name = name[0].lower() + name[1:]
    if is_log_ratio(measure):
        beyond = f"{effect(size, measure)} or more (or {effect(-size, measure)} or less)"
    else:
        beyond = f"{fixed(size)} or more in either direction"
    return (
        f"Smallest effect that this study could have seen: a typical feature with a true {name} of {beyond} "
        f"would reach p = {number(level, 2)} in 8 of 10 such studies; a weaker one may be real and yet "
        "missing from the list."
    )


def _leads(finds: pd.DataFrame) -> list[str]:
    if not len(finds):
        return []
    column = (
        "redundancy_group"
        if "redundancy_group" in finds and finds["redundancy_group"].notna().any()
        else "family"
    )
    group = finds[column].astype(object).where(finds[column].notna(), finds["feature"])
    return [str(label) for label in finds[~group.duplicated()]["label"]]


def _order(finds: pd.DataFrame, settings: RunSettings) -> str:
    if not settings.replicates or finds["rank_high"].isna().all():
        return "The ranks were not resampled: nothing is known about the order inside the list."
    first = finds.iloc[0]
    if len(finds) == 1 and first["rank_high"] <= 1:
        return "Its first place is established."
    if len(finds) == 1:
        return f"Its rank may be anything from {whole(first['rank_low'])} to {whole(first['rank_high'])}."
    if first["rank_high"] <= 1:
        return "First place is established; the order below it is not."
    return (
        f"The order inside the list is not established: the first feature's rank may be anything from "
        f"{whole(first['rank_low'])} to {whole(first['rank_high'])}."
    )


def _by_the_family(finds: pd.DataFrame, leads: list[str]) -> str:
    if len(finds) == 1:
        return ""
    if len(leads) == len(finds):
        return f"No two of the {len(finds)} finds belong to the same family."
    return (
        f"If wrong, wrong by the family: features of a family stand or fall together, so count "
        f"{plural(len(leads), 'find')}, not {len(finds)}."
    )


def _fragile(outcome: OutcomeRun, settings: RunSettings) -> str:
    if outcome.events is None or outcome.kind not in ("survival", "binary", "recurrent"):
        return ""
    fewer = outcome.events if outcome.kind != "binary" else min(outcome.events, outcome.n - outcome.events)
    each = fewer / (outcome.base_terms + 1)
    text = ""
    if each < ENOUGH:
        text = f"Few events: {each:.1f} for each estimated coefficient ({ENOUGH} or more are wanted). " + (
            "Read everything below as exploratory." if each < ENOUGH / 2 else "The estimates are fragile."
        )
    if fewer < PERMUTATION_FIRST and settings.permutations:
        what = "patients in the rarer class" if outcome.kind == "binary" else "events"
        text += f" With fewer than {PERMUTATION_FIRST} {what}, trust the familywise permutation p first."
    return text.strip()
