"""The first cohort's signature judged in a second cohort: nothing selected, tuned or fitted before it is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from discovery.association.kinds import kind_of
from discovery.markers.frozen import FrozenFindings, FrozenOutcome, FrozenSignature
from discovery.markers.frozen_signature import filled_markers
from discovery.markers.frozen_steps import STEPS, three_steps
from discovery.markers.second_designs import all_patients, second_designs
from discovery.markers.signature_judged import BETTER, NO_BETTER
from discovery.markers.signature_words import signed
from discovery.study import Study
from discovery.terms import LEAST_EVENTS, NOT_ASSESSABLE


@dataclass(frozen=True, kw_only=True)
class SecondSignatures:
    """table : a row a signature and step, as of `model_performance`, with `verdict` (of the frozen model) and
    the corrected value and gain of the first cohort; sentences : one a signature."""

    table: pd.DataFrame
    sentences: tuple[str, ...]


def judge_signatures(findings: FrozenFindings, study: Study) -> SecondSignatures:
    """Every frozen signature in `study`; one that cannot be judged has a sentence that says why."""
    rows: list[dict] = []
    sentences = []
    for outcome in findings.outcomes:
        if outcome.signature is not None and outcome.base is not None:
            made, said = _judged(findings, outcome, outcome.signature, study)
            rows += made
            sentences.append(said)
    return SecondSignatures(table=pd.DataFrame(rows), sentences=tuple(sentences))


def _judged(
    findings: FrozenFindings, outcome: FrozenOutcome, signature: FrozenSignature, study: Study
) -> tuple[list[dict], str]:
    labels = {feature.name: feature.label or feature.name for feature in findings.features}
    start = f"The signature for {outcome.label or outcome.name} ({_listed(signature, labels)})"
    missing = [name for name in signature.markers if name not in study.features.columns]
    mine = next((o for o in study.outcomes if o.name == outcome.name), None)
    why = ""
    if missing:
        why = f"this cohort has no {', '.join(labels[name] for name in missing)}"
    elif mine is None:
        why = "this cohort has no such outcome"
    if why:
        return [], f"{start} is {NOT_ASSESSABLE}: {why}."
    narrow, wide = second_designs(findings, outcome, study, signature.markers)
    design, base, completed = all_patients(outcome, narrow, wide, study)
    if design.effective_size < LEAST_EVENTS:
        few = f"only {kind_of(design.kind).said_size(design.effective_size)}, {LEAST_EVENTS} are needed"
        return [], f"{start} is {NOT_ASSESSABLE}: {few}."
    features = filled_markers(design, base, signature.markers, np.array(signature.fill).T)
    everyone = np.ones(design.n, dtype=bool)
    about = {
        "outcome": outcome.name,
        "markers": "; ".join(signature.markers),
        "verdict": "",
        "verdict_first": signature.verdict,
        "value_first": signature.value,
        "value_first_low": signature.value_low,
        "value_first_high": signature.value_high,
        "gain_first": signature.gain,
        "gain_first_low": signature.gain_low,
        "gain_first_high": signature.gain_high,
        "n_imputed": int(completed.sum()),
        "filled_share": 1 - float(design.observed.mean()),
    }
    left_out = {"n_left_out": design.n_study - design.n}
    steps = three_steps(outcome, signature.model, design, base, features, everyone)
    rows = [about | step | left_out for step in steps]
    frozen = next(row for row in rows if row["step"] == STEPS[0])
    if not np.isfinite([frozen["value"], frozen["gain_low"]]).all():
        return [], f"{start} is {NOT_ASSESSABLE}: it has no discrimination in this cohort."
    # a frozen base model that does badly here must not make the signature look good
    again = [row["gain_low"] for row in rows if row["step"] == STEPS[2]]
    frozen["verdict"] = BETTER if min([frozen["gain_low"], *again]) > 0 else NO_BETTER
    return rows, f"{start} {_said(frozen)}"


def _said(row: Mapping) -> str:
    """The judgement of a frozen signature in words."""
    calibration = (
        f"; calibration slope {_three(row, 'slope', '.2f')}, {row['level_is']} {_three(row, 'level', '.2f')}"
        if np.isfinite([row["slope"], row["level"]]).all()
        else ""
    )
    value = _three(row, "value", ".2f")
    gain, first = (_three(row, name, "+.3f") for name in ("gain", "gain_first"))
    return (
        f"is {row['verdict']} here, as frozen: {row['measure']} {value}, {gain} over the base model, against "
        f"{first} in the first cohort, corrected{calibration}."
    )


def _three(row: Mapping, name: str, form: str) -> str:
    value, low, high = (signed(row[key], form) for key in (name, f"{name}_low", f"{name}_high"))
    return f"{value} ({low} to {high})"


def _listed(signature: FrozenSignature, labels: Mapping[str, str]) -> str:
    return ", ".join(labels[name] for name in signature.markers)
