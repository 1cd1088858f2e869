"""A replication fit to be shared: small counts of the second cohort masked as its study file asks."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from discovery.cohort.masked_counts import mask_rows, small
from discovery.cohort.masked_means import mask_statistics
from discovery.markers.second_cohort import Replication
from discovery.markers.second_differences import adjusted_for
from discovery.pipeline.masked_gaps import find_gaps
from discovery.pipeline.masked_measures import DIGITS
from discovery.pipeline.masked_tests import coarse_rows
from discovery.pipeline.masking import said, study_totals, without_gaps
from discovery.study import Study

HERE = {"mean_second": "mean", "sd_second": "sd"}
BY_ROW = ("replication", "model_performance", "signature_performance")
MEASURES = ("value", "value_low", "value_high", "gain", "gain_low", "gain_high")


def masked_replication(tables: Mapping[str, pd.DataFrame], study: Study) -> dict[str, pd.DataFrame]:
    """`tables` without counts below the study's `suppress_below`, and without what would tell them.

    A level of a category that few patients have, or lack, is not compared at all: its share is its count.
    Means are blank or rounded as `mask_statistics` says. Measures of prediction have two digits, and so have
    tests by t: in full they would tell how many patients they are of.
    """
    limit, out = study.settings.analysis.suppress_below, dict(tables)
    if not limit:
        return out
    n = len(study.patients)
    totals = study_totals(study)
    sizes = {outcome.name: (float(n),) for outcome in study.outcomes}
    events = {name: (float(happened),) for name, (_, happened) in totals.items()}
    gaps = find_gaps(study, [outcome.name for outcome in study.outcomes], limit)
    for name in BY_ROW:
        if len(out[name]):
            out[name] = mask_rows(without_gaps(out[name], gaps), limit, n=sizes, events=events)
    for name in ("model_performance", "signature_performance"):
        measures = [column for column in MEASURES if column in out[name]]
        out[name] = out[name].assign(**{c: out[name][c].astype(float).round(DIGITS) + 0.0 for c in measures})
    if len(out["replication"]):
        continuous = [outcome.name for outcome in study.outcomes if outcome.kind == "continuous"]
        by_t = out["replication"]["outcome"].isin(continuous).to_numpy(dtype=bool)
        out["replication"] = coarse_rows(out["replication"], by_t)
        notes = [said(note, limit, (n,)) for note in out["replication"]["note"]]
        out["replication"] = out["replication"].assign(note=notes)
    if len(out["signature_performance"]):
        out["signature_performance"] = _without_few(out["signature_performance"], "filled_share", limit)
    out["shift"] = masked_shift(out["shift"], study, limit)
    groups = out["phenotype_replication"]
    if len(groups) and any(small(count, limit) for count in groups["n"]):
        out["phenotype_replication"] = groups.assign(n=pd.NA, share=np.nan)
    return out


def masked_shift(shift: pd.DataFrame, study: Study, limit: int) -> pd.DataFrame:
    """No share of a few patients, no mean that tells of a few or of how many are missing."""
    if shift.empty:
        return shift
    values = [_behind(row, study) for row in shift.itertuples(index=False)]
    level = (shift["role"] == "level").to_numpy()
    few = level & np.array([small(v.sum(), limit) or small((1 - v).sum(), limit) for v in values])
    values = [v for v, gone in zip(values, few) if not gone]
    shift = _without_few(shift[~few].reset_index(drop=True), "outside_share", limit)
    hidden = [small(k, limit) or small(len(study.patients) - k, limit) for k in shift["n"]]
    gone = np.array(hidden, dtype=bool)
    shift = shift.assign(
        n=shift["n"].astype("Int64").mask(gone), missing_share=shift["missing_share"].mask(gone)
    ).rename(columns=HERE)
    for row, known in enumerate(values):
        mask_statistics(shift, [row], [known], limit, counted=[not gone[row]])
    return shift.rename(columns={name: second for second, name in HERE.items()})


def _behind(row, study: Study) -> np.ndarray:
    """The known values that a row of the shift table is of; of a level 1 and 0."""
    if row.role == "level":
        return np.repeat([1.0, 0.0], [round(row.mean_second * row.n), round((1 - row.mean_second) * row.n)])
    column = (study.features if row.role == "feature" else adjusted_for(study))[row.name]
    values = column.to_numpy(dtype=float, na_value=np.nan)
    return values[np.isfinite(values)]


def remarks_of(found: Replication, shift: pd.DataFrame, study: Study) -> list[str]:
    """The remarks without those on what `shift` no longer compares, and without small counts."""
    limit = study.settings.analysis.suppress_below
    compared = set(shift.loc[shift["smd"].notna(), "name"]) if len(shift) else set()
    before = found.shift[found.shift["smd"].notna()] if len(found.shift) else found.shift
    gone = tuple(f"{row.label}: " for row in before.itertuples() if row.name not in compared)
    everybody = (len(study.patients),)
    return [said(remark, limit, everybody) for remark in found.remarks if not remark.startswith(gone)]


def _without_few(table: pd.DataFrame, share: str, limit: int) -> pd.DataFrame:
    """Shares of the `n` patients of each row that few have, or all but few, are masked."""
    count = table["n"].to_numpy(dtype=float, na_value=np.nan)
    have = (table[share].to_numpy(dtype=float) * count).round()
    gone = [a != a or small(a, limit) or small(b - a, limit) for a, b in zip(have, count)]
    return table.assign(**{share: table[share].mask(np.array(gone, dtype=bool))})
