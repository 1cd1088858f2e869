"""Features on a common scale: winsorised, then in standard deviations of the discovery cohort.

The limits, mean and SD are learned once, on the cohort, and kept: a second cohort is put on the same
scale with `FeatureScaling.apply`.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from discovery.kernels.ordered import quantiles_of_ordered
from discovery.problems import InputError, Problem, nearest

WINSOR = (0.01, 0.99)


@dataclass(frozen=True, kw_only=True)
class FeatureScaling:
    """How raw feature values become z-scores.

    `table`: one row a feature (index), columns low, high (winsor limits, raw unit; infinite when not
    winsorised), mean, sd (of the winsorised values, divisor n - 1), n (values seen), note.
    """

    table: pd.DataFrame

    def apply(self, features: pd.DataFrame) -> np.ndarray:
        """z-scores (n_patients, n_features) in the order of `table`; a missing value stays NaN.

        A feature without spread (sd 0) gives 0 everywhere. `InputError` lists every feature that the
        table lacks.
        """
        missing = [name for name in self.table.index if name not in features.columns]
        if missing:
            raise InputError(
                [
                    Problem(
                        file="features",
                        column=str(name),
                        wanted=f"the column; {nearest(name, features.columns)}",
                    )
                    for name in missing
                ]
            )
        raw = features[list(self.table.index)].to_numpy(dtype=float)
        low, high, mean, sd = (self.table[c].to_numpy(dtype=float) for c in ("low", "high", "mean", "sd"))
        spread = np.where(sd > 0, sd, 1.0)
        scaled = (np.clip(raw, low, high) - mean) / spread
        flat = ~(sd > 0)
        scaled[:, flat] = np.where(np.isnan(raw[:, flat]), np.nan, 0.0)
        return scaled


def learn_scaling(
    features: pd.DataFrame, winsor: tuple[float, float] | bool | None = WINSOR
) -> FeatureScaling:
    """Winsor limits, mean and SD of every feature over all patients given.

    Parameters
    ----------
    features : DataFrame (n_patients, n_features), raw units, NaN missing
    winsor : (low, high) quantiles in [0, 1], or False/None to take the values as they are
        Quantiles are linear between order statistics (type 7). A feature that would lose all its
        spread, such as a rare 0/1 finding, is not winsorised, and its note says so.

    Raises
    ------
    InputError : quantiles out of order, an infinite value.
    """
    limits = _checked_limits(winsor)
    raw = features.to_numpy(dtype=float)
    infinite = np.isinf(raw).any(axis=0)
    if infinite.any():
        raise InputError(
            [
                Problem(
                    file="features",
                    column=str(name),
                    found="an infinite value",
                    wanted="finite numbers or empty",
                )
                for name in features.columns[infinite]
            ]
        )
    ordered = np.sort(raw.T, axis=1)  # missing values last
    seen = (~np.isnan(ordered)).sum(axis=1)
    rows = [_scale_of(raw[:, j], own[:n], limits) for j, (own, n) in enumerate(zip(ordered, seen))]
    table = pd.DataFrame(
        rows,
        columns=["low", "high", "mean", "sd", "n", "note"],
        index=features.columns.rename("feature"),
    )
    return FeatureScaling(table=table)


def _scale_of(
    column: np.ndarray, ordered: np.ndarray, limits: tuple[float, float] | None
) -> tuple[Hashable, ...]:
    n = len(ordered)
    if not n:
        return (-np.inf, np.inf, np.nan, np.nan, 0, "no value")
    least, most = ordered[0], ordered[-1]
    low, high, note = -np.inf, np.inf, ""
    if limits is not None:
        low, high = quantiles_of_ordered(ordered, np.array(limits))
        if low == high and least < most:
            low, high, note = -np.inf, np.inf, "not winsorised: nearly all values are the same"
    clipped = np.clip(column if n == len(column) else column[~np.isnan(column)], low, high)
    mean = float(clipped.mean())
    # a constant column may show a spread of rounding size: call it 0
    varies = max(least, low) < min(most, high)
    sd = float(np.sqrt(((clipped - mean) ** 2).sum() / (n - 1))) if varies else 0.0
    return (low, high, mean, sd, n, note)


def _checked_limits(winsor: tuple[float, float] | bool | None) -> tuple[float, float] | None:
    if winsor is None or winsor is False:
        return None
    if winsor is True:
        return WINSOR
    low, high = winsor
    if not 0 <= low < high <= 1:
        raise InputError(
            [
                Problem(
                    file="winsor", found=str(list(winsor)), wanted="two rising quantiles in [0, 1], or false"
                )
            ]
        )
    return float(low), float(high)
