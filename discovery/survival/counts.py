"""Counts of episodes over unequal times: negative binomial, or Poisson with honest errors."""

from __future__ import annotations

import numpy as np

from discovery.survival.covariates import design_matrix, require_full_rank
from discovery.survival.refusals import refuse, require_choice, require_level
from discovery.survival.regression_table import RegressionFit

SOURCE = "counts of episodes"
FAMILIES = ("negative binomial", "poisson")


def count_regression(
    count, exposure, covariates, *, family="negative binomial", conf_level=0.95
) -> RegressionFit:
    """Rate ratio of a count of episodes, with log exposure as offset.

    Parameters
    ----------
    count : array (n,), whole numbers from 0 up
    exposure : array (n,), time observed, above 0
    covariates : DataFrame or array (n, k); rows with a missing value are left out and counted
    family : "negative binomial" or "poisson"
        Negative binomial (variance mu + alpha mu^2; the last term is log(alpha)), fitted by
        statsmodels; where the counts are not overdispersed it falls back to Poisson, and says so.
        Poisson has sandwich errors (HC0), which are honest about overdispersion.

    Raises
    ------
    InputError
        Counts or exposures that are not as above; no episode at all; constant or collinear columns.

    References
    ----------
    Lawless, Can J Stat 1987;15:209-225. Closed form: equal exposures and one binary covariate give the
    ratio of means.
    """
    require_choice(SOURCE, "family", family, FAMILIES)
    require_level(SOURCE, conf_level)
    design = design_matrix(covariates)
    count, exposure = np.asarray(count, dtype=float), np.asarray(exposure, dtype=float)
    if not count.shape == exposure.shape == design.complete.shape:
        found = f"{count.shape}, {exposure.shape}, {design.complete.shape}"
        refuse(SOURCE, "wanted one count, exposure and row of covariates a patient", found=found)
    kept = design.complete & np.isfinite(count) & np.isfinite(exposure)
    y, time, x = count[kept], exposure[kept], design.matrix[kept]
    if ((y < 0) | (y != np.round(y))).any():
        refuse(
            SOURCE,
            "wanted whole numbers from 0 up",
            column="count",
            found=f"{y[(y < 0) | (y != np.round(y))][0]:g}",
        )
    if (time <= 0).any():
        refuse(SOURCE, "wanted an observed time above 0", column="exposure", found=f"{time.min():g}")
    if not y.sum() > 0:
        refuse(SOURCE, "wanted at least one episode", column="count", found="none")
    require_full_rank(SOURCE, x, design.names)
    centre, spread = x.mean(axis=0), x.std(axis=0)
    z = np.column_stack([np.ones(len(y)), (x - centre) / spread])
    beta, covariance, loglik, null, note, log_alpha = _fit_counts(y, time, z, family)
    back = np.zeros((len(beta), len(beta)))
    k = x.shape[1]
    back[0, 0], back[0, 1 : k + 1] = 1.0, -centre / spread
    back[1 : k + 1, 1 : k + 1] = np.diag(1 / spread)
    names, variable = ("intercept", *design.names), ("intercept", *design.variable)
    if log_alpha:
        back[-1, -1] = 1.0
        names, variable = (*names, "log(alpha)"), (*variable, "log(alpha)")
    method = (
        "negative binomial, log time offset" if log_alpha else "Poisson, log time offset, sandwich errors"
    )
    covariance = back @ covariance @ back.T
    return RegressionFit(
        method=method, effect_measure="log rate ratio", names=names, variable=variable, coef=back @ beta,
        covariance=covariance, model_covariance=covariance, loglik=loglik, loglik_null=null, n=len(y),
        events=int(y.sum()), n_left_out=int((~kept).sum()), conf_level=conf_level, note=note,
    )  # fmt: skip


def _fit_counts(y, time, z, family):
    import statsmodels.api as sm

    offset = np.log(time)
    poisson = sm.GLM(y, z, family=sm.families.Poisson(), offset=offset).fit(cov_type="HC0")
    note = ""
    if family == "negative binomial":
        found = _negative_binomial(y, z, offset, poisson.params)
        if found is not None:
            null = _negative_binomial(y, z[:, :1], offset, poisson.params[:1])
            return *found, null[2] if null is not None else float("nan"), "", True
        note = "no overdispersion to estimate: Poisson with sandwich errors instead"
    null = sm.GLM(y, z[:, :1], family=sm.families.Poisson(), offset=offset).fit()
    return poisson.params, poisson.cov_params(), float(poisson.llf), float(null.llf), note, False


def _negative_binomial(y, z, offset, start):
    """Coefficients with log alpha, their covariance and the log likelihood; None without overdispersion."""
    import warnings

    from statsmodels.discrete.discrete_model import NegativeBinomial

    mu = np.exp(z @ start + offset)
    excess = float(((y - mu) ** 2 - y).sum() / (mu**2).sum())
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = NegativeBinomial(y, z, offset=offset).fit(
            start_params=np.append(start, max(excess, 0.05)), method="bfgs", disp=0, maxiter=500
        )
        if fit.params[-1] > 0:
            fit = NegativeBinomial(y, z, offset=offset).fit(start_params=fit.params, method="newton", disp=0)
    alpha = float(fit.params[-1])
    covariance = np.asarray(fit.cov_params())
    if not alpha > 1e-6 or not np.isfinite(covariance).all() or (np.diag(covariance) <= 0).any():
        return None
    # The dispersion on the log scale: divide its row and column by alpha.
    scale = np.append(np.ones(len(start)), 1 / alpha)
    return np.append(fit.params[:-1], np.log(alpha)), covariance * np.outer(scale, scale), float(fit.llf)
