"""The features that `[phenotypes]` and `freeze` name, held against those that are there."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.problems import nearest
from discovery.study.features import matches
from discovery.study.findings import Findings
from discovery.study.settings import StudyFile

FEWEST = 3


def searched_columns(settings: StudyFile, features: pd.DataFrame) -> list[str]:
    """The features that take part in the search for groups, in the order of the table."""
    names = tuple(map(str, features.columns))
    return matches(settings.phenotypes.columns, names) if settings.phenotypes.columns else list(names)


def check_search(settings: StudyFile, features: pd.DataFrame, unused: set[str], findings: Findings) -> None:
    """Note names that no feature has, too few features, and logarithms of values at or below 0.

    unused : columns that are no features for a reason told elsewhere; naming one is a doubt, no fault
    """
    search, names = settings.phenotypes, tuple(map(str, features.columns))
    all_there = not findings.failed  # else a feature may be missing for a fault of its own
    for key, patterns in (("columns", search.columns), ("transforms", tuple(search.transforms))):
        for pattern in patterns:
            if matches((pattern,), names) if key == "columns" else pattern in names:
                continue
            if matches((pattern,), tuple(unused)):
                wanted = f"{key} under [phenotypes] names a column that is not used as a feature"
                findings.warn("unused feature", "[phenotypes]", wanted, column=pattern)
            else:
                hint = nearest(pattern, names or sorted(unused))
                wanted = f"there is no such feature, which {key} names; {hint}"
                findings.error("no such feature", "[phenotypes]", wanted, column=pattern)
    chosen = searched_columns(settings, features)
    if all_there and search.columns and 0 < len(chosen) < FEWEST:
        wanted = f"{FEWEST} features or more are wanted to look for groups"
        findings.error("few features", "[phenotypes]", wanted, column="columns", found=len(chosen))
    for name, scale in search.transforms.items():
        if scale == "log" and name in names:
            low = np.nanmin(features[name].to_numpy(dtype=float))
            if low <= 0:
                wanted = "values above 0 are wanted for a logarithm; rank-normal takes any"
                findings.error("no logarithm", "[phenotypes]", wanted, column=name, found=f"{low:g}")


def check_freeze(
    settings: StudyFile, features: pd.DataFrame, unused: dict[str, str], findings: Findings
) -> None:
    """Note names under `freeze` that are no feature; `unused` says why of columns that are none, "" where
    a fault of their own is told."""
    for at, name in enumerate(settings.analysis.freeze, start=1):
        if name in features.columns or (name in unused and not unused[name]):
            continue
        known = features.columns if len(features.columns) else sorted(unused)
        hint = f"left out: {unused[name]}" if name in unused else nearest(name, known)
        wanted = f"the name of a feature is wanted; {hint}"
        place = f"analysis.freeze[{at}]"
        findings.error("no such feature to freeze", "study.toml", wanted, found=name, column=place)
