"""How far the base model follows each patient's number of events: hat values of a Cox model by patient.

Residuals of a patient whom the fit follows are too small, and so are the squares that a robust variance is
the sum of. Divided by 1 - h they are what the residual would be without the patient's own pull, and their
squares a little too large (MacKinnon & White, J Econometrics 1985;29:305-325; for estimating equations Mancl
& DeRouen, Biometrics 2001;57:126-134).
"""

from __future__ import annotations

import numpy as np

from .compiled import compiled
from .newton import COLLINEAR_PIVOT, factor, solve

LEAST_SPARE = 1e-6  # below, what is left of a patient is rounding


@compiled
def spare_of_patients(patient, stratum, weights, expected, base):
    """1 - h (n,) of each patient; rows (m,) belong to `patient` and `stratum`, both codes from 0.

    h is the hat value of the Poisson regression of events on the levels of the strata and the base columns
    (m, q), the same in all rows of a patient, with the `expected` events of the rows as its weights. A
    patient of weight 2 is two patients, each with this h.
    """
    n, strata, q = patient.max() + 1, stratum.max() + 1, base.shape[1]
    events, copies = np.zeros(n), np.zeros(n)
    home, place = np.zeros(n, np.int64), np.zeros(n, np.int64)
    for i in range(patient.size):
        events[patient[i]] += expected[i]
        copies[patient[i]], home[patient[i]], place[patient[i]] = weights[i], stratum[i], i
    total, mean = np.zeros(strata), np.zeros((strata, q))
    for j in range(n):
        total[home[j]] += copies[j] * events[j]
        for a in range(q):
            mean[home[j], a] += copies[j] * events[j] * base[place[j], a]
    for s in range(strata):
        for a in range(q):
            mean[s, a] /= total[s] if total[s] > 0.0 else 1.0
    info, own = np.zeros((q * (q + 1) // 2, 1)), np.zeros(q)
    for j in range(n):
        t = 0
        for a in range(q):
            own[a] = base[place[j], a] - mean[home[j], a]
            for b in range(a + 1):
                info[t, 0] += copies[j] * events[j] * own[a] * own[b]
                t += 1
    low, vector, spare = np.zeros((q, q)), np.zeros(q), np.ones(n)
    factor(info, 0, q, np.ones((q, 1), dtype=np.int8), COLLINEAR_PIVOT, low)
    for j in range(n):
        if events[j] > 0.0:
            form = 1.0 / total[home[j]] if total[home[j]] > 0.0 else 0.0
            for a in range(q):
                own[a] = base[place[j], a] - mean[home[j], a]
                vector[a] = own[a]
            solve(low, q, vector)
            for a in range(q):
                form += own[a] * vector[a]
            spare[j] = max(1.0 - events[j] * form, LEAST_SPARE)
    return spare
