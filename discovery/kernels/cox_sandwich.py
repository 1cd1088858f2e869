"""Covariance of Cox coefficients robust by cluster, such as a patient: the sandwich at the estimate.

Lin & Wei, J Am Stat Assoc 1989;84:1074-1078; Lin, Wei, Yang & Ying, J R Stat Soc B 2000;62:711-730. In small
cohorts it is too small, because the fit follows the patients whose squares it is the sum of: the sandwich by
patient takes each at what he would be without his own pull (Mancl & DeRouen, Biometrics 2001;57:126-134).
"""

from __future__ import annotations

import numpy as np

from .cox import CoxFit, CoxPlan, fit_cox
from .cox_fits import risk_sets_of
from .patient_leverage import spare_of_patients
from .sandwich_rows import contributions_at, patient_errors, scaled_columns
from .screen_fit import ScreenFit


def fit_cox_by_patient(stop, event, X, patient, *, entry=None, stratum=None) -> tuple[CoxFit, np.ndarray]:
    """`fit_cox` (Efron) of rows (m,) and columns X (m, k), and the covariance (k, k) robust by patient.

    patient : int array (m,), 0 .. n - 1; the rows of a patient are alike in all columns. Contributions to
    the score are divided by 1 less the patient's hat value. A column without information has NaN in its row
    and column of the covariance, and so has everything where the fit did not converge.
    """
    X = np.asarray(X, dtype=float)
    fit = fit_cox(stop, event, X, entry=entry, stratum=stratum)
    robust = np.full(fit.covariance.shape, np.nan)
    live = np.isfinite(np.diag(fit.covariance))
    if not fit.converged or not live.any():
        return fit, robust
    ones, patient = np.ones(len(X)), np.asarray(patient, dtype=np.int64)
    scores, expected = _contributions(stop, event, X, fit.coef, ones, entry, stratum, True)
    home = np.zeros(len(X), np.int64) if stratum is None else np.unique(stratum, return_inverse=True)[1]
    spare = spare_of_patients(patient, home, ones, expected, np.ascontiguousarray(X[:, live]))
    freed = scores[:, live] / spare[patient, None]
    robust[np.ix_(live, live)] = sandwich(freed, fit.covariance[np.ix_(live, live)], patient)
    return fit, robust


def sandwich_errors(plan: CoxPlan, patient, fit: ScreenFit) -> tuple[np.ndarray, np.ndarray]:
    """Standard errors (p,) at the estimates of a screen: robust by patient as in `fit_cox_by_patient`, and
    the model's; NaN where `fit` has no estimate.

    patient : int array (rows,), 0 .. n - 1
    """
    stratum = np.unique(plan.data.stratum, return_inverse=True)[1].astype(np.int64)
    coef, code = np.ascontiguousarray(fit.coef, dtype=np.float64), fit.code.astype(np.int8)
    return patient_errors(plan.data, np.asarray(patient, dtype=np.int64), stratum, coef, code)


def sandwich(scores, bread, cluster=None) -> np.ndarray:
    """Covariance (k, k) from weighted contributions (m, k) to the score and the model's covariance (k, k).

    cluster : int array (m,), 0 .. n - 1, whose rows are added up first; every row its own otherwise
    """
    if cluster is not None:
        codes = np.asarray(cluster, dtype=np.int64)
        total = np.zeros((int(codes.max(initial=-1)) + 1, scores.shape[1]))
        np.add.at(total, codes, scores)
        scores = total
    return bread @ (scores.T @ scores) @ bread


def score_contributions(
    time, event, X, coef, *, weights=None, entry=None, stratum=None, ties="efron"
) -> np.ndarray:
    """Derivative (m, k) of the score by each row's weight at `coef` (k,), 0 for a row of weight 0.

    With the weights they add up to the score. Tied deaths in Efron's form: a death stays in the shrunken risk
    sets of its own time with what is left of it, and nobody is put first.
    """
    X, coef = np.asarray(X, dtype=float), np.asarray(coef, dtype=float)
    whole = np.ones(len(X)) if weights is None else np.asarray(weights, dtype=float)
    return _contributions(time, event, X, coef, whole, entry, stratum, ties == "efron")[0]


def _contributions(time, event, X, coef, whole, entry, stratum, efron) -> tuple[np.ndarray, np.ndarray]:
    """`score_contributions`, and the expected events (m,) of each row."""
    data, m = CoxPlan(time, event, X[:, :-1], X[:, -1:], entry=entry, stratum=stratum).data, len(X)
    sets = risk_sets_of(data, whole)
    spread = np.append(data.base_spread, data.spread)
    beta = np.where(np.isfinite(coef), coef * spread, 0.0)
    columns = scaled_columns(sets.rows, data, 0)
    rows, own, _ = contributions_at(sets, columns, beta, whole[sets.rows], efron)
    scores, expected = np.zeros((m, len(spread))), np.zeros(m)
    scores[sets.rows], expected[sets.rows] = rows * spread, own
    return scores, expected
