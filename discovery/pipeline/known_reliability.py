"""Which reliabilities of the measured features may correct an effect, as the marker table wants them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, TypedDict

if TYPE_CHECKING:
    import pandas as pd


class KnownReliability(TypedDict):
    """Arguments of `rank_markers`: both by feature."""

    reliability: Mapping[str, float]
    reliability_pairs: Mapping[str, int]


def known_reliability(table: pd.DataFrame | None) -> KnownReliability:
    """Reliabilities from separate visits or segments; what one session alone gives is left out.

    table : the rows of `reliability_table`. Beats of one session share the state of the day, so their
    agreement is an upper bound and corrects nothing.
    """
    if table is None or not len(table):
        return {"reliability": {}, "reliability_pairs": {}}
    usable = table[table["usable_for_correction"].to_numpy(dtype=bool)].set_index("feature")
    return {
        "reliability": usable["reliability"].astype(float).to_dict(),
        "reliability_pairs": usable["n_patients"].astype(int).to_dict(),
    }
