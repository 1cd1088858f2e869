"""Leading features against etiology, sex and site: one table of interaction tests and effects by group."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.association.effect_modification import effect_modification
from discovery.association.multiplicity import benjamini_hochberg
from discovery.association.outcome_models import effect_text
from discovery.problems import InputError

TEST, GROUP = "interaction", "effect in group"
COLUMNS = [
    "outcome", "feature", "modifier", "part", "group", "effect_measure", "estimate", "ci_low", "ci_high",
    "shrunk_estimate", "shrunk_low", "shrunk_high", "statistic", "df", "p_value", "q_value", "n", "events",
    "method", "note",
]  # fmt: skip


def modified_effects(
    design: Design, features: Sequence[str], modifiers: Mapping[str, pd.Series]
) -> pd.DataFrame:
    """Does the effect of each of `features` differ by each of `modifiers`?

    Parameters
    ----------
    modifiers : name -> labels by patient id; a patient without a label is left out of that modifier's model

    Returns
    -------
    DataFrame (COLUMNS)
        Part "interaction": one row a feature and modifier, the test over all groups at once, q by
        Benjamini-Hochberg over all of them together. Part "effect in group": the effect in each group,
        beside the one drawn to the common effect; these carry no p, since one group reaching significance
        and another not says nothing about a difference. What could not be tested says why in `note`.
    """
    if not features or not modifiers:
        return pd.DataFrame(columns=COLUMNS)
    part = design.take_features(np.array([design.feature_names.index(name) for name in features], dtype=int))
    tables = []
    for name, labels in modifiers.items():
        here = labels.reindex(design.patient_id)
        try:
            found = effect_modification(part, here.to_numpy(dtype=object), modifier=name)
        except InputError as fault:
            why = "; ".join(f"{problem.wanted} wanted ({problem.found})" for problem in fault.problems)
            tables.append(
                pd.DataFrame({"feature": list(features)}).assign(
                    outcome=design.outcome, modifier=name, part=TEST, note=f"not assessed: {why}"
                )
            )
            continue
        remark = "; ".join(found.notes)
        tests = found.tests.assign(part=TEST)
        tests["note"] = [
            "; ".join(text for text in (note, remark) if text) for note in tests["note"].astype(str)
        ]
        tables += [tests, found.effects.assign(part=GROUP, note="")]
    whole = pd.concat([table.reindex(columns=COLUMNS) for table in tables], ignore_index=True)
    tested = whole["part"] == TEST
    whole.loc[tested, "q_value"] = benjamini_hochberg(whole.loc[tested, "p_value"].to_numpy(dtype=float))
    for column in ("group", "effect_measure", "method", "note"):
        whole[column] = whole[column].fillna("")
    whole.loc[~tested, "effect_measure"] = effect_text(design.kind, "per 1 SD")
    order = {name: k for k, name in enumerate(features)}
    whole = whole.assign(place=whole["feature"].map(order)).sort_values("place", kind="stable")
    return whole.drop(columns="place").reset_index(drop=True).astype({"n": "Int64", "events": "Int64"})
