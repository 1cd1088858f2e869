"""The marker table: every feature for every outcome, ranked, with how sure each number is."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.association.kinds import SCREENED_KINDS, kind_of
from discovery.association.screen import Screen
from discovery.cohort.imputation import Completed, completed_designs
from discovery.markers.bootstrap import BootstrapDraws, bootstrap_refits
from discovery.markers.families import Families, find_families
from discovery.markers.gain import corrected_gains
from discovery.markers.imputed_refit import ImputedRefit
from discovery.markers.outcome_parts import OutcomeParts
from discovery.markers.outcome_rows import CONTRACT, EXTRA, FAMILY_COLUMNS, outcome_tables
from discovery.markers.refit import OutcomeRefit, prepare_refit
from discovery.markers.site_check import SITE_COLUMNS, check_sites
from discovery.markers.verdict import MOST_MISSING
from discovery.problems import InputError, Problem
from discovery.seeds import named_rng

RECURRENCE_COLUMNS = (
    "family", "redundancy_group", "outcomes", "outcomes_with_candidate", "where", "best_family_rank",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Markers:
    """`table`: a row per outcome and feature, ranked first, columns `CONTRACT` then `EXTRA`.

    families : a row per outcome and family (`FAMILY_COLUMNS`), by family rank; recurrence : a row per
    family with the outcomes in which it holds a candidate; sites : estimates and gains with each site
    left out; correlations : Spearman's rho of every pair (feature, other, correlation).
    draws : the bootstrap of each outcome, columns as in `ranked[outcome]` (feature names).
    """

    table: pd.DataFrame
    families: pd.DataFrame
    recurrence: pd.DataFrame
    sites: pd.DataFrame
    correlations: pd.DataFrame
    draws: Mapping[str, BootstrapDraws]
    ranked: Mapping[str, tuple[str, ...]]
    notes: tuple[str, ...]


def rank_markers(
    designs: Sequence[Design],
    screens: Sequence[Screen],
    *,
    seed: int,
    labels: Mapping[str, str] | None = None,
    fdr: float = 0.05,
    replicates: int = 1000,
    workers: int = 1,
    horizon: float | None = None,
    reliability: Mapping[str, float] | None = None,
    reliability_pairs: Mapping[str, int] | None = None,
    flags: Mapping[tuple[str, str], Sequence[str]] | None = None,
    completed: Mapping[str, Completed] | None = None,
    wider: Mapping[str, Design] | None = None,
    confirm: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> Markers:
    """Rank the features of one or more screened outcomes.

    Parameters
    ----------
    designs, screens : one of each per outcome, in the same order; outcomes are ranked one by one, but
        drawn together, and gains of one measure are corrected for the search over all of them
    seed : the study's seed
    labels : feature -> label for people
    fdr : level that q-values are compared with
    replicates : bootstrap draws; 0 leaves rank intervals and gains empty
    workers : threads
    horizon : for survival, events after it do not lead the pairs of C
    reliability : feature -> reliability between sessions at least an hour apart, 0 to 1, where known
    reliability_pairs : feature -> patients with two such sessions; widens the corrected interval
    flags : (outcome, feature) -> flags found elsewhere, such as "hazards not proportional"
    completed : outcome -> completed copies of its features with gaps; the screen then is the pooled one
    wider : outcome -> the design that its `completed` copies belong to, where covariates were imputed and it
        has more patients than the one in `designs`
    confirm : also the confirmed order (a sentence per feature), from the bootstrap draws
    progress : called with (draws done, draws in all)

    Returns
    -------
    Markers
        Features are ordered by |z|, ties averaged. A feature that failed, or is missing in more than 40 %
        of patients, stays in the table without a rank. With `completed`, gaps are imputed anew inside each
        draw, the apparent gain is the mean over copies, and half samples take the copies in turn; the
        checks of sites and of redundancy stay with the patients who have a value (and all covariates).
        Without, each feature is judged on its own patients, in the draws as well.

    Raises
    ------
    InputError
        Designs and screens that do not belong together; a negative number of replicates.
    """
    from joblib import Parallel, delayed

    _require(designs, screens, replicates)
    found, names = _families_of(designs)
    place = {name: k for k, name in enumerate(names)}
    completed = completed or {}
    outcomes = [
        _gather(d, s, found, names, place, horizon, completed.get(d.outcome), (wider or {}).get(d.outcome, d))
        for d, s in zip(designs, screens)
    ]
    resampled = [o for o in outcomes if o.refit is not None]
    Parallel(n_jobs=workers, prefer="threads")(
        delayed(_fit_once)(o, o.refit, seed=seed, horizon=horizon) for o in outcomes if o.refit is not None
    )
    if replicates and resampled:
        draws = bootstrap_refits(
            [o.refit for o in resampled if o.refit is not None],
            replicates=replicates, seed=seed, workers=workers, progress=progress,
        )  # fmt: skip
        for o, d in zip(resampled, draws):
            o.draws = d
        _correct_gains(resampled)

    comparisons = sum(int((o.screen.assessed & ~np.isnan(o.screen.fit.z)).sum()) for o in outcomes)
    tables, family_tables, notes = [], [], []
    for o in outcomes:
        table, families, remarks = outcome_tables(
            o, seed=seed, labels=labels or {}, fdr=fdr, comparisons=comparisons,
            reliability=reliability or {}, reliability_pairs=reliability_pairs, flags=flags or {},
            confirm=confirm,
        )  # fmt: skip
        tables.append(table)
        family_tables.append(families)
        notes += remarks
    families = _joined(family_tables, FAMILY_COLUMNS)
    return Markers(
        table=_joined(tables, (*CONTRACT, *EXTRA)),
        families=families,
        recurrence=_recurrence(families),
        sites=_joined([o.site.table for o in outcomes if o.site is not None], SITE_COLUMNS),
        correlations=_correlations(found, names),
        draws={o.design.outcome: o.draws for o in outcomes if o.draws is not None},
        ranked={o.design.outcome: _names(o.design, o.ranked) for o in outcomes},
        notes=tuple(notes),
    )


def _require(designs, screens, replicates) -> None:
    problems = []
    if replicates < 0:
        problems.append(Problem(file="replicates", found=str(replicates), wanted="a whole number from 0"))
    if not designs:
        problems.append(Problem(file="markers", found="no outcome", wanted="at least one screened outcome"))
    if len(designs) != len(screens):
        found = f"{len(designs)} designs and {len(screens)} screens"
        problems.append(Problem(file="markers", found=found, wanted="one screen for each design"))
    for d, s in zip(designs, screens):
        if d.outcome != s.outcome or d.feature_names != s.features:
            found = f"design of {d.outcome}, screen of {s.outcome}"
            problems.append(Problem(file="markers", found=found, wanted="the screen of the same design"))
        if d.kind not in SCREENED_KINDS:
            problems.append(
                Problem(
                    file=f"outcome {d.outcome}", found=d.kind, wanted=f"one of {', '.join(SCREENED_KINDS)}"
                )
            )
    if problems:
        raise InputError(problems)


def _families_of(designs) -> tuple[Families, tuple[str, ...]]:
    """Families over the features, by name, and the patients of all outcomes together."""
    names = tuple(sorted({name for d in designs for name in d.feature_names}))
    everyone = np.unique(np.concatenate([np.asarray(d.patient_id).astype(str) for d in designs]))
    x = np.full((everyone.size, len(names)), np.nan)
    place = {name: k for k, name in enumerate(names)}
    for d in designs:
        rows = np.searchsorted(everyone, np.asarray(d.patient_id).astype(str))
        columns = np.array([place[name] for name in d.feature_names], dtype=int)
        x[np.ix_(rows, columns)] = np.where(d.observed, d.features, np.nan)
    return find_families(x), names


def _gather(design, screen, found, names, place, horizon, completed, wide) -> OutcomeParts:
    here = np.array([place[name] for name in design.feature_names], dtype=int)
    missing = 1.0 - wide.observed.mean(axis=0)
    ranked = np.flatnonzero(screen.assessed & ~np.isnan(screen.fit.z) & (missing <= MOST_MISSING))
    ranked = ranked[np.argsort(here[ranked])]  # by name
    refit: OutcomeRefit | None = None
    if ranked.size and completed is not None:
        refit = ImputedRefit(wide, screen.firth, ranked, completed, horizon=horizon)
    elif ranked.size:
        refit = prepare_refit(design, screen.firth, ranked, horizon=horizon)
    return OutcomeParts(
        design=design,
        wide=wide,
        screen=screen,
        ranked=ranked,
        missing=missing,
        number=found.number[here],
        family=np.array(names, dtype=object)[found.centre[here]],
        refit=refit,
        completed=() if completed is None else tuple(completed_designs(wide, completed)),
    )


def _fit_once(o: OutcomeParts, refit: OutcomeRefit, *, seed: int, horizon: float | None) -> None:
    """Apparent gains, and the check of sites on the patients who have a value."""
    alone = refit
    if o.completed:
        alone = prepare_refit(o.design, o.screen.firth, o.ranked, horizon=horizon)
    folds = named_rng(seed, "markers", o.design.outcome, "folds")
    o.site = check_sites(alone, rng=folds, rests_on=o.screen.sizes[o.ranked])
    everyone = np.ones(refit.design.n)
    whole = refit.over_copies(everyone) if isinstance(refit, ImputedRefit) else alone(everyone)
    o.apparent, o.base_measure = whole.gain[:, 0], whole.base[:, 0]


def _correct_gains(outcomes) -> None:
    for measure in dict.fromkeys(o.refit.measure for o in outcomes):
        alike = [o for o in outcomes if o.refit.measure == measure]
        gains = corrected_gains(
            [o.screen.fit.z[o.ranked] for o in alike],
            [o.apparent for o in alike],
            [o.draws for o in alike],
            directed=kind_of(alike[0].design.kind).directed,
        )
        for o, gain in zip(alike, gains):
            o.gain = gain


def _recurrence(families) -> pd.DataFrame:
    """Which families hold a candidate in which outcomes; each by its lead where it ranks best."""
    rows = [
        {
            "family": part.loc[part["family_rank"].idxmin(), "family"],
            "redundancy_group": number,
            "outcomes": len(part),
            "outcomes_with_candidate": int((part["candidates"] > 0).sum()),
            "where": "; ".join(part.loc[part["candidates"] > 0, "outcome"]),
            "best_family_rank": part["family_rank"].min(),
        }
        for number, part in families.groupby("redundancy_group", sort=False)
    ]
    table = pd.DataFrame(rows, columns=list(RECURRENCE_COLUMNS))
    order = ["outcomes_with_candidate", "best_family_rank"]
    return table.sort_values(order, ascending=[False, True], kind="stable").reset_index(drop=True)


def _correlations(found: Families, names) -> pd.DataFrame:
    a, b = np.triu_indices(len(names), 1)
    names = np.array(names, dtype=object)
    return pd.DataFrame({"feature": names[a], "other": names[b], "correlation": found.rho[a, b]})


def _names(design, which) -> tuple[str, ...]:
    return tuple(design.feature_names[k] for k in which)


def _joined(tables, columns) -> pd.DataFrame:
    some = [t for t in tables if len(t)]
    return pd.concat(some, ignore_index=True) if some else pd.DataFrame(columns=list(columns))
