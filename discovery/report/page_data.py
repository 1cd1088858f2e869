"""The ranked tables as the page's script reads them: numbers to sort by, texts to show.

Every text is made here by `format`; the script rounds nothing. No patient row comes this far.
"""

from __future__ import annotations

import base64
import gzip
import json
import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from discovery.report import format as words
from discovery.report.class_effects import class_text, has_no_direction, is_beside_main, no_direction_sentence
from discovery.report.family_names import named_families
from discovery.report.headline import base_verdict, warned
from discovery.report.settings import OutcomeRun, RunSettings

DIGITS = 6  # significant digits of the numbers that pictures and sorting use
MAIN_MODEL = "adjusted"  # its name in the table of associations
MAIN_MODEL_FIRST = 12  # models shown for one feature


def page_data(tables: Mapping[str, pd.DataFrame], settings: RunSettings) -> dict[str, Any]:
    """Everything the script shows: for each outcome its ranked rows with their texts."""
    markers, associations = named_families(tables["markers"]), tables.get("associations")
    definitions = tables.get("definitions")
    about = {} if definitions is None else definitions.drop_duplicates("feature").set_index("feature")
    out = []
    for outcome in settings.outcomes:
        mine = markers[markers["outcome"] == outcome.name].sort_values(
            "rank", kind="stable", na_position="last"
        )
        models = {} if associations is None else _models(associations, outcome, adjusted=settings.adjusted)
        rows = [_row(row, outcome, models, about) for row in mine.to_dict("records")]
        measure = str(mine["effect_measure"].iloc[0]) if len(mine) else ""
        gains = mine["gain_measure"].dropna() if len(mine) else mine
        out.append(
            {
                "name": outcome.name,
                "label": outcome.label,
                "ratio": words.is_log_ratio(measure),
                "effect": words.ratio_name(measure),
                "gain": words.measure(gains.iloc[0]) if len(gains) else "discrimination",
                "top": top_words(mine, settings.top),
                "counted": words.counted(outcome.kind) if len(mine) and mine["events"].notna().any() else "",
                "rows": rows,
            }
        )
    return {"outcomes": out}


def packed(data: Mapping[str, Any]) -> str:
    """`data` as JSON, compressed without a time stamp, in base64: it holds no character of HTML."""
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return base64.b64encode(gzip.compress(text.encode("utf-8"), 9, mtime=0)).decode("ascii")


def _row(
    row: Mapping[str, Any], outcome: OutcomeRun, models: Mapping[str, list], about: Any
) -> dict[str, Any]:
    measure = row["effect_measure"]
    feature, label = str(row["feature"]), str(row["label"])
    verdict = "" if words.missing(row["verdict"]) else str(row["verdict"])
    found = words.effect_interval(row["estimate"], row["ci_low"], row["ci_high"], measure)
    numbers = {
        key: _number(row.get(key))
        for key in (
            "rank",
            "estimate",
            "ci_low",
            "ci_high",
            "p_value",
            "q_value",
            "shrunk_estimate",
            "gain",
            "gain_low",
            "gain_high",
            "rank_low",
            "rank_high",
            "probability_in_top",
            "n",
        )
    }
    shrunk_span = words.interval(row.get("shrunk_low"), row.get("shrunk_high"), measure)
    shrunk = words.effect(row["shrunk_estimate"], measure)
    texts = {
        "rank": words.rank_interval(row["rank"], row["rank_low"], row["rank_high"]),
        "estimate": found,
        "p_value": words.p_value(row["p_value"]),
        "q_value": words.p_value(row["q_value"]),
        "shrunk_estimate": shrunk if shrunk_span == words.DASH else f"{shrunk} ({shrunk_span})",
        "gain": words.gain_interval(row["gain"], row["gain_low"], row["gain_high"]),
        "probability_in_top": words.probability(row["probability_in_top"]),
        "n": words.whole(row["n"])
        + ("" if words.missing(row["events"]) else f" ({words.whole(row['events'])})"),
        "n_left_out": words.whole(row["n_left_out"]),
    }
    extra = about.loc[feature] if len(about) and feature in about.index else {}
    return {
        "feature": feature,
        "label": label,
        "family": "" if words.missing(row["family"]) else str(row["family"]),
        "group": "" if words.missing(row.get("redundancy_group")) else str(row["redundancy_group"]),
        "verdict": verdict,
        "kind": base_verdict(verdict),
        # the name of the feature that makes it redundant is in the details
        "brief": warned(verdict.split(" with ")[0], row.get("flags")),
        "flags": words.with_minus(_text(row, "flags")),
        "note": words.with_minus(_text(row, "note")),
        "unit": words.unit(_text(extra, "unit")),
        "definition": _text(extra, "definition"),
        "source": _text(extra, "source"),
        "sentence": _sentence(row, texts, outcome, verdict),
        "number": numbers,
        "text": texts,
        "more": _more(row, str(measure)),
        "models": models.get(feature, []),
    }


def _sentence(row: Mapping[str, Any], texts: Mapping[str, str], outcome: OutcomeRun, verdict: str) -> str:
    """What the numbers of one feature say, in one sentence or two."""
    if words.missing(row["estimate"]):
        return f"Not estimated for {outcome.label}. Verdict: {verdict or 'none'}."
    if has_no_direction(row["effect_measure"]):
        text = no_direction_sentence(row, outcome.label)
        return text + _rank_words(row) + f"Verdict: {verdict}."
    measure = row["effect_measure"]
    what = words.ratio_name(measure)
    what = what[:1].lower() + what[1:]
    direction = "higher" if float(row["estimate"]) > 0 else "lower"
    target = {"survival": "hazard", "binary": "odds", "recurrent": "rate", "count": "rate"}.get(outcome.kind)
    subject = (
        f"{direction} {target} of {outcome.label}" if target else f"{direction} values of {outcome.label}"
    )
    text = (
        f"Higher values go with {subject}: {what} {texts['estimate']}, "
        f"{words.p_phrase(row['p_value'])}, {words.p_phrase(row['q_value'], 'q')}. "
    )
    return text + _rank_words(row) + f"Verdict: {verdict}."


