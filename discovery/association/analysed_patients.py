"""Who is analysed for an outcome, and who is left out for which reason."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from discovery.association.kinds import SCREENED_KINDS, kind_of
from discovery.problems import InputError, Problem, counted, shown

if TYPE_CHECKING:
    from discovery.study import Outcome

SMALL_SITE = 5  # a site with fewer patients is pooled with the other small ones
POOLED_SITES = "small sites, pooled"


class Kept:
    """Who is still in (n,) bool, and why the others are not: each patient counted at the first reason."""

    def __init__(self, n: int):
        self.rows = np.ones(n, dtype=bool)
        self.reasons: list[tuple[str, int]] = []

    def drop(self, where: np.ndarray, reason: str) -> None:
        gone = self.rows & where
        if gone.any():
            self.reasons.append((reason, int(gone.sum())))
            self.rows &= ~where

    def left_out(self) -> pd.DataFrame:
        """reason, n."""
        return pd.DataFrame(
            {
                "reason": np.array([reason for reason, _ in self.reasons], dtype=object),
                "n": np.array([n for _, n in self.reasons], dtype=np.int64),
            },
            copy=False,
        )


def analysed_patients(
    outcome: Outcome, covariates: pd.DataFrame, site: np.ndarray | None, notes: list[str]
) -> tuple[Kept, np.ndarray | None]:
    """Patients with an outcome, all covariates and a site that tells something; the sites (n,) as analysed.

    `covariates` and `site` are in the order of the outcome's patients; `notes` is added to.

    Raises
    ------
    InputError : no patient is left.
    """
    keep = Kept(len(covariates))
    _drop_unusable_outcomes(keep, outcome)
    for name, missing in zip(covariates.columns, covariates.isna().to_numpy().T):
        keep.drop(missing, f"covariate {name} is missing")
    if site is not None:
        keep.drop(pd.isna(site), "site is missing")
        site = _pool_small_sites(site, keep.rows, notes)
        if not kind_of(outcome.kind).stratified:
            _drop_silent_sites(keep, site, np.asarray(outcome.value), outcome.kind)
    if not keep.rows.any():
        why = "; ".join(f"{reason}: {n}" for reason, n in keep.reasons)
        wanted = f"complete rows are wanted ({why})"
        raise InputError(
            [Problem(file=f"outcome {outcome.name}", found="no patient left to analyse", wanted=wanted)]
        )
    return keep, site


def require_patients(outcome: Outcome, ids: pd.Index, **tables: pd.DataFrame | pd.Series | None) -> None:
    """Refuse an outcome that cannot be analysed, and `tables` by patient id that lack one of `ids`."""
    problems = []
    if outcome.kind not in SCREENED_KINDS:
        problems.append(
            Problem(
                file=f"outcome {outcome.name}",
                column="kind",
                found=outcome.kind,
                wanted=f"one of {', '.join(SCREENED_KINDS)}",
            )
        )
    if ids.has_duplicates:
        twice = ids[ids.duplicated()].unique()
        problems.append(
            Problem(
                file=f"outcome {outcome.name}",
                found=", ".join(map(str, twice[:5])),
                wanted="each patient once",
            )
        )
    if _has_episodes_at_one_time(outcome):
        problems.append(
            Problem(
                file=f"outcome {outcome.name}",
                column="event_time",
                found="two episodes of a patient at one time",
                wanted="each time of a patient once: a model of rates cannot tell them apart",
            )
        )
    for name, table in tables.items():
        if table is None:
            continue
        absent = ids[:0] if table.index.equals(ids) else ids.difference(table.index)
        if len(absent):
            listed = ", ".join(map(str, absent[:5])) + (" …" if len(absent) > 5 else "")
            problems.append(
                Problem(
                    file=name,
                    found=f"no row for {listed}",
                    wanted=f"a row for each patient of {outcome.name}",
                )
            )
        if table.index.has_duplicates:
            problems.append(Problem(file=name, found="a patient id twice", wanted="one row for each patient"))
    if problems:
        raise InputError(problems)


def _has_episodes_at_one_time(outcome: Outcome) -> bool:
    if outcome.event_patient is None or outcome.event_time is None:
        return False
    patient, time = np.asarray(outcome.event_patient), np.asarray(outcome.event_time)
    order = np.lexsort((time, patient))
    return bool(((np.diff(patient[order]) == 0) & (np.diff(time[order]) == 0)).any())


def _drop_unusable_outcomes(keep: Kept, outcome: Outcome) -> None:
    for reason, gone in outcome.left_out:
        keep.drop(gone, reason)
    if not kind_of(outcome.kind).timed:
        keep.drop(np.isnan(np.asarray(outcome.value, dtype=float)), "outcome is missing")
        if outcome.exposure is not None:
            keep.drop(np.isnan(np.asarray(outcome.exposure, dtype=float)), "exposure is missing")
        if outcome.event_patient is not None:
            end = np.asarray(outcome.time, dtype=float)
            begin = np.zeros(len(end)) if outcome.entry is None else np.asarray(outcome.entry, dtype=float)
            keep.drop(np.isnan(end) | np.isnan(begin), "follow-up is missing")
            keep.drop(end <= begin, "no time under observation")
        return
    time, status = np.asarray(outcome.time, dtype=float), np.asarray(outcome.status, dtype=float)
    keep.drop(np.isnan(time) | np.isnan(status), "outcome is missing")
    if outcome.entry is not None:
        entry = np.asarray(outcome.entry, dtype=float)
        keep.drop(np.isnan(entry), "entry time is missing")
        keep.drop(entry >= time, "follow-up ends at or before entry")
    keep.drop(time < 0, "time is negative")


def _pool_small_sites(site: np.ndarray, rows: np.ndarray, notes: list[str]) -> np.ndarray:
    counts = Counter(site[rows])
    small = sorted((s for s, n in counts.items() if n < SMALL_SITE), key=str)
    if len(small) < 2:
        if small:
            notes.append(f"site {shown(str(small[0]))} has only {counted(counts[small[0]])}")
        return site
    notes.append(
        f"{len(small)} sites with fewer than {SMALL_SITE} patients are one level: "
        f"{', '.join(map(str, small))}"
    )
    return np.where(np.isin(site.astype(str), [str(s) for s in small]) & ~pd.isna(site), POOLED_SITES, site)


def _drop_silent_sites(keep: Kept, site: np.ndarray, y: np.ndarray, kind: str) -> None:
    """Sites that determine the outcome by themselves: one class only, or a single patient."""
    for label in sorted(set(site[keep.rows]), key=str):
        here = keep.rows & (site == label)
        values = y[here]
        if kind_of(kind).classes and len(np.unique(values)) == 1:
            keep.drop(
                here, f"site {label}: all patients have the same outcome, so it cannot speak on a feature"
            )
        elif kind_of(kind).silent_at_zero and not values.any():
            keep.drop(here, f"site {label}: all counts are 0, so it cannot speak on a feature")
        elif here.sum() == 1:
            keep.drop(here, f"site {label}: a single patient, used up by the site's own level")


def remark_silent_strata(labels: np.ndarray | None, status: np.ndarray, notes: list[str]) -> None:
    assert labels is not None
    silent = [label for label in np.unique(labels) if not (status[labels == label] == 1).any()]
    if silent:
        notes.append(f"sites without an event add nothing to the comparison: {', '.join(silent)}")
