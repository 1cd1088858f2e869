"""Everything about all features that the base model alone can tell, in one pass.

Used to permute residuals, to preview ranks from influence functions, and to screen quickly. The base model is
fitted; no model with a feature is. Printed estimates come from the screens, never from here.

Notation of each feature x with residual M, base columns Z and row weights v (the model's variance for
logistic, the expected number of events for Cox):

    clean = x - Z (I_ZZ)^-1 I_Zx,  score = sum w clean M,  variance = I_xx - I_xZ (I_ZZ)^-1 I_Zx.

For Cox the rows' contributions to the score are the score residuals of Therneau, Grambsch & Fleming,
Biometrika 1990;77:147-160, with tied events as in the likelihood.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .columns import as_weights, base_products
from .cox import CoxPlan
from .cox_fits import fit_one_cox, risk_sets_of
from .linear import LinearPlan, fit_linear, same_rows
from .logistic import LogisticPlan
from .logistic_fits import fit_one_logistic
from .score_rows import ScoreOut, null_rows_cox, null_rows_linear, null_rows_logistic
from .screen_fit import NOTHING_TO_FIT, OK


class NullScore(NamedTuple):
    """Score quantities at the base fit; p features, q base columns.

    residual : (n,) event less its expectation (Cox), y - mu, or y - fit, of the base model on all rows
        of weight > 0; 0 in rows not used. Per row, not multiplied by the weight.
    clean : (n, p) feature less its projection on the base columns by the model's own weights; 0 where
        the feature is missing or the row unused. sum of w clean residual is the score, for a feature
        without missing rows.
    score, variance : (p,) score of the feature's coefficient at 0 and its model variance.
    z : (p,) score / sqrt(variance); its square is the score test.
    one_step : (p,) score / variance, the first Newton step; a preview of the estimate.
    influence : (n, p) change of the one-step estimate for one more unit of weight on the row: with
        weights w + dw the estimate moves by influence' dw. Its weighted sum is `one_step`.
    base_coef : (q,) or (1 + q,) with the intercept first.
    code : (p,) 0; 1 constant, 4 collinear, else the code of the base fit. NaN where it is not 0.

    own_residuals : (features, residual (n,)) of the base fit of each set of features seen in the same rows.

    A feature with missing rows has its own base fit, on its own rows, for score, variance, influence.
    """

    residual: np.ndarray
    clean: np.ndarray
    score: np.ndarray
    variance: np.ndarray
    z: np.ndarray
    one_step: np.ndarray
    influence: np.ndarray
    base_coef: np.ndarray
    code: np.ndarray
    own_residuals: list[tuple[np.ndarray, np.ndarray]]


def score_cox(
    time,
    event,
    base,
    features,
    *,
    weights=None,
    entry=None,
    stratum=None,
    observed=None,
    ties: str = "efron",
) -> NullScore:
    """Score quantities of a Cox model; arguments as for `CoxPlan`, `ties` "efron" or "breslow".

    A constant added to a stratum of `clean` would change nothing.
    """
    if ties not in ("efron", "breslow"):
        raise ValueError(f"ties must be 'efron' or 'breslow', found {ties!r}")
    plan = CoxPlan(time, event, base, features, entry=entry, stratum=stratum, observed=observed)
    return score_plan_cox(plan, weights, efron=ties == "efron")


def score_plan_cox(plan: CoxPlan, weights=None, *, efron: bool = True) -> NullScore:
    """`score_cox` of rows that a plan has sorted already."""
    data = plan.data
    alone, q = _without_features(data), data.base.shape[1]

    def rows_of(weights, which, out):
        nt = fit_one_cox(alone, weights, False, efron, True)[0]
        if nt.status[0] != OK:
            return int(nt.status[0]), np.full(q, np.nan), np.empty(0, np.int64), np.empty(0)
        sets = risk_sets_of(data, weights)
        products = base_products(sets.rows, data.base, data.base_centre, data.base_spread, False)
        residual = null_rows_cox(sets, data, products, weights, nt, efron, which, out)
        coef = nt.beta[:q, 0] / np.where(data.base_spread > 0, data.base_spread, 1.0)
        return OK, coef, sets.rows, residual

    return _gather(data.observed, as_weights(weights, data.time.size), rows_of)


def score_logistic(y, base, features, *, weights=None, observed=None) -> NullScore:
    """Score quantities of a logistic model; arguments as for `LogisticPlan`."""
    data = LogisticPlan(y, base, features, observed=observed).data
    alone, q = _without_features(data), data.base.shape[1]

    def rows_of(weights, which, out):
        nt = fit_one_logistic(alone, weights, False, True)[0]
        if nt.status[0] != OK:
            return int(nt.status[0]), np.full(1 + q, np.nan), np.empty(0, np.int64), np.empty(0)
        rows = np.flatnonzero(weights > 0)
        products = base_products(rows, data.base, data.base_centre, data.base_spread, True)
        residual = null_rows_logistic(rows, data, products, weights, nt, which, out)
        coef = nt.beta[: 1 + q, 0].copy()
        coef[1:] /= np.where(data.base_spread > 0, data.base_spread, 1.0)
        coef[0] -= (coef[1:] * data.base_centre).sum()
        return OK, coef, rows, residual

    return _gather(data.observed, as_weights(weights, data.event.size), rows_of)


def score_linear(y, base, features, *, weights=None, observed=None) -> NullScore:
    """Score quantities of a Gaussian model with the base model's maximum-likelihood variance.

    z squared is n r^2, r being the partial correlation; `one_step` is the least-squares estimate itself.
    """
    plan = LinearPlan(y, base, features, observed=observed)
    q = plan.base.shape[1]

    def rows_of(weights, which, out):
        fit = fit_linear(plan.y, plan.base, weights)
        if not np.isfinite(fit.coef).all():
            return int(fit.code), fit.coef, np.empty(0, np.int64), np.empty(0)
        rows = np.flatnonzero(weights > 0)
        products = base_products(rows, plan.base, plan.base_centre, plan.base_spread, True)
        residual = null_rows_linear(
            rows, plan.y, products, plan.features, plan.centre, plan.spread, weights, q + 1, which, out
        )
        return OK, fit.coef, rows, residual

    return _gather(plan.observed, as_weights(weights, plan.y.size), rows_of)


def _without_features(data):
    """The same rows with one constant feature, for the base columns alone."""
    n = data.base.shape[0]
    nothing, everywhere = np.zeros((n, 1)), np.ones((n, 1), dtype=bool)
    return data._replace(features=nothing, centre=np.zeros(1), spread=np.zeros(1), observed=everywhere)


def _gather(observed: np.ndarray, weights: np.ndarray, rows_of) -> NullScore:
    """Run `rows_of(weights, features, out)` for all rows and for each other set of observed rows."""
    n, p = observed.shape
    out = ScoreOut(
        np.zeros((n, p)),
        np.zeros((n, p)),
        np.full(p, np.nan),
        np.full(p, np.nan),
        np.full(p, NOTHING_TO_FIT, dtype=np.int8),
    )
    groups = same_rows(observed | (weights == 0)[:, None])
    complete = [which for mask, which in groups if mask.all()]
    which = complete[0] if complete else np.empty(0, np.int64)
    code, base_coef, rows, own = rows_of(weights, which, out)
    residual = np.zeros(n)
    residual[rows] = own
    if code != OK:
        out.code[which] = code
    own_residuals = [(which, residual)]
    for mask, which in groups:
        if not mask.all():
            code, _, rows, own = rows_of(weights * mask, which, out)
            own_residuals.append((which, np.zeros(n)))
            own_residuals[-1][1][rows] = own
            if code != OK:
                out.code[which] = code
    out.clean[:, out.code != OK] = np.nan
    out.influence[:, out.code != OK] = np.nan
    z, one_step = out.score / np.sqrt(out.variance), out.score / out.variance
    return NullScore(
        residual,
        out.clean,
        out.score,
        out.variance,
        z,
        one_step,
        out.influence,
        base_coef,
        out.code,
        own_residuals,
    )
