"""Multinomial logistic models for many features with shared covariates.

The test of a feature is the likelihood ratio on K - 1 degrees of freedom: does it tell any of the K classes
apart, given the covariates.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .columns import as_weights
from .multinomial_fits import screen_all_multinomial
from .multinomial_pass import MultinomialData
from .ordinal import as_codes_from_zero
from .plan_columns import plan_columns, whole_scales
from .scales import feature_scales
from .screen_fit import OK


class MultinomialFits(NamedTuple):
    """One model per feature; the first eight fields are those of a `ScreenFit`.

    coef, se : (p, 1) and (p,) NaN, since no single coefficient says it.
    z : (p,) the normal deviate, never negative, with the two-sided p-value of the likelihood ratio.
    contrasts : (p, K - 1, 2 + q) for class 1, 2, .. against class 0: intercept, base columns, the feature
        last, in the caller's units. A class without patients has intercept -inf and NaN coefficients.
    covariance : (p, K - 1, K - 1) of the feature's coefficients.
    df : (p,) degrees of freedom, K - 1 with all classes present.
    """

    coef: np.ndarray
    se: np.ndarray
    loglik: np.ndarray
    loglik_base: np.ndarray
    z: np.ndarray
    code: np.ndarray
    n: np.ndarray
    events: np.ndarray
    contrasts: np.ndarray
    covariance: np.ndarray
    df: np.ndarray


class MultinomialPlan:
    """Columns checked and scaled, ready to be fitted with any case weights.

    Parameters
    ----------
    level : array (n,), codes 0, 1, .. of the classes; 0 is the one the others are compared with
    base : array (n, q) or None, covariates of every model, without the intercept; finite
    features : array (n, p), one model each; a value that is not finite is missing
    observed : bool array (n, p) or None, False leaves a feature's row out of both its models
    classes : how many classes there are, if more than the codes show

    Raises
    ------
    ValueError
        Shapes differ, or base is not finite, or a code is no whole number from 0.
    """

    def __init__(self, level, base, features, *, observed=None, classes: int | None = None):
        n = np.shape(level)[0]
        level = as_codes_from_zero(level, n)
        base, features, observed = plan_columns(n, base, features, observed)
        base_centre, base_spread = whole_scales(base)
        centre, spread, _ = feature_scales(features, observed)
        most = max(int(level.max(initial=0)) + 1, 2, classes or 0)
        self.data = MultinomialData(
            level, most, base, base_centre, base_spread, features, centre, spread, observed
        )

    def screen(self, weights=None) -> MultinomialFits:
        """Fit every feature with case weights (n,): weight 2 is the same as the row written twice.

        `events` counts the rows, since each informs. Code 3 means that the feature separates some classes.
        """
        weights = as_weights(weights, self.data.level.size)
        coef, covariance, loglik, loglik_base, code, n, df = screen_all_multinomial(self.data, weights)
        p = code.size
        z = np.full(p, np.nan)
        fitted = code == OK
        z[fitted] = normal_deviate(2.0 * (loglik - loglik_base)[fitted], df[fitted])
        blank = np.full((p, 1), np.nan)
        return MultinomialFits(
            blank, blank[:, 0].copy(), loglik, loglik_base, z, code, n, n.copy(), coef, covariance, df
        )


def screen_multinomial(level, base, features, *, weights=None, observed=None) -> MultinomialFits:
    """One multinomial model per feature, adjusted for the base columns; see `MultinomialPlan`."""
    return MultinomialPlan(level, base, features, observed=observed).screen(weights)


def normal_deviate(chi2, df) -> np.ndarray:
    """z >= 0 whose two-sided normal p-value is that of a chi-square statistic on `df` degrees of freedom.

    Also where the p-value itself is below the smallest number: the tail is then its asymptotic series.
    """
    from scipy.special import chdtrc, gammaln, ndtri_exp

    x, a = np.maximum(np.asarray(chi2, dtype=float), 0.0) / 2.0, np.asarray(df, dtype=float) / 2.0
    far = x > 300.0
    with np.errstate(divide="ignore"):
        log_p = np.log(chdtrc(2.0 * a, 2.0 * np.where(far, 0.0, x)))
    if not far.any():
        return np.maximum(-ndtri_exp(log_p - np.log(2.0)), 0.0)
    y = np.where(far, x, 1.0)
    series, term = np.ones(y.shape), np.ones(y.shape)
    for i in range(1, 8):  # ends by itself for an even df
        term = term * (a - i) / y
        series = series + term
    tail = -y + (a - 1.0) * np.log(y) - gammaln(a) + np.log(np.maximum(series, 1e-300))
    return np.maximum(-ndtri_exp(np.where(far, tail, log_p) - np.log(2.0)), 0.0)
