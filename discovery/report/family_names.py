"""Families by a name that a reader knows."""

from __future__ import annotations

import pandas as pd

from discovery.report.format import missing


def feature_labels(markers: pd.DataFrame) -> dict[str, str]:
    """Feature -> its label."""
    return markers.drop_duplicates("feature").set_index("feature")["label"].astype(str).to_dict()


def named_families(markers: pd.DataFrame) -> pd.DataFrame:
    """A copy in which a family, which is called after its lead's column, gets the label of its lead.

    A family without a name is called after its best ranked member.
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
    return markers.assign(family=names)
