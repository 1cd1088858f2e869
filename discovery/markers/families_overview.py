"""Which families of features recur over the outcomes of a study."""

from __future__ import annotations

import pandas as pd

from discovery.markers.verdict import FOUND

COLUMNS = (
    "redundancy_group", "outcome", "lead", "verdict", "family_rank", "family_rank_low", "family_rank_high",
    "family_probability_in_top", "candidates", "outcomes_with_candidate", "outcomes", "members",
)  # fmt: skip


def families_overview(families: pd.DataFrame, markers: pd.DataFrame) -> pd.DataFrame:
    """A row per family and outcome (COLUMNS), the families first that have a candidate for most outcomes.

    `families`, `markers` : as `rank_markers` gives them. `verdict` is that of the family's lead, whichever
    feature leads for that outcome; `outcomes_with_candidate` counts outcomes for which the lead is a
    candidate. No rows for a study of one outcome.

    Families are found over all outcomes together, so that one number is one family. Outcomes are no
    independent witnesses: they are seen in the same patients.
    """
    if families.empty or families["outcome"].nunique() < 2:
        return pd.DataFrame(columns=list(COLUMNS))
    words = markers.set_index(["outcome", "feature"])["verdict"].astype(str)
    table = families.assign(
        verdict=[words.get((o, lead), "") for o, lead in zip(families["outcome"], families["lead"])]
    )
    found = table["verdict"].map(lambda word: word.startswith(FOUND))
    by_family = table["redundancy_group"]
    table["outcomes_with_candidate"] = found.groupby(by_family).transform("sum").astype(int)
    table["outcomes"] = table.groupby("redundancy_group")["outcome"].transform("nunique")
    table["best"] = table.groupby("redundancy_group")["family_rank"].transform("min")
    place = {name: k for k, name in enumerate(dict.fromkeys(families["outcome"]))}
    table["place"] = table["outcome"].map(place)
    table = table.sort_values(
        ["outcomes_with_candidate", "best", "redundancy_group", "place"],
        ascending=[False, True, True, True],
        kind="stable",
        ignore_index=True,
    )
    return table[list(COLUMNS)]
