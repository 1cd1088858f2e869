"""Cox models for many features with shared covariates: one compiled call for the whole screen.

`CoxPlan` sorts once; `plan.screen(weights)` fits every feature and is what a bootstrap calls again and
again. `screen_cox` is the same for a single use, `fit_cox` one model with any number of columns.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .columns import as_column, as_weights, column_scales
from .cox_fits import CoxData, fit_one_cox, profile_all_cox, screen_all_cox
from .one_fit import in_callers_units
from .plan_columns import finite_matrix, plan_columns, whole_scales
from .screen_fit import ScreenFit, as_codes, quantile_root, signed_root


class CoxFit(NamedTuple):
    """One Cox model with k columns.

    coef : (k,) log hazard ratios in the caller's units; 0 for a column without information.
    covariance : (k, k) inverse information; NaN in row and column of a column without information.
    loglik, loglik_null : log partial likelihood at `coef` and at 0; both penalised with Firth.
    score_chi2 : score test of all columns at 0, with as many degrees of freedom as columns with
        information; of the unpenalised likelihood.
    code : 0 ok; 1 or 4 some column has no information (constant, or a combination of columns before it)
        and the others are estimated without it; 2, 3, 5 as in `screen_fit.REASONS`, without estimates.
    converged : there are estimates (code 0, 1 or 4).
    iterations : evaluations with an accepted step.
    n, events : rows used and events among them.
    """

    coef: np.ndarray
    covariance: np.ndarray
    loglik: float
    loglik_null: float
    score_chi2: float
    code: int
    converged: bool
    iterations: int
    n: int
    events: int


class CoxPlan:
    """Rows sorted and columns scaled, ready to be fitted with any case weights.

    Parameters
    ----------
    time : array (n,), follow-up in the caller's unit
    event : array (n,), 1 = event, 0 = censored
    base : array (n, q) or None, covariates of every model; finite
    features : array (n, p), one model each; a value that is not finite is missing
    entry : array (n,) or None, time from which a row is at risk: on (entry, time]
    stratum : int array (n,) or None
    observed : bool array (n, p) or None, False leaves a feature's row out of both its models
    at_risk : bool array (n,) or None, False for a row that only has an event: another row with the same
        columns is at risk at that time. Such rows spare the splitting of a patient's time at every
        episode, and a patient's residual is the sum over the rows.

    A row with entry >= time is never at risk and is left out.

    Raises
    ------
    ValueError
        Shapes differ, or time, event, base, entry are not finite, or event is not 0/1.
    """

    def __init__(self, time, event, base, features, *, entry=None, stratum=None, observed=None, at_risk=None):
        n = np.shape(time)[0]
        time, event = as_column(time, n, "time"), as_column(event, n, "event")
        if not np.isin(event, (0.0, 1.0)).all():
            raise ValueError("event must be 0 or 1")
        base, features, observed = plan_columns(n, base, features, observed)
        strata = np.zeros(n, np.int64) if stratum is None else np.asarray(stratum).astype(np.int64)
        if strata.shape != (n,):
            raise ValueError(f"stratum must have shape ({n},), found {strata.shape}")
        order = np.lexsort((-time, strata))
        entries, entry_order = np.empty(0), np.empty(0, np.int64)
        usable = np.ones(n, dtype=bool)
        if entry is not None:
            entries = as_column(entry, n, "entry")
            usable = entries < time
            entry_order = np.lexsort((-entries, strata))
            entry_order = entry_order[usable[entry_order]]
        order = order[usable[order]]
        base_centre, base_spread = whole_scales(base, usable)
        centre, spread = column_scales(features, usable, observed)
        self.data = CoxData(
            order,
            entry_order,
            time,
            event == 1.0,
            strata,
            entries,
            np.ones(n, dtype=bool) if at_risk is None else np.asarray(at_risk, dtype=bool),
            base,
            base_centre,
            base_spread,
            features,
            centre,
            spread,
            observed,
        )

    def screen(self, weights=None, *, firth: bool = False, draw: bool = False) -> ScreenFit:
        """Fit every feature with case weights (n,); a row of weight 0 does not exist.

        Ties are Efron's: d counts rows and a weight is not a repetition, so weights 2 differ from rows
        written twice, which would be ties. `firth` adds Firth's penalty (Heinze & Schemper, Biometrics
        2001;57:114-119) to both models of each feature. `draw`: one of many resamples; a fit then ends
        within 1e-5 standard errors, a penalised one within 1e-4.
        """
        weights = as_weights(weights, self.data.time.size)
        found = screen_all_cox(self.data, weights, bool(firth), True, bool(draw))
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
        weights = as_weights(weights, self.data.time.size)
        target = quantile_root(conf_level)
        codes, coef = as_codes(fit, self.data.spread), np.ascontiguousarray(fit.coef, dtype=np.float64)
        return profile_all_cox(self.data, weights, bool(firth), True, codes, coef, target)


def screen_cox(
    time,
    event,
    base,
    features,
    *,
    weights=None,
    entry=None,
    stratum=None,
    observed=None,
    firth: bool = False,
) -> ScreenFit:
    """One Cox model per feature, adjusted for the base columns; arguments as for `CoxPlan`."""
    plan = CoxPlan(time, event, base, features, entry=entry, stratum=stratum, observed=observed)
    return plan.screen(weights, firth=firth)


def profile_interval_cox(
    time,
    event,
    base,
    features,
    fit: ScreenFit,
    *,
    conf_level: float = 0.95,
    weights=None,
    entry=None,
    stratum=None,
    observed=None,
    firth: bool = False,
) -> tuple[np.ndarray, np.ndarray]:
    """Profile-likelihood intervals of a `screen_cox` made with the same arguments; see `CoxPlan`."""
    plan = CoxPlan(time, event, base, features, entry=entry, stratum=stratum, observed=observed)
    return plan.profile_interval(fit, weights, firth=firth, conf_level=conf_level)


def fit_cox(
    time,
    event,
    X,
    weights=None,
    entry=None,
    stratum=None,
    ties: str = "efron",
    firth: bool = False,
) -> CoxFit:
    """One Cox model with the columns of `X` (n, k), finite; the rest as for `CoxPlan`.

    Raises
    ------
    ValueError
        As `CoxPlan`, and when X is not finite or `ties` is neither "efron" nor "breslow".
    """
    if ties not in ("efron", "breslow"):
        raise ValueError(f"ties must be 'efron' or 'breslow', found {ties!r}")
    columns = finite_matrix(X, np.shape(time)[0], "X")
    k = columns.shape[1]
    if k == 0:  # a constant stands in for the last column and is dropped from the result
        columns = np.zeros((columns.shape[0], 1))
    plan = CoxPlan(time, event, columns[:, :-1], columns[:, -1:], entry=entry, stratum=stratum)
    data = plan.data
    nt, loglik_null, score_chi2, n, events = fit_one_cox(
        data, as_weights(weights, data.time.size), bool(firth), ties == "efron", False
    )
    spread = np.append(data.base_spread, data.spread)[:k]
    one = in_callers_units(nt, spread, np.zeros(k), intercept=False, firth=firth)
    return CoxFit(
        coef=one.coef,
        covariance=one.covariance,
        loglik=one.loglik,
        loglik_null=float(loglik_null) + one.log_scale,
        score_chi2=float(score_chi2),
        code=one.code,
        converged=one.estimated,
        iterations=one.iterations,
        n=int(n),
        events=int(events),
    )
