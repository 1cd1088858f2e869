"""Cox models whose rows belong to patients: score tests of many features, robust by patient.

The several rows of a patient (recurrent episodes) give dependent contributions to the score. Summed by
patient they are independent, and their squares give the variance (Lin & Wei, J Am Stat Assoc 1989;
84:1074-1078; Lin, Wei, Yang & Ying, J R Stat Soc B 2000;62:711-730).
"""

from __future__ import annotations

import numpy as np

from .cox import CoxPlan
from .score import score_plan_cox


def patient_scores(plan: CoxPlan, patient, weights=None) -> tuple[np.ndarray, np.ndarray]:
    """Contribution (n, p) of each patient to the score of each feature at the base fit, and codes (p,).

    patient : int array (rows,), 0 .. n - 1. Freed of the base columns and in units of the one-step estimate
    for one unit of weight: their weighted sum is that estimate. NaN where the code is not 0.
    """
    patient = np.asarray(patient, dtype=np.int64)
    found = score_plan_cox(plan, weights)
    total = np.zeros((int(patient.max(initial=-1)) + 1, found.influence.shape[1]))
    np.add.at(total, patient, found.influence)
    return total, found.code


def robust_score_z(plan: CoxPlan, patient, patient_weights=None) -> np.ndarray:
    """Signed root (p,) of the robust score test of each feature given the base columns.

    A patient of weight 2 is two patients.
    """
    patient = np.asarray(patient, dtype=np.int64)
    rows = None if patient_weights is None else np.asarray(patient_weights, dtype=float)[patient]
    u, code = patient_scores(plan, patient, rows)
    w = np.ones(len(u)) if patient_weights is None else np.asarray(patient_weights, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        z = (w @ u) / np.sqrt(w @ u**2)
    return np.where((code == 0) & np.isfinite(z), z, np.nan)
