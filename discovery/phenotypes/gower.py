"""Dissimilarity of patients described by numbers and categories together."""

from __future__ import annotations

import numpy as np
import pandas as pd


def gower_dissimilarity(table: pd.DataFrame) -> np.ndarray:
    """Gower's dissimilarity (n, n) of the rows of `table`: 0 the same in all, 1 as far apart as can be.

    A numeric column counts by the distance over its range, any other by mismatch. A column missing in
    either patient is left out of that pair; a pair with no common column is NaN.

    References
    ----------
    Gower, Biometrics 1971;27:857-871.
    """
    n = len(table)
    total, seen = np.zeros((n, n)), np.zeros((n, n))
    for name in table.columns:
        column = table[name]
        known = column.notna().to_numpy()
        both = np.outer(known, known)
        if pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column):
            value = column.to_numpy(dtype=float, na_value=np.nan)
            span = float(np.ptp(value[known])) if known.any() else 0.0
            away = np.abs(value[:, None] - value[None, :]) / (span if span > 0 else 1.0)
        else:
            code = pd.factorize(column)[0]
            away = (code[:, None] != code[None, :]).astype(float)
        total += np.where(both, away, 0.0)
        seen += both
    with np.errstate(invalid="ignore"):
        return total / np.where(seen > 0, seen, np.nan)
