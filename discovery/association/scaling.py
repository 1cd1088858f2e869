"""Features on a common scale: winsorised, then in standard deviations of the discovery cohort.

The limits, mean and SD are learned once, on the cohort, and kept: a second cohort is put on the same
scale with `FeatureScaling.apply`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

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
        same = self.table.index.equals(features.columns)
        raw = _columns_of(features if same else features[list(self.table.index)])
        return _scaled(raw, _Scales(*(self.table[c].to_numpy() for c in _Scales._fields)))


class _Scales(NamedTuple):
    """The columns of `FeatureScaling.table` (p,)."""

    low: np.ndarray
    high: np.ndarray
    mean: np.ndarray
    sd: np.ndarray
    n: np.ndarray
    note: np.ndarray

    def table(self, names: pd.Index) -> FeatureScaling:
        index = names.rename("feature")
        return FeatureScaling(table=pd.DataFrame(self._asdict(), index=index, copy=False))


def _scaled(raw: np.ndarray, scales: _Scales) -> np.ndarray:
    """z-scores (n, p) of columns (p, n)."""
    from discovery.kernels.winsor import scaled_columns

    low, high, mean, sd = (np.asarray(column, dtype=float) for column in scales[:4])
    scaled = scaled_columns(raw, low, high, mean, np.where(sd > 0, sd, 1.0))
    flat = np.flatnonzero(~(sd > 0))
    if flat.size:
        scaled[:, flat] = np.where(np.isnan(raw[flat].T), np.nan, 0.0)
    return scaled


def _columns_of(features: pd.DataFrame) -> np.ndarray:
    """(p, n) in C order, which is how a table keeps columns that were read together."""
    return np.ascontiguousarray(features.to_numpy(dtype=float).T)


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
    return _learned(_columns_of(features), features.columns, limits).table(features.columns)


def learn_and_scale(
    features: pd.DataFrame, winsor: tuple[float, float] | bool | None = WINSOR
) -> tuple[FeatureScaling, np.ndarray]:
    """`learn_scaling` and, of the same features, `FeatureScaling.apply`."""
    raw = _columns_of(features)
    scales = _learned(raw, features.columns, _checked_limits(winsor))
    return scales.table(features.columns), _scaled(raw, scales)


def _learned(raw: np.ndarray, names: pd.Index, limits: tuple[float, float] | None) -> _Scales:
    from discovery.kernels.winsor import clipped_moments, limits_of_columns

    found = limits_of_columns(raw, *(limits or (0.0, 1.0)))
    infinite = np.isinf(found.least) | np.isinf(found.most)
    if infinite.any():
        raise InputError(
            [
                Problem(
                    file="features",
                    column=str(name),
                    found="an infinite value",
                    wanted="finite numbers or empty",
                )
                for name in names[infinite]
            ]
        )
    some, varies = found.seen > 0, found.least < found.most
    kept = varies & (found.low == found.high) if limits else np.zeros(len(some), dtype=bool)
    open_ended = kept | (limits is None) | ~some
    low, high = np.where(open_ended, -np.inf, found.low), np.where(open_ended, np.inf, found.high)
    mean, square = clipped_moments(raw, found, low, high)
    # a constant column may show a spread of rounding size: call it 0
    varies &= np.maximum(found.least, low) < np.minimum(found.most, high)
    sd = np.sqrt(np.where(varies, square, 0.0) / np.maximum(found.seen - 1, 1))
    note = np.where(kept, "not winsorised: nearly all values are the same", "").astype(object)
    note[~some] = "no value"
    return _Scales(low, high, mean, np.where(some, sd, np.nan), found.seen, note)


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
