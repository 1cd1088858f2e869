"""Cox models whose rows belong to patients: score tests of many features, robust by patient.

The several rows of a patient (recurrent episodes) give dependent contributions to the score. Summed by
patient they are independent, and their squares give its variance (Lin & Wei, J Am Stat Assoc 1989;
84:1074-1078; Lin, Wei, Yang & Ying, J R Stat Soc B 2000;62:711-730). A few patients make up most of the sum,
whose tails are then lighter than the normal's; its tail is therefore taken from all signs that the
contributions could have (`sign_root`), each of them divided by 1 less what the base model follows of the
patient (`patient_leverage`).
"""

from __future__ import annotations

import numpy as np

from .cox import CoxPlan
from .patient_leverage import spare_of_patients
from .score import score_plan_cox
from .sign_root import sign_roots


def patient_scores(plan: CoxPlan, patient, weights=None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Contribution (n, p) of each patient to the score of each feature at the base fit, the same freed of
    what the base model follows of the patient, and codes (p,).

    patient : int array (rows,), 0 .. n - 1. Freed of the base columns and in units of the one-step estimate
    for one unit of weight: the weighted sum of the first is that estimate, and its variance, a little too
    large, the weighted sum of squares of the second. NaN where the code is not 0.
    """
    patient, data = np.asarray(patient, dtype=np.int64), plan.data
    w = np.ones(data.time.size) if weights is None else np.asarray(weights, dtype=float)
    found = score_plan_cox(plan, weights)
    total = np.zeros((int(patient.max(initial=-1)) + 1, found.influence.shape[1]))
    np.add.at(total, patient, found.influence)
    freed = total.copy()
    stratum = np.unique(data.stratum, return_inverse=True)[1].astype(np.int64)
    for which, residual in found.own_residuals:
        if which.size and (found.code[which] == 0).any():
            expected = np.where(residual != 0.0, data.event - residual, 0.0)  # 0: a row not used
            spare = spare_of_patients(patient, stratum, w, expected, data.base)
            freed[:, which] /= spare[:, None]
    return total, freed, found.code


def robust_score_z(plan: CoxPlan, patient, patient_weights=None) -> np.ndarray:
    """Signed normal deviate (p,) of the robust score test of each feature given the base columns.

    A patient of weight 2 is two patients.
    """
    patient = np.asarray(patient, dtype=np.int64)
    rows = None if patient_weights is None else np.asarray(patient_weights, dtype=float)[patient]
    u, freed, code = patient_scores(plan, patient, rows)
    w = np.ones(len(u)) if patient_weights is None else np.asarray(patient_weights, dtype=float)
    z, fine = np.full(code.size, np.nan), np.flatnonzero(code == 0)
    z[fine] = sign_roots((w @ u)[fine], np.ascontiguousarray(freed[:, fine].T), w)
    return z
