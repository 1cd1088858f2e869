"""One model with all its coefficients and their covariance, for outcomes of every kind that has one."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from discovery.association.kinds import kind_of
from discovery.association.response import Response


class FullFit(NamedTuple):
    coef: np.ndarray  # of the columns given, without the intercept
    covariance: np.ndarray
    loglik: float
    df: float  # residual degrees of freedom; infinite unless the outcome is continuous
    converged: bool


def fit_all(response: Response, columns: np.ndarray, firth: bool) -> FullFit:
    """Coefficients of all columns; a column that is a mix of those before it has NaN variance."""
    return kind_of(response.kind).full_fit(response, columns, firth)
