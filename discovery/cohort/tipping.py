"""How far from "missing at random" the missing values would have to be to overturn a finding."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.cohort.imputation import Completed
from discovery.cohort.imputed_fits import fit_imputed

SHIFTS = (-1.0, -0.5, -0.25, 0.0, 0.25, 0.5, 1.0)
TIPPING_COLUMNS = (
    "outcome", "feature", "label", "shift_sd", "n_shifted", "estimate", "ci_low", "ci_high", "p_value",
    "holds", "tipping_shift_sd", "finding",
)  # fmt: skip


def tipping_points(
    design: Design,
    completed: Completed,
    features: list[str],
    *,
    labels: dict[str, str] | None = None,
    level: float = 0.05,
    workers: int = 1,
) -> pd.DataFrame:
    """The pooled answer with every imputed value shifted by up to 1 SD down and up (delta adjustment).

    Parameters
    ----------
    features : names; those without an imputed value give no row
    level : an association "holds" while its p is at most this and its sign, if it has one, that of the main
        answer
    workers : threads

    Returns
    -------
    DataFrame
        A row for each feature and shift. tipping_shift_sd : the shift nearest to 0 at which the association
        no longer holds, NaN where it holds throughout, 0 where it does not hold at the start; finding :
        the same in words. A value known to lie beyond a limit is not missing, and not shifted.

    References
    ----------
    Ratitch, O'Kelly & Tosiello, Pharm Stat 2013;12:337-347 (delta adjustment and tipping point).
    """
    from joblib import Parallel, delayed

    plan = completed.plan
    names = [design.feature_names[j] for j in plan.columns]
    shifted = plan.n_missing > plan.n_limited
    which = np.array(
        [names.index(name) for name in features if name in names and shifted[names.index(name)]],
        dtype=np.int64,
    )
    if not which.size:
        return pd.DataFrame(columns=list(TIPPING_COLUMNS))
    main = fit_imputed(design, completed, which=which)
    others = [shift for shift in SHIFTS if shift]
    every = Parallel(n_jobs=workers, prefer="threads")(
        delayed(fit_imputed)(design, completed, which=which, shift=shift, spread=main.spread)
        for shift in others
    )
    fits = dict(sorted([(0.0, main), *zip(others, every)], key=lambda pair: pair[0]))
    rows = []
    for at, c in enumerate(which):
        sign = np.sign(fits[0.0].coef[at, -1])
        holds = {
            shift: bool(
                fit.p_value[at] <= level and (fit.classes is not None or sign == np.sign(fit.coef[at, -1]))
            )
            for shift, fit in fits.items()
        }
        lost = sorted((shift for shift in SHIFTS if not holds[shift]), key=lambda shift: (abs(shift), shift))
        point = lost[0] if lost else np.nan
        for shift, fit in fits.items():
            rows.append(
                {
                    "outcome": design.outcome,
                    "feature": names[c],
                    "label": (labels or {}).get(names[c], names[c]),
                    "shift_sd": shift,
                    "n_shifted": int(plan.n_missing[c] - plan.n_limited[c]),
                    "estimate": fit.coef[at, -1],
                    "ci_low": fit.ci_low[at],
                    "ci_high": fit.ci_high[at],
                    "p_value": fit.p_value[at],
                    "holds": holds[shift],
                    "tipping_shift_sd": point,
                    "finding": _finding(point),
                }
            )
    return pd.DataFrame(rows, columns=list(TIPPING_COLUMNS))


def _finding(point: float) -> str:
    if np.isnan(point):
        return "holds if the missing values are up to 1 SD lower or higher than imputed"
    if point == 0:
        return "does not hold with the values as imputed"
    way = "lower" if point < 0 else "higher"
    return f"no longer holds if the missing values are {abs(point):g} SD {way} than imputed"
