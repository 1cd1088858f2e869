"""Weibull accelerated failure time regression, fitted by lifelines."""

from __future__ import annotations

import numpy as np
import pandas as pd

from discovery.survival.covariates import design_matrix, require_full_rank
from discovery.survival.follow_up import one_event
from discovery.survival.refusals import refuse, require_level
from discovery.survival.regression_table import RegressionFit

SOURCE = "Weibull model"


def weibull_aft(time, event, covariates, *, entry=None, weights=None, conf_level=0.95) -> RegressionFit:
    """log T = intercept + x beta + scale e, e of the standard extreme-value distribution of minima.

    A positive coefficient means a longer time: exp(coefficient) multiplies it. The last term is
    log(scale); the shape of the Weibull distribution is 1/scale, and -coefficient/scale a log hazard ratio.

    Parameters
    ----------
    time : array (n,), above 0
    other arguments : as for `cox_model`

    Raises
    ------
    InputError
        See `as_follow_up`; a time of 0; no event; constant or collinear columns.

    References
    ----------
    Oracle: SV31.
    """
    require_level(SOURCE, conf_level)
    design = design_matrix(covariates)
    everyone = one_event(time, event, entry=entry)
    if len(design.complete) != len(everyone.time):
        refuse(SOURCE, f"wanted {len(everyone.time)} rows of covariates", found=str(len(design.complete)))
    kept = design.complete & (np.asarray(weights, dtype=float) > 0 if weights is not None else True)
    x = design.matrix[kept]
    if (everyone.time[kept] <= 0).any():
        refuse(SOURCE, "wanted times above 0: a Weibull time is never 0", column="time", found="0")
    if not (everyone.status[kept] == 1).any():
        refuse(SOURCE, "wanted at least one event among complete rows", column="event", found="none")
    require_full_rank(SOURCE, x, design.names)
    from lifelines import WeibullAFTFitter

    centre, spread = x.mean(axis=0), x.std(axis=0)
    columns = [f"c{i}" for i in range(x.shape[1])]
    frame = pd.DataFrame((x - centre) / spread, columns=columns)
    frame["duration"], frame["observed"] = everyone.time[kept], everyone.status[kept] == 1
    options: dict[str, str] = {}
    if entry is not None:
        frame["came"] = np.maximum(everyone.entry[kept], 0.0)
        options["entry_col"] = "came"
    if weights is not None:
        frame["case"] = np.asarray(weights, dtype=float)[kept]
        options["weights_col"] = "case"
    fitter = WeibullAFTFitter()
    fitter.fit(frame, duration_col="duration", event_col="observed", **options)
    terms = [("lambda_", name) for name in ["Intercept", *columns]] + [("rho_", "Intercept")]
    found = fitter.params_.loc[terms].to_numpy()
    covariance = fitter.variance_matrix_.loc[terms, terms].to_numpy()
    k = x.shape[1]
    back = np.zeros((k + 2, k + 2))  # from scaled columns and log shape to ours
    back[0, 0], back[-1, -1] = 1.0, -1.0
    back[1:-1, 1:-1] = np.diag(1 / spread)
    back[0, 1:-1] = -centre / spread
    covariance = back @ covariance @ back.T
    return RegressionFit(
        method="Weibull accelerated failure time", effect_measure="log time ratio",
        names=("intercept", *design.names, "log(scale)"),
        variable=("intercept", *design.variable, "log(scale)"),
        coef=back @ found, covariance=covariance, model_covariance=covariance,
        loglik=float(fitter.log_likelihood_), loglik_null=float("nan"), n=int(kept.sum()),
        events=int((everyone.status[kept] == 1).sum()), n_left_out=int((~kept).sum()), conf_level=conf_level,
    )  # fmt: skip
