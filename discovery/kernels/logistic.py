"""Logistic models for many features with shared covariates, plain or with Firth's penalty.

Firth (1993), Biometrika 80:27-38; the penalised likelihood-ratio test of Heinze & Schemper (2002), Stat Med
21:2409-2419: the model without the feature keeps the penalty of the whole design.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .columns import as_column, as_weights
from .logistic_fits import LogisticData, fit_one_logistic
from .logistic_penalised import profile_all_penalised, screen_all_penalised
from .logistic_screen import profile_all_logistic, screen_all_logistic, tiles_of
from .one_fit import in_callers_units
from .plan_columns import finite_matrix, plan_columns, whole_scales
from .scales import feature_scales
from .screen_fit import ScreenFit, as_codes, quantile_root, signed_root


class LogisticFit(NamedTuple):
    """One logistic model with an intercept and k columns.

    coef : (1 + k,) log odds, intercept first, in the caller's units; 0 for a column without information.
    covariance : (1 + k, 1 + k) inverse information; NaN in row and column of a column without information.
    loglik, loglik_null : log likelihood at `coef` and with the intercept alone; with Firth both are
        penalised by the information of the whole design.
    code : 0 ok; 1 or 4 some column has no information (constant, or a combination of columns before it)
        and the others are estimated without it; 2, 3, 5 as in `screen_fit.REASONS`, without estimates.
    converged : there are estimates (code 0, 1 or 4).
    iterations : evaluations with an accepted step.
    n, events : rows used, and those with y = 1.
    """

    coef: np.ndarray
    covariance: np.ndarray
    loglik: float
    loglik_null: float
    code: int
    converged: bool
    iterations: int
    n: int
    events: int


class LogisticPlan:
    """Columns checked and scaled, ready to be fitted with any case weights.

    Parameters
    ----------
    y : array (n,), 0 or 1
    base : array (n, q) or None, covariates of every model, without the intercept; finite
    features : array (n, p), one model each; a value that is not finite is missing
    observed : bool array (n, p) or None, False leaves a feature's row out of both its models

    Raises
    ------
    ValueError
        Shapes differ, or y or base are not finite, or y is not 0/1.
    """

    def __init__(self, y, base, features, *, observed=None):
        n = np.shape(y)[0]
        y = as_column(y, n, "y")
        if not np.isin(y, (0.0, 1.0)).all():
            raise ValueError("y must be 0 or 1")
        base, features, observed = plan_columns(n, base, features, observed)
        base_centre, base_spread = whole_scales(base)
        centre, spread, complete = feature_scales(features, observed)
        self.tiles = (*tiles_of(complete), complete)
        self.data = LogisticData(y == 1.0, base, base_centre, base_spread, features, centre, spread, observed)

    def screen(self, weights=None, *, firth: bool = False, draw: bool = False) -> ScreenFit:
        """Fit every feature with case weights (n,): weight 2 is the same as the row written twice.

        `draw`: one of many resamples; a fit then ends within 1e-5 standard errors, a penalised one
        within 1e-4.
        """
        weights = as_weights(weights, self.data.event.size)
        used = np.flatnonzero(weights > 0)
        screen_all = screen_all_penalised if firth else screen_all_logistic
        found = screen_all(self.data, *self.tiles, used, weights, bool(draw))
        coef, se, loglik, loglik_base, code, n, events = found
        z = signed_root(coef[:, -1], loglik, loglik_base)
        return ScreenFit(coef, se, loglik, loglik_base, z, code, n, events)

    def profile_interval(
        self, fit: ScreenFit, weights=None, *, firth: bool = False, conf_level: float = 0.95
    ) -> tuple[np.ndarray, np.ndarray]:
        """Profile-likelihood interval (low (p,), high (p,)) of each feature's coefficient.

        Penalised when `firth`. `fit` is the screen with the same arguments: a feature that has no
        estimate there has NaN. A side on which the likelihood never falls far enough is infinite.
        """
        weights = as_weights(weights, self.data.event.size)
        codes = as_codes(fit, self.data.spread)
        target = quantile_root(conf_level)
        coef = np.ascontiguousarray(fit.coef, dtype=np.float64)
        used = np.flatnonzero(weights > 0)
        profile_all = profile_all_penalised if firth else profile_all_logistic
        return profile_all(self.data, *self.tiles, used, weights, coef, codes, target)


def screen_logistic(y, base, features, *, weights=None, observed=None, firth: bool = False) -> ScreenFit:
    """One logistic model per feature, adjusted for the base columns; arguments as for `LogisticPlan`."""
    return LogisticPlan(y, base, features, observed=observed).screen(weights, firth=firth)


def profile_interval_logistic(
    y,
    base,
    features,
    fit: ScreenFit,
    *,
    conf_level: float = 0.95,
    weights=None,
    observed=None,
    firth: bool = False,
) -> tuple[np.ndarray, np.ndarray]:
    """Profile-likelihood intervals of a `screen_logistic` made with the same arguments."""
    plan = LogisticPlan(y, base, features, observed=observed)
    return plan.profile_interval(fit, weights, firth=firth, conf_level=conf_level)


def fit_logistic(y, X, weights=None, firth: bool = False) -> LogisticFit:
    """One logistic model with an intercept and the columns of `X` (n, k), finite; y 0 or 1.

    Raises
    ------
    ValueError
        As `LogisticPlan`, and when X is not finite.
    """
    columns = finite_matrix(X, np.shape(y)[0], "X")
    k = columns.shape[1]
    if k == 0:  # a constant stands in for the last column and is dropped from the result
        columns = np.zeros((columns.shape[0], 1))
    data = LogisticPlan(y, columns[:, :-1], columns[:, -1:]).data
    nt, loglik_null, n, events = fit_one_logistic(
        data, as_weights(weights, data.event.size), bool(firth), False
    )
    one = in_callers_units(
        nt,
        np.append(data.base_spread, data.spread)[:k],
        np.append(data.base_centre, data.centre)[:k],
        intercept=True,
        firth=firth,
    )
    return LogisticFit(
        coef=one.coef,
        covariance=one.covariance,
        loglik=one.loglik,
        loglik_null=float(loglik_null) + one.log_scale,
        code=one.code,
        converged=one.estimated,
        iterations=one.iterations,
        n=int(n),
        events=int(events),
    )
