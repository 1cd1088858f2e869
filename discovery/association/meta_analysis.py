"""Pooling estimates of several sites or studies with random effects."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from discovery.association.multiplicity import never_zero
from discovery.problems import InputError, Problem, nearest

TAU_METHODS = ("paule-mandel", "dersimonian-laird", "fixed")


@dataclass(frozen=True, kw_only=True)
class Pooled:
    """Random-effects summary of K estimates on their own scale.

    `se` and its normal interval are the classical ones; `hk_*` are Hartung and Knapp's with t on K - 1
    degrees of freedom, plain, and `modified_*` the same with their factor held at 1 or more, so that
    the interval is never shorter than the classical standard error allows. `prediction_*` is where the
    effect of a new site is expected (t on K - 1, modified standard error). What needs K >= 2 is NaN for
    one estimate.
    """

    estimate: float
    se: float
    ci_low: float
    ci_high: float
    p_value: float
    tau2: float
    q: float
    q_p_value: float
    i2_percent: float
    hk_se: float
    hk_low: float
    hk_high: float
    hk_p_value: float
    modified_se: float
    modified_low: float
    modified_high: float
    modified_p_value: float
    prediction_low: float
    prediction_high: float
    k: int
    tau_method: str


def pool_random_effects(
    estimate: ArrayLike, variance: ArrayLike, *, tau_method: str = "paule-mandel", conf_level: float = 0.95
) -> Pooled:
    """Pool `estimate` (K,) with sampling `variance` (K,); pairs with a NaN are left out.

    tau2: Paule and Mandel (J Res Natl Bur Stand 1982;87:377-385), DerSimonian and Laird (Control Clin
    Trials 1986;7:177-188), or "fixed" (0). Q and I2 use the inverse-variance weights. Hartung-Knapp
    as modified by Roever, Knapp & Friede (BMC Med Res Methodol 2015;15:99).
    """
    y, v = np.asarray(estimate, dtype=float), np.asarray(variance, dtype=float)
    problems = []
    if tau_method not in TAU_METHODS:
        problems.append(
            Problem(file="meta-analysis", found=str(tau_method), wanted=nearest(tau_method, TAU_METHODS))
        )
    if y.shape != v.shape or y.ndim != 1:
        problems.append(
            Problem(
                file="meta-analysis", found=f"shapes {y.shape}, {v.shape}", wanted="one variance per estimate"
            )
        )
    elif (v <= 0).any():
        problems.append(Problem(file="meta-analysis", found=str(v[v <= 0][0]), wanted="variances above 0"))
    if problems:
        raise InputError(problems)
    seen = np.isfinite(y) & np.isfinite(v)
    y, v = y[seen], v[seen]
    k = len(y)
    if k == 0:
        raise InputError([Problem(file="meta-analysis", found="no estimate", wanted="at least one")])

    w = 1 / v
    q = float(w @ (y - w @ y / w.sum()) ** 2)
    tau2 = {"paule-mandel": _paule_mandel, "dersimonian-laird": _dersimonian_laird, "fixed": lambda *_: 0.0}[
        tau_method
    ](y, v)
    w = 1 / (v + tau2)
    mean = float(w @ y / w.sum())
    se = float(np.sqrt(1 / w.sum()))
    z = stats.norm.ppf((1 + conf_level) / 2)
    plain = modified = t = np.nan
    if k > 1:
        factor = float(w @ (y - mean) ** 2 / (k - 1))
        plain, modified = se * np.sqrt(factor), se * np.sqrt(max(1.0, factor))
        t = float(stats.t.ppf((1 + conf_level) / 2, k - 1))

    def p_of(error: float) -> float:
        if not error > 0:
            return np.nan
        return float(never_zero(2 * stats.t.sf(abs(mean) / error, k - 1)))

    reach = t * np.sqrt(tau2 + modified**2)
    return Pooled(
        estimate=mean,
        se=se,
        ci_low=mean - z * se,
        ci_high=mean + z * se,
        p_value=float(never_zero(2 * stats.norm.sf(abs(mean) / se))),
        tau2=tau2,
        q=q,
        q_p_value=float(never_zero(stats.chi2.sf(q, k - 1))) if k > 1 else np.nan,
        i2_percent=(max(0.0, (q - (k - 1)) / q) * 100 if q > 0 else 0.0) if k > 1 else np.nan,
        hk_se=float(plain),
        hk_low=mean - t * plain,
        hk_high=mean + t * plain,
        hk_p_value=p_of(plain),
        modified_se=float(modified),
        modified_low=mean - t * modified,
        modified_high=mean + t * modified,
        modified_p_value=p_of(modified),
        prediction_low=mean - reach,
        prediction_high=mean + reach,
        k=k,
        tau_method=tau_method,
    )


def _dersimonian_laird(y: np.ndarray, v: np.ndarray) -> float:
    w = 1 / v
    if len(y) < 2:
        return 0.0
    q = w @ (y - w @ y / w.sum()) ** 2
    return float(max(0.0, (q - (len(y) - 1)) / (w.sum() - (w**2).sum() / w.sum())))


def _paule_mandel(y: np.ndarray, v: np.ndarray) -> float:
    """The tau2 at which the weighted sum of squares equals its expectation K - 1; 0 when it is below."""
    from scipy.optimize import brentq

    def excess(tau2: float) -> float:
        w = 1 / (v + tau2)
        return float(w @ (y - w @ y / w.sum()) ** 2) - (len(y) - 1)

    if len(y) < 2 or excess(0.0) <= 0:
        return 0.0
    high = float(np.var(y, ddof=1)) + v.max()
    while excess(high) > 0:
        high *= 2
    return float(brentq(excess, 0.0, high, xtol=1e-14 * max(high, 1e-300), rtol=1e-14))
