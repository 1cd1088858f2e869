"""A replication fit to be shared: small counts of the second cohort masked as its study file asks."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from discovery.cohort.masked_counts import mask_rows, small
from discovery.markers.second_cohort import Replication
from discovery.pipeline.masking import said, study_totals
from discovery.study import Study

BY_ROW = ("replication", "model_performance", "signature_performance")


def masked_replication(tables: Mapping[str, pd.DataFrame], study: Study) -> dict[str, pd.DataFrame]:
    """`tables` without counts below the study's `suppress_below`, and without what would tell them.

    A level of a category that few patients have, or lack, is not compared at all: its share is its count.
    """
    limit, out = study.settings.analysis.suppress_below, dict(tables)
    if not limit:
        return out
    n = len(study.patients)
    totals = study_totals(study)
    sizes = {outcome.name: (float(n),) for outcome in study.outcomes}
    events = {name: (float(happened),) for name, (_, happened) in totals.items()}
    for name in BY_ROW:
        if len(out[name]):
            out[name] = mask_rows(out[name], limit, n=sizes, events=events)
    if len(out["replication"]):
        notes = [said(note, limit) for note in out["replication"]["note"]]
        out["replication"] = out["replication"].assign(note=notes)
    if len(out["signature_performance"]):
        out["signature_performance"] = _without_few(out["signature_performance"], "filled_share", limit)
    out["shift"] = masked_shift(out["shift"], n, limit)
    groups = out["phenotype_replication"]
    if len(groups) and any(small(count, limit) for count in groups["n"]):
        out["phenotype_replication"] = groups.assign(n=pd.NA, share=np.nan)
    return out


def masked_shift(shift: pd.DataFrame, n_study: int, limit: int) -> pd.DataFrame:
    if shift.empty:
        return shift
    count = shift["n"].to_numpy(dtype=float)
    with_level = (shift["mean_second"].to_numpy(dtype=float) * count).round()
    level = (shift["role"] == "level").to_numpy()
    few = np.array([small(a, limit) or small(b - a, limit) for a, b in zip(with_level, count)])
    shift = _without_few(shift[~(level & few)].reset_index(drop=True), "outside_share", limit)
    hidden = [small(k, limit) or small(n_study - k, limit) for k in shift["n"]]
    gone = np.array(hidden, dtype=bool)
    return shift.assign(
        n=shift["n"].astype("Int64").mask(gone), missing_share=shift["missing_share"].mask(gone)
    )


def remarks_of(found: Replication, shift: pd.DataFrame, study: Study) -> list[str]:
    """The remarks without those on levels that `shift` no longer compares, and without small counts."""
    limit = study.settings.analysis.suppress_below
    gone = tuple(f"{name}: " for name in set(found.shift.get("name", ())) - set(shift.get("name", ())))
    return [said(remark, limit) for remark in found.remarks if not remark.startswith(gone)]


def _without_few(table: pd.DataFrame, share: str, limit: int) -> pd.DataFrame:
    """Shares of the `n` patients of each row that few have, or all but few, are masked."""
    count = table["n"].to_numpy(dtype=float, na_value=np.nan)
    have = (table[share].to_numpy(dtype=float) * count).round()
    gone = [a != a or small(a, limit) or small(b - a, limit) for a, b in zip(have, count)]
    return table.assign(**{share: table[share].mask(np.array(gone, dtype=bool))})
