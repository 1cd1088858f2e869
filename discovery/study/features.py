"""Which columns are features, their numbers, and which are left out and why."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatchcase

import numpy as np
import pandas as pd

from discovery.problems import shown
from discovery.study.findings import Findings
from discovery.study.leaks import REPEATS_ABOVE, SUSPECT_ABOVE, equal_features, repeats, suspects
from discovery.study.numbers import same_value, varies
from discovery.study.outcome import Outcome
from discovery.study.outcomes import outcome_columns
from discovery.study.settings import Features, StudyFile
from discovery.study.source import Source, doubt_writing
from discovery.study.tables import holds_row_numbers
from discovery.study.vocabulary import nearest_column

MANY_MISSING = 0.4
BLOCK = 2000  # features compared with the outcomes at a time, to bound the memory


@dataclass
class Exclusions:
    """Columns that are not used as features, and why; `outcome` is empty when it holds for all.

    flat : the values of those in which every patient has the same one
    """

    rows: list[tuple[str, str, str]] = field(default_factory=list)
    flat: dict[str, np.ndarray] = field(default_factory=dict)

    def add(self, feature: str, reason: str, outcome: str = "") -> None:
        self.rows.append((feature, reason, outcome))

    def table(self) -> pd.DataFrame:
        return pd.DataFrame(self.rows, columns=["feature", "reason", "outcome"])


def is_glob(pattern: str, columns: Collection[str]) -> bool:
    """Whether a name is a pattern: it has a wildcard and is not itself the name of a column."""
    return any(sign in pattern for sign in "*?[") and pattern not in columns


def matches(patterns: tuple[str, ...], columns: tuple[str, ...]) -> list[str]:
    """The columns that any of the patterns names, in the order of the table."""
    known = set(columns)
    globs = [pattern for pattern in patterns if is_glob(pattern, known)]
    names = set(patterns) - set(globs)
    return [
        column for column in columns if column in names or any(fnmatchcase(column, glob) for glob in globs)
    ]


def roles_of_columns(settings: StudyFile, id_column: str) -> dict[str, str]:
    """Columns with a role that bars them from being features, and the role in words."""
    roles: dict[str, str] = {}
    for outcome in settings.outcomes:
        roles |= {column: f"column of the outcome {outcome.name}" for column in outcome_columns(outcome)}
    covariates = (*settings.patients.adjust_for, *settings.patients.adjust_more)
    roles |= {column: "covariate of the base model" for column in covariates}
    if settings.patients.site is not None:
        roles[settings.patients.site] = "site"
    if settings.patients.etiology is not None:
        roles[settings.patients.etiology] = "etiology"
    if settings.patients.measured_at is not None:
        roles[settings.patients.measured_at] = "time of measurement"
    roles |= {settings.patients.id: "id", id_column: "id"}
    return roles


def choose_features(
    source: Source, settings: StudyFile, id_column: str, excluded: Exclusions, *, own_table: bool
) -> list[str]:
    """The names of the feature columns, by name, by pattern, or every numeric column without a role.

    `own_table` is whether the features stand in another table than the patients, where a covariate
    is worth a word.
    """
    chosen: Features = settings.features  # type: ignore[assignment]
    columns = source.table.columns
    roles = roles_of_columns(settings, id_column)
    findings = source.findings
    named = {pattern for pattern in chosen.columns if not is_glob(pattern, columns)}
    for key in ("columns", "exclude", "beyond_limit"):
        for pattern in getattr(chosen, key):
            if not matches((pattern,), columns):
                what = (
                    "no column matches this pattern"
                    if is_glob(pattern, columns)
                    else "there is no such column"
                )
                wanted = f"{what}, which {key} under [features] names; {nearest_column(pattern, columns)}"
                findings.error("no such column", source.file, wanted, column=pattern)
    for column in columns:
        if column in named and column in roles:
            role = roles[column]
            if role.startswith("covariate"):
                wanted = (
                    "this stands in adjust_for and in columns under [features]: it can be one of them only"
                )
            else:
                wanted = (
                    f"this cannot be a feature, it is the {role}; take it out of columns under [features]"
                )
            findings.error("role taken", source.file, wanted, column=column)
    candidates = matches(chosen.columns, columns) if chosen.columns else list(columns)
    left_out = set(matches(chosen.exclude, columns))
    limited = set(matches(chosen.beyond_limit, columns))
    features = []
    for column in candidates:
        if column in roles:
            if own_table and roles[column].startswith("covariate") and column not in named:
                wanted = "this is a covariate of the base model and is not used as a feature"
                findings.warn("covariate, no feature", source.file, wanted, column=column)
            if roles[column] != "id" and column not in named:
                excluded.add(column, roles[column])
        elif column in left_out:
            excluded.add(column, "named in exclude")
        elif holds_row_numbers(column) and column not in named:
            excluded.add(column, "row numbers, stored beside the columns")
        elif column in named or column in limited or source.numbers(column).numeric:
            features.append(column)
        else:
            excluded.add(column, "text, not numbers")
            if not doubt_writing(source, column, "it is not used as a feature") and chosen.columns:
                wanted = (
                    "this column matches a pattern of columns, but holds text; it is not used as a feature"
                )
                findings.warn("text, no feature", source.file, wanted, column=column)
    return features


def keep_varying(
    names: list[str], columns: Iterable[np.ndarray], file: str, findings: Findings, excluded: Exclusions
) -> tuple[list[str], np.ndarray]:
    """The features that vary, (n, p) with NaN missing, and their names; the others are listed as excluded."""
    kept: list[str] = []
    values: list[np.ndarray] = []
    for name, column in zip(names, columns):
        known = column[np.isfinite(column)]
        if not known.size:
            excluded.add(name, "all values are missing")
            findings.warn("empty feature", file, "all values are missing; it is left out", column=name)
        elif not varies(known):
            excluded.add(name, "constant")
            excluded.flat[name] = column
            wanted = f"{same_value(known.size, column.size)}; the feature is left out"
            findings.warn("constant feature", file, wanted, found=f"{known[0]:g}", column=name)
        else:
            missing = column.size - known.size
            if missing > MANY_MISSING * column.size:
                wanted = f"a value is missing in {missing} of {column.size} patients"
                findings.warn("mostly missing feature", file, wanted, column=name)
            kept.append(name)
            values.append(column)
    return kept, np.column_stack(values) if values else np.empty((0, 0))


def leave_out_repeats(
    names: list[str],
    values: np.ndarray,
    covariates: pd.DataFrame,
    file: str,
    findings: Findings,
    excluded: Exclusions,
) -> list[int]:
    """Positions without the features that say what a covariate says: adjusted for it, they say nothing."""
    kept = []
    closest: dict[int, tuple[str, float]] = {}
    for covariate in covariates.columns:
        for begin in range(0, len(names), BLOCK):
            close = repeats(values[:, begin : begin + BLOCK], covariates[covariate])
            for at in np.flatnonzero(close > REPEATS_ABOVE):
                closest.setdefault(begin + int(at), (covariate, float(close[at])))
    for position, name in enumerate(names):
        if position not in closest:
            kept.append(position)
            continue
        covariate, strength = closest[position]
        excluded.add(name, f"repeats covariate {covariate}")
        wanted = f"this repeats the covariate {shown(covariate)}; it is left out of the features"
        findings.warn("repeats a covariate", file, wanted, found=f"|r| {strength:.4f}", column=name)
    return kept


def leave_out_leaks(
    names: list[str],
    values: np.ndarray,
    outcomes: Sequence[Outcome],
    file: str,
    findings: Findings,
    excluded: Exclusions,
    seed: int,
) -> list[int]:
    """Positions without the features that equal an outcome; nearly equal ones are kept with a warning."""
    leak: dict[int, str] = {}
    for begin in range(0, len(names), BLOCK):
        block = values[:, begin : begin + BLOCK]
        for outcome in outcomes:
            equal = np.flatnonzero(equal_features(block, outcome))
            leak |= {begin + int(at): outcome.name for at in equal if begin + int(at) not in leak}
            for at, (measure, strength) in suspects(block, outcome, seed).items():
                name = names[begin + at]
                if begin + at in leak or name in outcome.excluded_features:
                    continue
                wanted = (
                    f"suspected leak: alone it reproduces the outcome {outcome.name!r} "
                    f"({measure} above {SUSPECT_ABOVE}); was it known before the outcome? "
                    "If the outcome is made from it, name it in defined_from"
                )
                found = f"{measure} {strength:.3f}"
                findings.warn("suspected leak", file, wanted, found=found, column=name)
    for position, outcome_name in sorted(leak.items()):
        excluded.add(names[position], f"leak: equals the outcome {outcome_name}")
        wanted = f"leak: this equals the outcome {outcome_name!r}; it is left out of the features"
        findings.warn("leak", file, wanted, column=names[position])
    return [position for position in range(len(names)) if position not in leak]


def defined_from(
    settings: StudyFile,
    columns: tuple[str, ...],
    features: list[str],
    file: str,
    findings: Findings,
    excluded: Exclusions,
) -> dict[str, tuple[str, ...]]:
    """For each outcome the features that hold a term of its definition, which are not tested against it.

    A name that no column has is a fault, unless recordings may still give such a feature.
    """
    by_outcome: dict[str, tuple[str, ...]] = {}
    chosen = set(features)
    for outcome in settings.outcomes:
        for pattern in outcome.defined_from:
            if settings.recordings is None and not matches((pattern,), columns):
                hint = nearest_column(pattern, columns)
                wanted = f"there is no such feature, which defined_from of {outcome.name!r} names; {hint}"
                findings.error("no such column", file, wanted, column=pattern)
        named = tuple(name for name in matches(outcome.defined_from, columns) if name in chosen)
        if settings.recordings is None and chosen and len(named) == len(chosen):
            wanted = f"a feature that the outcome is not defined from is wanted; these are all {len(named)}"
            place = f"defined_from of {outcome.name}"
            found = ", ".join(outcome.defined_from)
            findings.error("no feature left", "study.toml", wanted, found=found, column=place)
        for name in named:
            excluded.add(name, f"part of the definition of {outcome.name}", outcome.name)
        by_outcome[outcome.name] = named
    return by_outcome
