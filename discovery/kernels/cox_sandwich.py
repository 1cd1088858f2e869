"""Covariance of Cox coefficients robust by patient: the sandwich at the estimate.

Lin & Wei, J Am Stat Assoc 1989;84:1074-1078; Lin, Wei, Yang & Ying, J R Stat Soc B 2000;62:711-730.
"""

from __future__ import annotations

import numpy as np

from .columns import base_products
from .cox import CoxFit, CoxPlan, fit_cox
from .cox_fits import risk_sets_of
from .score_rows import expected_events, make_rounds, risk_means, score_residuals


def fit_cox_by_patient(stop, event, X, patient, *, entry=None, stratum=None) -> tuple[CoxFit, np.ndarray]:
    """`fit_cox` (Efron) of rows (m,) and columns X (m, k), and the covariance (k, k) robust by patient.

    patient : int array (m,), 0 .. n - 1. A column without information has NaN in its row and column of the
    covariance, and so has everything where the fit did not converge.
    """
    X, patient = np.asarray(X, dtype=float), np.asarray(patient, dtype=np.int64)
    fit = fit_cox(stop, event, X, entry=entry, stratum=stratum)
    robust = np.full(fit.covariance.shape, np.nan)
    live = np.isfinite(np.diag(fit.covariance))
    if not fit.converged or not live.any():
        return fit, robust
    plan = CoxPlan(stop, event, X[:, :-1], X[:, -1:], entry=entry, stratum=stratum)
    total = _patient_scores(plan.data, patient, fit.coef)[:, live]
    bread = fit.covariance[np.ix_(live, live)]
    robust[np.ix_(live, live)] = bread @ (total.T @ total) @ bread
    return fit, robust


def _patient_scores(data, patient, coef) -> np.ndarray:
    """Score contributions (n, k) of each patient at `coef` (k,), in the caller's units."""
    sets = risk_sets_of(data, np.ones(data.time.size))
    products = base_products(sets.rows, data.base, data.base_centre, data.base_spread, False)
    q = data.base.shape[1]
    spread = np.append(data.base_spread, data.spread)
    last = (data.features[sets.rows, 0] - data.centre[0]) / (data.spread[0] if data.spread[0] > 0 else 1.0)
    columns = np.ascontiguousarray(np.column_stack([products[:, 1 : 1 + q], last]))
    predictor = columns @ np.where(np.isfinite(coef), coef * spread, 0.0)
    rate = np.empty(len(predictor))
    for begin, end in zip(sets.segments[:-1], sets.segments[1:]):
        rate[begin:end] = np.exp(predictor[begin:end] - predictor[begin:end].max(initial=-np.inf))
    rounds = make_rounds(sets, np.ones(len(rate)), True)
    means, rows = np.empty((rounds.charge.size, q + 1)), np.empty((len(rate), q + 1))
    risk_means(sets, rounds, rate, columns, means)
    score_residuals(sets, rounds, rate, expected_events(sets, rounds, rate), columns, means, rows)
    total = np.zeros((int(patient.max(initial=-1)) + 1, q + 1))
    np.add.at(total, patient[sets.rows], rows)
    return total * spread
