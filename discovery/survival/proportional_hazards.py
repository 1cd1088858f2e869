"""Score test of proportional hazards: does a coefficient change with time?"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import chi2

from discovery.survival.cox import TIES, prepare_cox
from discovery.survival.cox_terms import event_terms, schoenfeld_residuals, term_covariances
from discovery.survival.follow_up import FollowUp, risk_sets, steps
from discovery.survival.jackknife import product_limit
from discovery.survival.refusals import refuse, require_choice
from discovery.survival.regression_table import SMALLEST_P

TRANSFORMS = ("km", "rank", "identity", "log")


def proportional_hazards_test(
    time, event, covariates, *, entry=None, weights=None, stratum=None, ties="efron", transform="km"
) -> pd.DataFrame:
    """Test each covariate, and all together, for a coefficient beta + theta g(t).

    The exact score test of theta = 0 at the fitted beta. (The older test by the correlation of scaled
    Schoenfeld residuals with g assumes that the covariance in the risk set stays the same over time,
    and gives other numbers.)

    Parameters
    ----------
    transform : "km", "rank", "identity" or "log"
        g(t): 1 less the Kaplan-Meier estimate just before t, all strata together; the rank of t among
        the event times (ties averaged); t; log t.
    other arguments : as for `cox_model`

    Returns
    -------
    DataFrame
        term (a covariate with all its levels, and "global"), chi2, df, p_value, slope (of the coefficient
        along g, standardised to one SD of g over the events; single-column covariates only),
        transform, n, events.

    References
    ----------
    Grambsch & Therneau, Biometrika 1994;81:515-526. Oracle: SV22, SV23.
    """
    require_choice("proportional hazards", "transform", transform, TRANSFORMS)
    require_choice("proportional hazards", "ties", ties, TIES)
    ready = prepare_cox(time, event, covariates, entry=entry, weights=weights, stratum=stratum)
    rows = ready.rows
    from discovery.kernels.cox import fit_cox
    from discovery.kernels.screen_fit import REASONS

    delayed = np.isfinite(rows.entry).any()
    fit = fit_cox(
        rows.time, rows.event.astype(float), rows.x, weights=rows.weights,
        entry=rows.entry if delayed else None, stratum=rows.stratum, ties=ties,
    )  # fmt: skip
    if fit.code != 0:
        refuse("proportional hazards", f"no test: {REASONS[fit.code]}", found="a model without estimates")
    terms = event_terms(rows, fit.coef, ties=ties)
    g = _transformed(rows, terms.group_time, transform)
    dead, residual = schoenfeld_residuals(rows, terms)
    w = rows.weights[dead]
    own = g[terms.death_group[dead]]
    mean = np.average(own, weights=w)
    spread = np.sqrt(np.average((own - mean) ** 2, weights=w))
    g, own = g - mean, own - mean
    score = (w * own) @ residual
    by_time = term_covariances(rows, terms)
    information = by_time.sum(axis=0)
    cross = np.einsum("g,gij->ij", g, by_time)
    square = np.einsum("g,gij->ij", g**2, by_time)
    left = square - cross @ np.linalg.solve(information, cross)
    if not np.isfinite(left).all():
        refuse("proportional hazards", "the variance of the test is not finite: nothing can be said")
    out = []
    variables = list(dict.fromkeys(ready.design.variable))
    blocks = [(name, np.flatnonzero([of == name for of in ready.design.variable])) for name in variables]
    blocks.append(("global", np.arange(len(score))))
    for name, at in blocks:
        block = left[np.ix_(at, at)]
        statistic = float(score[at] @ np.linalg.pinv(block, hermitian=True) @ score[at])
        slope = (
            score[at[0]] / block[0, 0] * spread / ready.spread[at[0]]
            if len(at) == 1 and block[0, 0] > 0
            else np.nan
        )
        p = max(float(chi2.sf(statistic, len(at))), SMALLEST_P)
        out.append({"term": name, "chi2": statistic, "df": len(at), "p_value": p, "slope": slope})
    if len(variables) == 1 and len(out) == 2:
        out[1]["slope"] = np.nan
    return pd.DataFrame(out).assign(transform=transform, n=len(rows.time), events=int(rows.event.sum()))


def _transformed(rows, times, transform) -> np.ndarray:
    """g at the event times (G,)."""
    if transform == "identity":
        return times.astype(float)
    if transform == "log":
        if (times <= 0).any():
            refuse("proportional hazards", "wanted event times above 0 for the log of time", found="0")
        return np.log(times)
    if transform == "rank":
        every = np.sort(rows.time[rows.event])
        low, high = np.searchsorted(every, times, side="left"), np.searchsorted(every, times, side="right")
        return (low + high + 1) / 2
    at = risk_sets(FollowUp(rows.time, rows.event.astype(float), rows.entry, rows.weights))
    survival, _ = product_limit(at.n_at_risk, at.n_event)
    return 1 - steps(at.time, survival, times, before=1.0, left=True)
