"""Families by a name that a reader knows."""

from __future__ import annotations

import pandas as pd

from discovery.report.format import missing

SPEAK_OF_LEADS = ("verdict", "verdict_rule", "flags")


def feature_labels(markers: pd.DataFrame) -> dict[str, str]:
    """Feature -> its label."""
    return markers.drop_duplicates("feature").set_index("feature")["label"].astype(str).to_dict()


def named_families(markers: pd.DataFrame) -> pd.DataFrame:
    """A copy in which a family, which is called after its lead's column, gets the label of its lead.

    A family without a name is called after its best ranked member. Verdicts, their rules and flags that speak
    of the lead call it by its label too, and so does the column of leads.
    """
    if markers.empty:
        return markers.copy()
    labels = feature_labels(markers)
    ranked = markers.sort_values("rank", kind="stable")
    group = "redundancy_group" if "redundancy_group" in markers else "family"
    best = ranked.drop_duplicates(group).set_index(group)["label"].astype(str).to_dict()
    names = [
        best.get(place, "") if missing(name) else labels.get(name, str(name))
        for name, place in zip(markers["family"], markers[group])
    ]
    return markers.assign(family=names, **_leads_by_label(markers, labels))


def _leads_by_label(markers: pd.DataFrame, labels: dict[str, str]) -> dict[str, list]:
    if "family_lead" not in markers:
        return {}
    leads = markers["family_lead"]
    out = {"family_lead": [lead if missing(lead) else labels.get(str(lead), lead) for lead in leads]}
    for column in SPEAK_OF_LEADS:
        if column in markers:
            out[column] = [
                text if missing(text) or missing(lead) else _relabelled(str(text), str(lead), labels)
                for text, lead in zip(markers[column], markers["family_lead"])
            ]
    return out


def _relabelled(text: str, lead: str, labels: dict[str, str]) -> str:
    for before in ("redundant with ", "given "):
        text = text.replace(f"{before}{lead}", f"{before}{labels.get(lead, lead)}")
    return text
