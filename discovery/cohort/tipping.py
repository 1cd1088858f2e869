"""How far from "missing at random" the missing values would have to be to overturn a finding."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.association.design import Design
from discovery.cohort.imputation import Completed
from discovery.cohort.imputed_fits import ImputedFits, fit_imputed

SHIFTS = (-1.0, -0.5, -0.25, 0.0, 0.25, 0.5, 1.0)
TIPPING_COLUMNS = (
    "outcome", "feature", "label", "shift_sd", "n_shifted", "estimate", "ci_low", "ci_high", "p_value",
    "holds", "tipping_shift_sd", "finding",
)  # fmt: skip


def tipping_points(
    design: Design,
    completed: Completed,
    fits: ImputedFits,
    features: list[str],
    *,
    labels: dict[str, str] | None = None,
    level: float = 0.05,
    workers: int = 1,
) -> pd.DataFrame:
    """The pooled answer with every imputed value shifted by up to 1 SD down and up (delta adjustment).

    Parameters
    ----------
    fits : the answers without a shift, of all `completed.plan.columns`
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
    names = np.array(design.feature_names, dtype=object)[plan.columns]
    n_shifted = plan.n_missing - plan.n_limited
    place = {name: c for c, name in enumerate(names) if n_shifted[c]}
    which = np.array([place[name] for name in features if name in place], dtype=np.int64)
    if not which.size:
        return pd.DataFrame(columns=list(TIPPING_COLUMNS))
    spread = None if fits.spread is None else fits.spread.of(which)
    shifts = [shift for shift in SHIFTS if shift]
    shifted = Parallel(n_jobs=workers, prefer="threads")(
        delayed(fit_imputed)(design, completed, which=which, shift=shift, spread=spread) for shift in shifts
    )
    answers = {0.0: _answers(fits, which)} | dict(zip(shifts, map(_answers, shifted)))
    table = _with_tipping_shift(answers, level, directed=fits.classes is None)
    column = which[table.index]
    return table.assign(
        outcome=design.outcome,
        feature=names[column],
        label=[(labels or {}).get(name, name) for name in names[column]],
        n_shifted=n_shifted[column],
        finding=table["tipping_shift_sd"].map(_finding),
    ).reset_index(drop=True)[list(TIPPING_COLUMNS)]


def _answers(fits: ImputedFits, which: np.ndarray | slice = slice(None)) -> pd.DataFrame:
    """A row for each of the features `which`, by its place among them."""
    return pd.DataFrame(
        {
            "estimate": fits.coef[which, -1],
            "ci_low": fits.ci_low[which],
            "ci_high": fits.ci_high[which],
            "p_value": fits.p_value[which],
        }
    )


def _with_tipping_shift(answers: dict[float, pd.DataFrame], level: float, *, directed: bool) -> pd.DataFrame:
    """The answers by shift as one table, by feature and then shift, with what holds and where it tips."""
    sign = np.sign(answers[0.0]["estimate"])
    parts = []
    for shift in SHIFTS:
        one = answers[shift]
        same_side = (np.sign(one["estimate"]) == sign) | (not directed)
        parts.append(one.assign(shift_sd=shift, holds=(one["p_value"] <= level) & same_side))
    table = pd.concat(parts).sort_index(kind="stable")
    lost = table[~table["holds"]]
    nearest = lost.iloc[np.lexsort((lost["shift_sd"], lost["shift_sd"].abs()))]
    tipping = nearest.groupby(level=0)["shift_sd"].first().reindex(table.index)
    return table.assign(tipping_shift_sd=tipping)


def _finding(point: float) -> str:
    if np.isnan(point):
        return "holds if the missing values are up to 1 SD lower or higher than imputed"
    if point == 0:
        return "does not hold with the values as imputed"
    way = "lower" if point < 0 else "higher"
    return f"no longer holds if the missing values are {abs(point):g} SD {way} than imputed"
