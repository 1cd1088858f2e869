"""The columns of a plan, checked and scaled, the same for every kind of model."""

from __future__ import annotations

import numpy as np

from .columns import as_matrix, as_observed, column_scales


def finite_matrix(values, n: int, name: str) -> np.ndarray:
    """`as_matrix` of values that are all finite; ValueError otherwise."""
    matrix = as_matrix(values, n, name)
    if not np.isfinite(matrix).all():
        raise ValueError(f"{name} must be finite")
    return matrix


def plan_columns(n: int, base, features, observed) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """`base` (n, q), `features` (n, p) as float arrays in C order, and which of their values are used (n, p).

    Raises
    ------
    ValueError
        Shapes differ, or base is not finite.
    """
    base = finite_matrix(base, n, "base")
    features = as_matrix(features, n, "features")
    return base, features, as_observed(observed, features)


def whole_scales(columns: np.ndarray, rows: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Centre and spread (q,) of columns without gaps, over the rows (n,) bool; all of them otherwise."""
    rows = np.ones(len(columns), dtype=bool) if rows is None else rows
    return column_scales(columns, rows, np.ones(columns.shape, dtype=bool))
