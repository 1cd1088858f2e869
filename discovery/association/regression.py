"""Single regressions with all their coefficients: least squares, logistic, risk ratio, categories, mixed.

For few fits. The screens over many features are in `screen`.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from discovery.association.multiplicity import never_zero
from discovery.problems import InputError, Problem

if TYPE_CHECKING:
    from discovery.kernels.cox import CoxFit
    from discovery.kernels.logistic import LogisticFit


@dataclass(frozen=True, kw_only=True)
class Regression:
    """Coefficients of one model, the intercept first where it has one.

    `coef`, `se` (k,) or (k, classes - 1) on the scale named by `scale`; `loglik` is the maximised log
    likelihood (penalised with Firth's penalty), NaN where there is none.
    """

    coef: np.ndarray
    se: np.ndarray
    loglik: float
    n: int
    scale: str
    method: str


@dataclass(frozen=True, kw_only=True)
class LeastSquares(Regression):
    """`hc3` (k,): standard errors that allow for unequal variance; `f_value` tests all but the intercept."""

    hc3: np.ndarray
    r2: float
    f_value: float
    f_p_value: float
    sigma: float


@dataclass(frozen=True, kw_only=True)
class MixedModel(Regression):
    """Random effects by group: their SDs (intercept, then slopes), correlations, residual SD and the REML
    criterion, -2 restricted log likelihood."""

    sd_random: np.ndarray
    correlation_random: np.ndarray
    sd_residual: float
    criterion: float
    n_groups: int


@dataclass(frozen=True, kw_only=True)
class LikelihoodRatio:
    chi2: float
    df: int
    p_value: float


def likelihood_ratio(larger: float, smaller: float, df: int) -> LikelihoodRatio:
    """Test of nested models from their maximised log likelihoods on the same patients."""
    chi2 = max(2 * (larger - smaller), 0.0)
    return LikelihoodRatio(chi2=chi2, df=df, p_value=float(never_zero(stats.chi2.sf(chi2, df))))


def least_squares(y: ArrayLike, columns: ArrayLike) -> LeastSquares:
    """Ordinary least squares of y (n,) on an intercept and `columns` (n, k).

    HC3: residuals divided by 1 - leverage (MacKinnon & White, J Econom 1985;29:305-325); NaN when a
    patient determines a coefficient alone.
    """
    outcome, x = _complete(y, columns)
    x = np.column_stack([np.ones(len(x)), x])
    n, k = x.shape
    if n <= k or np.linalg.matrix_rank(x / np.linalg.norm(x, axis=0)) < k:
        raise InputError(
            [
                Problem(
                    file="least squares",
                    found=f"{n} patients, {k} columns",
                    wanted="independent columns, n > k",
                )
            ]
        )
    basis, triangle = np.linalg.qr(x)
    inverse = np.linalg.inv(triangle)
    coef = inverse @ (basis.T @ outcome)
    rest = outcome - x @ coef
    total = float(((outcome - outcome.mean()) ** 2).sum())
    left = float(rest @ rest)
    sigma = np.sqrt(left / (n - k))
    leverage = (basis**2).sum(axis=1)
    free = 1 - leverage
    with np.errstate(divide="ignore", invalid="ignore"):
        scaled = np.where(free > 1e-10, rest / free, np.nan)
    bread = inverse @ basis.T  # (k, n): coefficients as a linear map of the outcome
    r2 = 1 - left / total if total > 0 else np.nan
    f_value = (total - left) / (k - 1) / (left / (n - k)) if k > 1 else np.nan
    return LeastSquares(
        coef=coef,
        se=sigma * np.sqrt((inverse**2).sum(axis=1)),
        hc3=np.sqrt(((bread * scaled) ** 2).sum(axis=1)),
        loglik=float(-n / 2 * (np.log(2 * np.pi * left / n) + 1)),
        n=n,
        r2=r2,
        f_value=f_value,
        f_p_value=float(never_zero(stats.f.sf(f_value, k - 1, n - k))) if k > 1 else np.nan,
        sigma=float(sigma),
        scale="mean difference",
        method="least squares",
    )


def risk_ratio(y: ArrayLike, columns: ArrayLike) -> Regression:
    """Modified Poisson regression: log risk ratios with a sandwich standard error (HC0).

    Zou, Am J Epidemiol 2004;159:702-706. y (n,) is 0 or 1.
    """
    outcome, x = _complete(y, columns)
    import statsmodels.api as sm

    design = np.column_stack([np.ones(len(x)), x])
    centre, spread = _scales(x)
    scaled = np.column_stack([np.ones(len(x)), (x - centre) / spread])
    fit = _quietly(lambda: sm.GLM(outcome, scaled, family=sm.families.Poisson()).fit(tol=1e-12, maxiter=200))
    turn = _back(centre, spread)
    coef = turn @ fit.params
    mu = np.exp(design @ coef)
    bread = turn @ np.linalg.inv(scaled.T @ (scaled * mu[:, None])) @ turn.T
    meat = design.T @ (design * ((outcome - mu) ** 2)[:, None])
    return Regression(
        coef=coef,
        se=np.sqrt(np.diag(bread @ meat @ bread)),
        loglik=np.nan,
        n=len(outcome),
        scale="log risk ratio",
        method="modified Poisson, HC0",
    )


def multinomial(codes: ArrayLike, columns: ArrayLike) -> Regression:
    """Multinomial logistic regression of class codes (n,) on an intercept and `columns` (n, k).

    Coefficients (k + 1, classes - 1), each class against the one with the smallest code.
    """
    import statsmodels.api as sm

    outcome, x = _complete(codes, columns)
    classes, y = np.unique(outcome, return_inverse=True)
    if len(classes) < 2:
        raise InputError([Problem(file="multinomial", found="one class", wanted="two classes or more")])
    centre, spread = _scales(x)
    scaled = np.column_stack([np.ones(len(x)), (x - centre) / spread])
    fit = _quietly(lambda: sm.MNLogit(y, scaled).fit(method="newton", maxiter=200, tol=1e-12, disp=0))
    turn = _back(centre, spread)
    k, others = scaled.shape[1], len(classes) - 1
    covariance = np.asarray(fit.cov_params())
    whole = np.kron(np.eye(others), turn)
    variance = np.diag(whole @ covariance @ whole.T)
    return Regression(
        coef=turn @ np.asarray(fit.params),
        se=np.sqrt(variance).reshape(others, k).T,
        loglik=float(fit.llf),
        n=len(outcome),
        scale="log odds ratio against the first class",
        method="multinomial logistic, maximum likelihood",
    )


def proportional_odds(codes: ArrayLike, columns: ArrayLike) -> Regression:
    """Proportional-odds regression of ordered codes (n,) on `columns` (n, k), no intercept.

    logit P(Y <= c) = cut_c - x b: a positive coefficient goes with higher classes.
    """
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    outcome, x = _complete(codes, columns)
    classes, y = np.unique(outcome, return_inverse=True)
    if len(classes) < 3:
        raise InputError(
            [
                Problem(
                    file="proportional odds",
                    found=f"{len(classes)} classes",
                    wanted="three ordered classes or more",
                )
            ]
        )
    centre, spread = _scales(x)
    model = OrderedModel(y, (x - centre) / spread, distr="logit")
    first = _quietly(lambda: model.fit(method="bfgs", disp=0, maxiter=500, gtol=1e-8))
    fit = _quietly(lambda: model.fit(start_params=first.params, method="newton", disp=0, maxiter=50))
    k = x.shape[1]
    return Regression(
        coef=np.asarray(fit.params)[:k] / spread,
        se=np.asarray(fit.bse)[:k] / spread,
        loglik=float(fit.llf),
        n=len(outcome),
        scale="log odds ratio of a higher class",
        method="proportional odds, maximum likelihood",
    )


def mixed_model(
    y: ArrayLike, columns: ArrayLike, group: ArrayLike, *, slopes: ArrayLike | None = None
) -> MixedModel:
    """Linear mixed model by restricted likelihood: a random intercept per `group`, and correlated random
    slopes for the columns `slopes` (n, s) when given. `columns` (n, k) are the fixed effects."""
    import statsmodels.api as sm

    outcome, x = np.asarray(y, dtype=float), _matrix(columns)
    fixed = np.column_stack([np.ones(len(x)), x])
    random = np.ones((len(x), 1)) if slopes is None else np.column_stack([np.ones(len(x)), _matrix(slopes)])
    if not (np.isfinite(outcome).all() and np.isfinite(fixed).all() and np.isfinite(random).all()):
        raise InputError([Problem(file="mixed model", found="a missing value", wanted="complete rows")])
    model = sm.MixedLM(outcome, fixed, groups=np.asarray(group), exog_re=random)
    fit = _quietly(lambda: model.fit(reml=True, method="lbfgs", maxiter=1000, pgtol=1e-9))
    covariance = np.atleast_2d(np.asarray(fit.cov_re))
    sd = np.sqrt(np.diag(covariance))
    with np.errstate(divide="ignore", invalid="ignore"):
        correlation = covariance / np.outer(sd, sd)
    return MixedModel(
        coef=np.asarray(fit.fe_params),
        se=np.asarray(fit.bse_fe),
        loglik=float(fit.llf),
        n=len(outcome),
        sd_random=sd,
        correlation_random=correlation,
        sd_residual=float(np.sqrt(fit.scale)),
        criterion=float(-2 * fit.llf),
        n_groups=len(np.unique(np.asarray(group))),
        scale="mean difference",
        method="linear mixed model, restricted likelihood",
    )


def logistic(y: ArrayLike, columns: ArrayLike, *, firth: bool = False) -> Regression:
    """Logistic regression of y (n,), 0 or 1, on an intercept and `columns` (n, k).

    With `firth` the bias-reducing penalty, which has a finite estimate under separation; standard
    errors are of the unpenalised information at the estimate, as in Firth, Biometrika 1993;80:27-38.
    """
    from discovery.kernels.logistic import fit_logistic

    outcome, x = _complete(y, columns)
    fit = fit_logistic(outcome, x, firth=firth)
    method = "logistic, Firth penalty" if firth else "logistic, maximum likelihood"
    return _of_kernel(fit, "logistic", len(outcome), scale="log odds ratio", method=method)


def cox(
    time: ArrayLike,
    event: ArrayLike,
    columns: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    stratum: ArrayLike | None = None,
    firth: bool = False,
) -> Regression:
    """Cox regression (Efron ties) of time (n,) and event (n,), 0 or 1, on `columns` (n, k)."""
    from discovery.kernels.cox import fit_cox

    x = _matrix(columns)
    when, happened = np.asarray(time, dtype=float), np.asarray(event, dtype=float)
    seen = np.isfinite(when) & np.isfinite(happened) & np.isfinite(x).all(axis=1)
    start = None if entry is None else np.asarray(entry, dtype=float)
    if start is not None:
        seen &= np.isfinite(start)
    fit = fit_cox(
        when[seen],
        happened[seen],
        x[seen],
        entry=None if start is None else start[seen],
        stratum=None if stratum is None else np.asarray(stratum)[seen],
        firth=firth,
    )
    method = "Cox (Efron ties), Firth penalty" if firth else "Cox (Efron ties), partial likelihood"
    return _of_kernel(fit, "cox", int(seen.sum()), scale="log hazard ratio", method=method)


def _of_kernel(fit: CoxFit | LogisticFit, name: str, n: int, *, scale: str, method: str) -> Regression:
    """A fit of the kernels; NaN for a column without information."""
    from discovery.kernels.screen_fit import REASONS

    if not fit.converged:
        raise InputError(
            [Problem(file=name, found=REASONS[int(fit.code)], wanted="other columns, or firth=True")]
        )
    variance = np.diag(fit.covariance)
    return Regression(
        coef=np.where(np.isnan(variance), np.nan, fit.coef),
        se=np.sqrt(variance),
        loglik=float(fit.loglik),
        n=n,
        scale=scale,
        method=method,
    )


def _matrix(columns: ArrayLike) -> np.ndarray:
    x = np.asarray(columns, dtype=float)
    return x[:, None] if x.ndim == 1 else x


def _complete(y: ArrayLike, columns: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """The patients with everything seen."""
    outcome, x = np.asarray(y, dtype=float), _matrix(columns)
    if len(outcome) != len(x):
        raise InputError(
            [
                Problem(
                    file="regression",
                    found=f"{len(outcome)} and {len(x)} rows",
                    wanted="as many rows in both",
                )
            ]
        )
    seen = np.isfinite(outcome) & np.isfinite(x).all(axis=1)
    return outcome[seen], x[seen]


def _scales(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    spread = x.std(axis=0)
    return x.mean(axis=0), np.where(spread > 0, spread, 1.0)


def _back(centre: np.ndarray, spread: np.ndarray) -> np.ndarray:
    """Matrix that turns coefficients of centred, scaled columns into those of the raw ones."""
    k = len(centre)
    turn = np.zeros((k + 1, k + 1))
    turn[0, 0] = 1.0
    turn[0, 1:] = -centre / spread
    turn[1:, 1:] = np.diag(1 / spread)
    return turn


def _quietly(fit) -> Any:
    """Run a library's fit; its warning that it did not get there becomes a fault that says so."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        result = fit()
    converged = getattr(result, "converged", None)
    if converged is None:
        converged = result.mle_retvals.get("converged", True)
    if not converged or not np.isfinite(np.asarray(result.params)).all():
        raise InputError(
            [
                Problem(
                    file="regression",
                    found="the fit did not converge",
                    wanted="fewer columns, or more patients",
                )
            ]
        )
    return result
