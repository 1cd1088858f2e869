"""The base model's columns: covariates as numbers, categories as indicators, sites as levels.

What is learned here (means, SDs, levels, references) belongs to the discovery cohort and is kept, so
that the same base model can be written down for a second cohort.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from discovery.problems import InputError, Problem, nearest, shown
from discovery.study.numbers import as_number


@dataclass(frozen=True, kw_only=True)
class Term:
    """One column of the base model.

    `level` is empty for a number (then the column is (value - mean) / sd), else the category that the
    column indicates, against `reference`.
    """

    name: str
    covariate: str
    level: str = ""
    reference: str = ""
    mean: float = 0.0
    sd: float = 1.0

    @property
    def contrast(self) -> str:
        """What a change of 1 in the column means: "per 1 SD", or "female against male"."""
        return f"{self.level} against {self.reference}" if self.level else "per 1 SD"


@dataclass(frozen=True, kw_only=True)
class BaseCoding:
    """The terms of the base model, in order, and what was remarked while they were made."""

    terms: tuple[Term, ...]
    notes: tuple[str, ...] = ()

    def apply(self, covariates: pd.DataFrame) -> np.ndarray:
        """Columns (n_patients, n_terms); NaN where the covariate is missing.

        A category that was not there when the coding was learned raises `InputError`: it has no
        coefficient. So does a label where a number was.
        """
        self._require(covariates)
        columns = np.empty((len(covariates), len(self.terms)))
        for j, term in enumerate(self.terms):
            values = covariates[term.covariate]
            if term.level:
                columns[:, j] = (as_levels(values) == term.level).to_numpy(dtype=float)
                columns[values.isna().to_numpy(), j] = np.nan
            else:
                columns[:, j] = (values.to_numpy(dtype=float, na_value=np.nan) - term.mean) / term.sd
        return columns

    def _require(self, covariates: pd.DataFrame) -> None:
        problems = []
        known: dict[str, set[str]] = {}
        for term in self.terms:
            if term.covariate not in covariates.columns:
                hint = nearest(term.covariate, covariates.columns)
                problems.append(
                    Problem(file="covariates", column=term.covariate, wanted=f"the column; {hint}")
                )
            elif term.level:
                known.setdefault(term.covariate, {term.reference}).add(term.level)
            elif not of_numbers(covariates[term.covariate]):
                labels = as_levels(covariates[term.covariate].dropna())
                words = [label for label in labels if as_number(label, comma=False) is None]
                found = words[0] if words else labels.iloc[0]
                problems.append(
                    Problem(file="covariates", column=term.covariate, found=found, wanted="a number")
                )
        for name, levels in known.items():
            if name in covariates.columns:
                new = sorted(set(as_levels(covariates[name].dropna())) - levels)
                problems += [
                    Problem(
                        file="covariates",
                        column=name,
                        found=level,
                        wanted=f"one of {', '.join(sorted(levels))}",
                    )
                    for level in new
                ]
        if problems:
            raise InputError(problems)


def learn_coding(covariates: pd.DataFrame) -> BaseCoding:
    """The terms for `covariates` (n_patients, n_covariates), learned on the rows given.

    A number is centred and divided by its SD (divisor n - 1). A covariate with two values, or one of
    text, is coded by indicators against its most frequent level (the first in sorting order when two
    are equally frequent; the lower value for a number with two values). A covariate with one value is
    left out, with a note.
    """
    terms: list[Term] = []
    notes: list[str] = []
    problems: list[Problem] = []
    for column in covariates.columns:
        name, known = str(column), covariates[column].dropna()
        distinct = known.nunique()
        if distinct < 2:
            found = f"only the value {shown(known.iloc[0])}" if len(known) else "no value"
            notes.append(f"covariate {name} left out: {found} among the patients analysed")
        elif distinct == 2 or not of_numbers(known):
            terms += _indicators(name, known)
        else:
            numbers = known.to_numpy(dtype=float)
            if not np.isfinite(numbers).all():
                problem = Problem(
                    file="covariates", column=name, found="an infinite value", wanted="finite numbers"
                )
                problems.append(problem)
                continue
            mean, sd = float(numbers.mean()), float(numbers.std(ddof=1))
            terms.append(Term(name=name, covariate=name, mean=mean, sd=sd))
    if problems:
        raise InputError(problems)
    return BaseCoding(terms=tuple(terms), notes=tuple(notes))


def _indicators(name: str, known: pd.Series) -> list[Term]:
    """A term for each level but the one that the others are compared with."""
    if of_numbers(known):
        levels = list(as_levels(known.sort_values()).unique())
        reference = levels[0]
    else:
        counts = as_levels(known).value_counts()
        levels = sorted(counts.index)
        reference = min(levels, key=lambda level: (-counts[level], level))
    return [
        Term(name=f"{name}={level}", covariate=name, level=level, reference=reference)
        for level in levels
        if level != reference
    ]


def of_numbers(column: pd.Series) -> bool:
    return pd.api.types.is_numeric_dtype(column) or pd.api.types.is_bool_dtype(column)


def as_levels(values: pd.Series) -> pd.Series:
    """Category labels as text; a whole number loses its ".0", so 1 and 1.0 are one level."""

    def label(value: object) -> str:
        if isinstance(value, (bool, np.bool_)):
            return "yes" if value else "no"
        if isinstance(value, (float, np.floating)) and float(value).is_integer():
            return str(int(value))
        return str(value)

    return pd.Series([label(v) for v in values], index=values.index, dtype=object)


def keep_independent(
    columns: np.ndarray, *, among: np.ndarray | None = None, tolerance: float = 1e-7
) -> np.ndarray:
    """Which columns (bool, n_columns) are not a linear mix of the ones before them.

    `among` (n_rows, k) are columns that come first and are always kept, such as an intercept or site
    indicators. A column counts as a mix when less than `tolerance` of its length is left after
    the others are taken out.
    """
    n, m = columns.shape
    kept = np.zeros(m, dtype=bool)
    basis = np.linalg.qr(among)[0] if among is not None and among.size else np.empty((n, 0))
    for j in range(m):
        length = np.linalg.norm(columns[:, j])
        if not length > 0:
            continue
        rest = columns[:, j] / length
        for _ in range(2):  # twice is enough for orthogonality to working precision
            rest = rest - basis @ (basis.T @ rest)
        left = np.linalg.norm(rest)
        if left > tolerance:
            kept[j] = True
            basis = np.column_stack([basis, rest / left])
    return kept
