"""Proportional-odds models for many features with shared covariates.

McCullagh (1980), J R Stat Soc B 42:109-142. Written as logit P(Y > c) = eta - cut_c, so that a positive
coefficient goes with a higher class; some libraries use the other sign.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .columns import as_column, as_weights, column_scales
from .one_fit import _inverse
from .ordinal_fits import OrdinalData, fit_one_ordinal, profile_all_ordinal, screen_all_ordinal
from .plan_columns import finite_matrix, plan_columns, whole_scales
from .screen_fit import COLLINEAR, CONSTANT, OK, ScreenFit, as_codes, quantile_root, signed_root


class OrdinalFit(NamedTuple):
    """One proportional-odds model.

    cuts : (classes - 1,) logit P(Y <= c) at eta 0, in the caller's units; those next to an absent class
        are NaN. coef : (k,) log odds of a higher class. covariance : (k, k) of `coef`; NaN in row and column
        of a column without information, whose coefficient is 0.
    loglik, loglik_null : log likelihood, and with the cut points alone. code as in `LogisticFit`.
    """

    cuts: np.ndarray
    coef: np.ndarray
    covariance: np.ndarray
    loglik: float
    loglik_null: float
    code: int
    converged: bool
    n: int


class OrdinalPlan:
    """Columns checked and scaled, ready to be fitted with any case weights.

    Parameters
    ----------
    level : array (n,), codes 0, 1, .. of ordered classes
    base : array (n, q) or None, covariates of every model; finite
    features : array (n, p), one model each; a value that is not finite is missing
    observed : bool array (n, p) or None, False leaves a feature's row out of both its models

    Raises
    ------
    ValueError
        Shapes differ, or base is not finite, or a code is no whole number from 0.
    """

    def __init__(self, level, base, features, *, observed=None):
        n = np.shape(level)[0]
        level = as_codes_from_zero(level, n)
        base, features, observed = plan_columns(n, base, features, observed)
        base_centre, base_spread = whole_scales(base)
        centre, spread = column_scales(features, np.ones(n, dtype=bool), observed)
        classes = int(level.max(initial=0)) + 1
        self.data = OrdinalData(
            level, max(classes, 2), base, base_centre, base_spread, features, centre, spread, observed
        )

    def screen(self, weights=None) -> ScreenFit:
        """Fit every feature with case weights (n,): weight 2 is the same as the row written twice.

        `coef` (p, q + 1) holds the base columns and the feature, without cut points. `events` counts the
        rows, since each informs. A class without patients among a feature's rows is left out of its model.
        """
        weights = as_weights(weights, self.data.level.size)
        coef, se, loglik, loglik_base, code, n = screen_all_ordinal(self.data, weights)
        z = signed_root(coef[:, -1], loglik, loglik_base)
        return ScreenFit(coef, se, loglik, loglik_base, z, code, n, n.copy())

    def profile_interval(
        self, fit: ScreenFit, weights=None, *, conf_level: float = 0.95
    ) -> tuple[np.ndarray, np.ndarray]:
        """Profile-likelihood interval (low (p,), high (p,)) of each feature's coefficient."""
        weights = as_weights(weights, self.data.level.size)
        codes = as_codes(fit, self.data.spread)
        return profile_all_ordinal(self.data, weights, codes, quantile_root(conf_level))


def screen_ordinal(level, base, features, *, weights=None, observed=None) -> ScreenFit:
    """One proportional-odds model per feature, adjusted for the base columns; see `OrdinalPlan`."""
    return OrdinalPlan(level, base, features, observed=observed).screen(weights)


def fit_ordinal(level, X, weights=None) -> OrdinalFit:
    """One proportional-odds model with the columns of `X` (n, k), finite.

    Raises
    ------
    ValueError
        As `OrdinalPlan`, and when X is not finite.
    """
    columns = finite_matrix(X, np.shape(level)[0], "X")
    k = columns.shape[1]
    if k == 0:
        columns = np.zeros((columns.shape[0], 1))
    data = OrdinalPlan(level, columns[:, :-1], columns[:, -1:]).data
    nt, loglik_null, n = fit_one_ordinal(data, as_weights(weights, data.level.size))
    cuts, code = data.classes - 1, int(nt.status[0])
    if code != OK:
        blank = np.full((k, k), np.nan)
        return OrdinalFit(
            np.full(cuts, np.nan), np.full(k, np.nan), blank, float(nt.loglik[0]), float(loglik_null), code,
            False, int(n),
        )  # fmt: skip
    spread = np.append(data.base_spread, data.spread)[:k]
    centre = np.append(data.base_centre, data.centre)[:k]
    scale = np.where(spread > 0, spread, 1.0)
    live = nt.live[cuts : cuts + k, 0] == 1
    coef = np.where(live, nt.beta[cuts : cuts + k, 0], 0.0) / scale
    whole = _inverse(nt, cuts + k)[cuts:, cuts:] / np.outer(scale, scale)
    whole[~live] = np.nan
    whole[:, ~live] = np.nan
    at = np.where(nt.live[:cuts, 0] == 1, nt.beta[:cuts, 0] + coef @ centre, np.nan)
    if not live.all():
        code = CONSTANT if (spread[~live] == 0).any() else COLLINEAR
    return OrdinalFit(at, coef, whole, float(nt.loglik[0]), float(loglik_null), code, True, int(n))


def as_codes_from_zero(level, n: int) -> np.ndarray:
    """Class codes (n,) as whole numbers."""
    column = as_column(level, n, "level")
    codes = column.astype(np.int64)
    if (codes != column).any() or (codes < 0).any():
        raise ValueError("level must hold whole numbers from 0")
    return codes
