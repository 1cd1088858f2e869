"""Covariates of a regression as a matrix: text and categories become indicator columns."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from discovery.survival.refusals import refuse


class Design(NamedTuple):
    """`matrix` (n, k) with one name a column; `variable` tells which covariate a column belongs to."""

    matrix: np.ndarray
    names: tuple[str, ...]
    variable: tuple[str, ...]
    complete: np.ndarray  # (n,) bool: no covariate is missing
    levels: dict[str, tuple[str, ...]]  # of the text covariates, the reference first


def design_matrix(covariates, *, like: Design | None = None) -> Design:
    """Indicator columns against the first level for text and categories, numbers as they are.

    Parameters
    ----------
    covariates : DataFrame (n, …), Series or array (n,) or (n, k)
        The reference of a categorical is its first category, of text the first in the alphabet. A
        missing or infinite value makes the row incomplete, not the matrix shorter.
    like : Design, optional
        Columns of an earlier design, for prediction: the same names, unknown levels refused.
    """
    table = as_table(covariates)
    columns: list[np.ndarray] = []
    names: list[str] = []
    variable: list[str] = []
    known: dict[str, tuple[str, ...]] = {}
    complete = np.ones(len(table), dtype=bool)
    for name in table.columns:
        values = table[name]
        if pd.api.types.is_numeric_dtype(values) and not isinstance(values.dtype, pd.CategoricalDtype):
            number = values.to_numpy(dtype=float, na_value=np.nan)
            complete &= np.isfinite(number)
            columns.append(number)
            names.append(str(name))
            variable.append(str(name))
            continue
        complete &= values.notna().to_numpy()
        text = values.astype("object").map(str, na_action="ignore")
        if like is None:
            present = values.astype("category").cat.remove_unused_categories().cat.categories
            levels = tuple(str(level) for level in present)
        else:
            levels = like.levels.get(str(name), ())
            unknown = sorted(set(text.dropna()) - set(levels))
            if unknown:
                refuse("covariates", "known levels: " + ", ".join(levels), column=str(name), found=unknown[0])
        known[str(name)] = levels
        for level in levels[1:]:
            columns.append((text == level).to_numpy(dtype=float))
            names.append(f"{name}={level}")
            variable.append(str(name))
    matrix = np.column_stack(columns) if columns else np.empty((len(table), 0))
    if like is not None and tuple(names) != like.names:
        refuse("covariates", "wanted the columns " + ", ".join(like.names), found=", ".join(names))
    return Design(matrix, tuple(names), tuple(variable), complete, known)


def require_full_rank(source: str, matrix: np.ndarray, names) -> None:
    """Refuse columns that are constant, or combinations of columns before them, naming those."""
    spread = matrix.std(axis=0)
    scaled = (matrix - matrix.mean(axis=0)) / np.where(spread > 0, spread, 1.0)
    bad = [name for name, width in zip(names, spread) if not width > 0]
    _, triangle = np.linalg.qr(scaled)
    own = np.abs(np.diag(triangle)) / np.sqrt(len(matrix))
    bad += [name for name, left, width in zip(names, own, spread) if width > 0 and left < 1e-7]
    if len(matrix) <= matrix.shape[1] or bad:
        found = ", ".join(bad) if bad else f"{matrix.shape[1]} columns for {len(matrix)} rows"
        refuse(
            source,
            "wanted columns that vary and are no combination of others",
            column="covariates",
            found=found,
        )


def as_table(covariates) -> pd.DataFrame:
    """A DataFrame of `covariates`; nameless columns are x1, x2, …"""
    if isinstance(covariates, pd.DataFrame):
        return covariates
    if isinstance(covariates, pd.Series):
        return covariates.to_frame(covariates.name if covariates.name is not None else "x1")
    array = np.asarray(covariates)
    array = array[:, None] if array.ndim == 1 else array
    if array.ndim != 2:
        refuse("covariates", "wanted one row a patient and one column a covariate", found=str(array.shape))
    return pd.DataFrame(array, columns=[f"x{i + 1}" for i in range(array.shape[1])])
