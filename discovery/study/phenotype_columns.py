"""The features that `[phenotypes]` and `freeze` name, held against those that are there."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from discovery.problems import nearest, shown
from discovery.study.features import matches
from discovery.study.findings import Findings
from discovery.study.settings import StudyFile

FEWEST = 3
STUDY_FILE = "study.toml"


def searched_columns(settings: StudyFile, features: pd.DataFrame) -> list[str]:
    """The features that take part in the search for groups, in the order of the table."""
    names = tuple(map(str, features.columns))
    return matches(settings.phenotypes.columns, names) if settings.phenotypes.columns else list(names)


def check_search(
    settings: StudyFile, features: pd.DataFrame, unused: set[str], findings: Findings, *, all_there: bool
) -> None:
    """Note names that no feature has, too few features, and logarithms of values at or below 0.

    unused : columns that are no features for a reason told elsewhere; naming one is a doubt, no fault
    all_there : none is missing from `features` for a fault of its own
    """
    search, names = settings.phenotypes, tuple(map(str, features.columns))
    columns = [(f"phenotypes.columns[{at}]", name) for at, name in enumerate(search.columns, start=1)]
    scaled = [(place_of_scale(name), name) for name in search.transforms]
    for place, pattern in (*columns, *scaled):
        if matches((pattern,), names) if (place, pattern) in columns else pattern in names:
            continue
        if matches((pattern,), tuple(unused)):
            wanted = "a feature is wanted; this column is not used as one"
            findings.warn("unused feature", STUDY_FILE, wanted, found=pattern, column=place)
        else:
            wanted = f"there is no such feature; {nearest(pattern, names or sorted(unused))}"
            findings.error("no such feature", STUDY_FILE, wanted, found=pattern, column=place)
    chosen = searched_columns(settings, features)
    if all_there and search.columns and 0 < len(chosen) < FEWEST:
        wanted = f"{FEWEST} features or more are wanted to look for groups"
        findings.error("few features", STUDY_FILE, wanted, column="phenotypes.columns", found=len(chosen))
    if search.site_centred and settings.patients.site is None:
        wanted = (
            "without a site under [patients] there is no mean of a site to take out; the search does without"
        )
        findings.warn("no site", STUDY_FILE, wanted, found="true", column="phenotypes.site_centred")
    for name, scale in search.transforms.items():
        if scale == "log" and name in names:
            low = np.nanmin(features[name].to_numpy(dtype=float))
            if low <= 0:
                wanted = (
                    f"values above 0 are wanted for a logarithm, the lowest of {shown(name)} is {low:g}; "
                    "rank-normal takes any"
                )
                findings.error("no logarithm", STUDY_FILE, wanted, found=scale, column=place_of_scale(name))


def place_of_scale(feature: str) -> str:
    """The key that scales a feature, or the table of such keys where its name cannot stand in a place."""
    return "phenotypes.transforms" + (f".{feature}" if re.fullmatch(r"\w+", feature) else "")


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
        findings.error("no such feature to freeze", STUDY_FILE, wanted, found=name, column=place)
