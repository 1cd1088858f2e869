"""Covariates that give an outcome away: adjusted for one, nothing of the outcome is left for a feature."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from discovery.study.leaks import (
    FEWEST_ROWS,
    SUSPECT_ABOVE,
    equal_features,
    had_event,
    suspects,
    time_watched,
)
from discovery.study.outcome import Outcome
from discovery.study.source import Source
from discovery.terms import ADJUSTED_FOR_IT


def doubt_covariates(
    covariates: pd.DataFrame, key: str, outcomes: Iterable[Outcome], source: Source, seed: int
) -> None:
    """Warn of each column of `covariates` (n, q) that copies an outcome, or nearly; `key` names them.

    The measures are those that features are held to (`leaks`). The groups of a covariate without numbers are
    ordered by the outcome of their patients first, and told to copy it where each has one outcome only.
    """
    for outcome in outcomes:
        for name in covariates.columns:
            advice = f"was it known before the outcome? If not, take it out of {key}"
            if copies(covariates[name], outcome):
                wanted = (
                    f"leak: this tells the outcome {outcome.name!r}, patient by patient; {ADJUSTED_FOR_IT}, "
                    f"nothing is left that could go with a feature; {advice}"
                )
                source.findings.warn("covariate leak", source.file, wanted, column=name)
                continue
            found = suspects(scores(covariates[name], outcome), outcome, seed)
            if found:
                measure, strength = max(found.values(), key=lambda one: one[1])
                wanted = (
                    f"suspected leak: alone it reproduces the outcome {outcome.name!r} ({measure} above "
                    f"{SUSPECT_ABOVE}); {ADJUSTED_FOR_IT}, hardly anything is left that could go with a "
                    f"feature; {advice}"
                )
                source.findings.warn(
                    "suspected covariate leak",
                    source.file,
                    wanted,
                    found=f"{measure} {strength:.3f}",
                    column=name,
                )


def copies(covariate: pd.Series, outcome: Outcome) -> bool:
    """Whether a covariate (n,) has the very numbers of an outcome, or groups that each have one outcome."""
    group = groups_of(covariate)
    if group is None:
        return bool(equal_features(covariate.to_numpy(dtype=np.float64)[:, None], outcome)[0])
    return any(_determined(group, target) for target in targets_of(outcome) if target is not None)


def targets_of(outcome: Outcome) -> list[np.ndarray | None]:
    """What a covariate must not copy, each (n,) with NaN missing: of competing events also which came."""
    return [outcome.value, outcome.status, had_event(outcome)]


def groups_of(covariate: pd.Series) -> np.ndarray | None:
    """The group (n,) of each patient, -1 where missing; None of a number with more than two values."""
    if isinstance(covariate.dtype, pd.CategoricalDtype) or covariate.nunique() <= 2:
        return np.asarray(pd.factorize(covariate)[0])
    return None


def _determined(group: np.ndarray, target: np.ndarray) -> bool:
    """Whether all of a group have one `target` (n,), which differs between groups; two a group at least."""
    known = (group >= 0) & np.isfinite(target)
    pairs = np.unique(np.column_stack([group[known], target[known]]), axis=0)
    groups = np.unique(pairs[:, 0]).size
    enough = known.sum() >= max(FEWEST_ROWS, 2 * groups)
    return bool(enough and len(pairs) == groups and np.unique(pairs[:, 1]).size > 1)


def scores(covariate: pd.Series, outcome: Outcome) -> np.ndarray:
    """A covariate as columns (n, k) of numbers: its own, or of each group what its patients had on average.

    That is the share of the class (of several, each of them), the mean value (of counts also their rate), or
    events in time and in all.
    """
    if not isinstance(covariate.dtype, pd.CategoricalDtype):
        return covariate.to_numpy(dtype=np.float64)[:, None]
    group = covariate.cat.codes.to_numpy()
    known = outcome.known & (group >= 0)
    levels = np.unique(group[known]).size
    if known.sum() < 2 * levels:  # patients alone in their group would stand where their outcome puts them
        return np.full((len(group), 1), np.nan)
    one = np.ones(len(group))
    if outcome.kind == "survival" and outcome.time is not None and outcome.status is not None:
        event = (outcome.status == 1).astype(np.float64)
        columns = [_share(group, known, event, outcome.time), _share(group, known, event, one)]
    elif outcome.value is None:
        return np.full((len(group), 1), np.nan)
    elif outcome.kind == "multiclass":
        classes = range(len(outcome.categories))
        columns = [_share(group, known, (outcome.value == k).astype(np.float64), one) for k in classes]
    else:
        columns = [_share(group, known, outcome.value, one)]
        if (watched := time_watched(outcome)) is not None:
            columns.append(_share(group, known, outcome.value, watched))
    return np.column_stack(columns)


def _share(group: np.ndarray, known: np.ndarray, part: np.ndarray, whole: np.ndarray) -> np.ndarray:
    """The sum of `part` over that of `whole` (both (n,)) among the `known` of each patient's group (n,)."""
    top, bottom = (np.bincount(group[known], weights=own[known]) for own in (part, whole))
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.append(top / bottom, np.nan)
    reached = np.where((group >= 0) & (group < len(top)), group, len(top))
    return ratio[reached]
