"""What a screen of many features hands back, and the code that says how each fit ended."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

OK = 0
CONSTANT = 1
NOT_CONVERGED = 2
SEPARATED = 3
COLLINEAR = 4
NOTHING_TO_FIT = 5

REASONS = {
    OK: "",
    CONSTANT: "the feature does not vary among the patients compared",
    NOT_CONVERGED: "the fit did not converge",
    SEPARATED: "the feature separates the outcome, so no finite maximum-likelihood estimate exists",
    COLLINEAR: "the feature is a linear combination of the covariates",
    NOTHING_TO_FIT: "too few patients or events to fit the model",
}


class ScreenFit(NamedTuple):
    """One model per feature: outcome ~ base columns + the feature.

    coef : (p, k) coefficients in the caller's units: the intercept first where the model has one,
        then the base columns, the feature last. A base column that the rows used leave without
        information (constant, or a combination of columns before it) has 0. NaN in a failed fit.
    se : (p,) standard error of the feature's coefficient from the model information.
    loglik, loglik_base : (p,) maximised log likelihood with and without the feature on the same
        rows. With Firth's penalty both are penalised, and `loglik_base` holds the feature's
        coefficient at 0 while the penalty keeps the information of the whole design.
    z : (p,) signed root of the likelihood-ratio statistic.
    code : (p,) int8, see `REASONS`; every number of a fit with a code other than 0 is NaN.
    n, events : (p,) rows used (weight > 0 and observed), and the events among them.
    """

    coef: np.ndarray
    se: np.ndarray
    loglik: np.ndarray
    loglik_base: np.ndarray
    z: np.ndarray
    code: np.ndarray
    n: np.ndarray
    events: np.ndarray


def signed_root(coef: np.ndarray, loglik: np.ndarray, loglik_base: np.ndarray) -> np.ndarray:
    """Signed root of twice the gain in log likelihood; rounding below 0 counts as 0."""
    return np.sign(coef) * np.sqrt(np.maximum(2.0 * (loglik - loglik_base), 0.0))


def quantile_root(conf_level: float) -> float:
    """Root of the chi-square quantile (1 df) at `conf_level`, the two-sided normal quantile."""
    from scipy.special import ndtri

    if not 0.0 < conf_level < 1.0:
        raise ValueError(f"conf_level must lie between 0 and 1, found {conf_level}")
    return float(ndtri(0.5 + conf_level / 2.0))


def as_codes(fit: ScreenFit, features: np.ndarray) -> np.ndarray:
    """Codes of a screen of as many features as `features` (p,)."""
    codes = np.ascontiguousarray(fit.code, dtype=np.int8)
    if codes.shape != features.shape:
        raise ValueError(f"fit must be a screen of the same {features.size} features, found {codes.size}")
    return codes
