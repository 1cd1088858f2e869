"""One model with all its coefficients and their covariance, for outcomes of every kind that has one."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from discovery.association.outcome_models import EFFECT
from discovery.association.response import Response
from discovery.problems import InputError, Problem


class FullFit(NamedTuple):
    coef: np.ndarray  # of the columns given, without the intercept
    covariance: np.ndarray
    loglik: float
    df: float  # residual degrees of freedom; infinite unless the outcome is continuous
    converged: bool


def fit_all(response: Response, columns: np.ndarray, firth: bool) -> FullFit:
    """Coefficients of all columns; a column that is a mix of those before it has NaN variance."""
    if response.kind == "survival":
        from discovery.kernels.cox import fit_cox

        fit = fit_cox(
            response.time,
            response.event,
            columns,
            entry=response.entry,
            stratum=response.stratum,
            firth=firth,
        )
        return FullFit(fit.coef, fit.covariance, fit.loglik, np.inf, fit.converged)
    if response.kind == "binary":
        from discovery.kernels.logistic import fit_logistic

        odds = fit_logistic(response.y, columns, firth=firth)
        return FullFit(odds.coef[1:], odds.covariance[1:, 1:], odds.loglik, np.inf, odds.converged)
    if response.kind == "continuous":
        from discovery.kernels.linear import fit_linear

        line = fit_linear(response.y, columns)
        return FullFit(line.coef[1:], line.covariance[1:, 1:], line.loglik, line.df, line.code in (0, 1, 4))
    raise InputError(
        [Problem(file="outcome", column="kind", found=response.kind, wanted=f"one of {', '.join(EFFECT)}")]
    )