def _rank_words(row: Mapping[str, Any]) -> str:
    if words.missing(row["rank_low"]) or words.missing(row["rank"]):
        return ""
    low, high = words.whole(row["rank_low"]), words.whole(row["rank_high"])
    span = low if low == high else f"{low} to {high}"
    return f"Rank {words.rank(row['rank'])} (95 % interval {span}). "


def _models(associations: pd.DataFrame, outcome: OutcomeRun, *, adjusted: bool) -> dict[str, list]:
    """Feature -> its estimate in every model fitted: [model, estimate, p, p familywise, n, method, note]."""
    mine = associations[associations["outcome"] == outcome.name]
    out: dict[str, list] = {}
    for row in mine.to_dict("records"):
        own = str(row["term"]) == str(row["feature"])
        beside = is_beside_main(row)
        if not own and not beside:
            continue
        listed = out.setdefault(str(row["feature"]), [])
        if len(listed) >= MAIN_MODEL_FIRST:
            continue
        method, note = (words.with_minus(_text(row, key)) for key in ("method", "note"))
        model = str(row["term"] if beside else row["model"])
        if model == MAIN_MODEL and not adjusted:
            model = f"not {MAIN_MODEL}"
        found = class_text(row)
        familywise = words.p_value(row.get("p_familywise"))
        listed.append(
            [model, found, words.p_value(row["p_value"]), familywise, words.whole(row["n"]), method, note]
        )
    return out


def top_words(markers: pd.DataFrame, otherwise: int) -> str:
    """`In the first 10`, by the k that the ranking of these rows used."""
    known = markers["top_k"].dropna() if "top_k" in markers else markers.head(0)
    top = int(known.iloc[0]) if len(known) else otherwise
    return f"In the first {top}" if top > 1 else "First"


def _more(row: Mapping[str, Any], measure: str) -> list[list[str]]:
    """Further lines of a feature's details: [name, text]; those that the run did not compute are left out."""

    def has(key: str) -> bool:
        return not words.missing(row.get(key))

    out = []
    if has("verdict_rule"):
        rule = words.plain_rule(str(row["verdict_rule"]), row.get("family_top_k"))
        out.append(["Why this verdict", rule])
    if has("family_rank"):
        span = words.rank_interval(
            row["family_rank"], row.get("family_rank_low"), row.get("family_rank_high")
        )
        chance = words.probability(row.get("family_probability_in_top"))
        top = (
            "" if not has("family_top_k") else f"; in the first {words.whole(row['family_top_k'])}: {chance}"
        )
        out.append(["Rank of its family", span + top])
    if has("base_measure"):
        judged = words.measure(row["gain_measure"]) if has("gain_measure") else "discrimination"
        out.append([f"{judged} of the base model, same patients", words.discrimination(row["base_measure"])])
    if has("p_given_lead"):
        lead = f" ({row['family_lead']})" if has("family_lead") else ""
        text = words.p_phrase(row["p_given_lead"])
        if has("estimate_given_lead"):
            text = f"{words.effect(row['estimate_given_lead'], row['effect_measure'])}, {text}"
        out.append(["Beyond its family's best" + lead, text])
    if has("p_familywise"):
        out.append(["Familywise permutation", words.p_phrase(row["p_familywise"])])
    if has("lfsr"):
        out.append(["Probability of the wrong sign", words.probability(row["lfsr"])])
    if has("distinct_share"):
        out.append(["Chosen by a sparse model in half samples", words.percent(row["distinct_share"])])
    if has("q_without_site"):
        text = f"q {words.p_value(row['q_without_site'])}"
        if has("estimate_without_site"):
            ends = (row["estimate_without_site"], row["low_without_site"], row["high_without_site"])
            text = f"{words.effect_interval(*ends, measure)}, {text}"
        out.append(["When site is ignored", text])
    if has("gain_left_out_sites"):
        folds = words.gain(row.get("gain_random_folds"))
        out.append(
            ["Gain with sites left out", f"{words.gain(row['gain_left_out_sites'])} (random folds {folds})"]
        )
    if has("detectable_effect"):
        size = abs(float(row["detectable_effect"]))
        text = words.effect(size, measure)
        if words.is_log_ratio(measure):
            text += f" or {words.effect(-size, measure)}"
        at = f" at p = {words.number(row['detectable_level'], 2)}" if has("detectable_level") else ""
        out.append(["Effect seen with 80 % power" + at, text])
    if has("missing_share"):
        out.append(["Missing", words.percent(row["missing_share"])])
    if has("reliability"):
        out.append(["Reliability between sessions", words.probability(row["reliability"])])
    if has("confirmed_order"):
        out.append(["Confirmed order", str(row["confirmed_order"])])
    return [[name, text] for name, text in out if text]


def _number(value: object) -> float | None:
    """`value` to six significant digits; None when undefined or infinite."""
    if words.missing(value):
        return None
    x = float(value)  # type: ignore[arg-type]
    return float(f"{x:.{DIGITS}g}") if math.isfinite(x) else None


def _text(row: Any, key: str) -> str:
    value = row.get(key)
    return "" if words.missing(value) else str(value)
