"""Rubin's rules: one answer from the analyses of several completed copies of the data."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from discovery.association.multiplicity import never_zero
from discovery.problems import InputError, Problem

ROUNDING = 1e-18  # of the variance: copies that differ by a billionth of a standard error agree


@dataclass(frozen=True, kw_only=True)
class Pooled:
    """Coefficients (k,) pooled over m copies; NaN where a copy had none.

    within, between, total : variances (Rubin's U-bar, B and T); df : of Barnard & Rubin, infinite where the
    copies agree and complete data would have a normal test; riv : relative increase of variance;
    share_imputed : B (1 + 1/m) / T, "lambda"; fmi : fraction of missing information.
    """

    estimate: np.ndarray
    within: np.ndarray
    between: np.ndarray
    total: np.ndarray
    df: np.ndarray
    riv: np.ndarray
    share_imputed: np.ndarray
    fmi: np.ndarray
    copies: int

    @property
    def se(self) -> np.ndarray:
        return np.sqrt(self.total)

    @property
    def t(self) -> np.ndarray:
        with np.errstate(divide="ignore", invalid="ignore"):
            return self.estimate / self.se

    @property
    def p_value(self) -> np.ndarray:
        """Two-sided, of the hypothesis that the coefficient is 0."""
        return never_zero(2 * stats.t.sf(np.abs(self.t), self.df))

    def interval(self, conf_level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
        half = stats.t.ppf(0.5 + conf_level / 2, self.df) * self.se
        return self.estimate - half, self.estimate + half

    @property
    def monte_carlo_error(self) -> np.ndarray:
        """How much the estimate would move with other imputations, as a standard error: sqrt(B / m)."""
        return np.sqrt(self.between / self.copies)


def pool(estimates: ArrayLike, variances: ArrayLike, *, df_complete: ArrayLike = np.inf) -> Pooled:
    """Pool each coefficient.

    Parameters
    ----------
    estimates, variances : (m, k), m >= 2 copies
    df_complete : degrees of freedom that the test would have without a missing value, one number or (k,)

    Raises
    ------
    InputError : fewer than two copies, shapes that differ.

    References
    ----------
    Rubin, Multiple Imputation for Nonresponse in Surveys, 1987; Barnard & Rubin, Biometrika
    1999;86:948-955.
    """
    q, u = np.asarray(estimates, dtype=float), np.asarray(variances, dtype=float)
    _require_copies(q, u)
    m = len(q)
    estimate, within, between = q.mean(axis=0), u.mean(axis=0), q.var(axis=0, ddof=1)
    between = np.where(between <= ROUNDING * within, 0.0, between)
    total = within + (1 + 1 / m) * between
    with np.errstate(divide="ignore", invalid="ignore"):
        riv = (1 + 1 / m) * between / within
        share = (1 + 1 / m) * between / total
        large_sample = (m - 1) / share**2
        complete = np.broadcast_to(np.asarray(df_complete, dtype=float), estimate.shape)
        known = np.where(np.isinf(complete), np.inf, (complete + 1) / (complete + 3) * complete * (1 - share))
        df = 1 / (1 / large_sample + 1 / known)
        fmi = (riv + 2 / (df + 3)) / (riv + 1)
    return Pooled(
        estimate=estimate, within=within, between=between, total=total, df=df, riv=riv,
        share_imputed=share, fmi=fmi, copies=m,
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class PooledWald:
    f_value: float
    df1: int
    df2: float
    p_value: float
    riv: float


def pool_wald(estimates: ArrayLike, covariances: ArrayLike, *, df_complete: float = np.inf) -> PooledWald:
    """Test that k coefficients are all 0, from m copies of them (m, k) and their covariances (m, k, k).

    The between-copies covariance is taken as proportional to the one within (D1).

    References
    ----------
    Li, Raghunathan & Rubin, J Am Stat Assoc 1991;86:1065-1073; the second degrees of freedom for a finite
    sample: Reiter, Biometrika 2007;94:502-508.
    """
    q, u = np.asarray(estimates, dtype=float), np.asarray(covariances, dtype=float)
    _require_copies(q, u[:, :, 0])
    m, k = q.shape
    mean, within = q.mean(axis=0), u.mean(axis=0)
    between = np.atleast_2d(np.cov(q, rowvar=False))
    riv = float((1 + 1 / m) * np.trace(between @ np.linalg.inv(within)) / k)
    riv = 0.0 if riv <= ROUNDING else riv
    f_value = float(mean @ np.linalg.solve(within, mean) / (k * (1 + riv)))
    t = k * (m - 1)
    if np.isinf(df_complete) and not riv:
        df2 = np.inf
    elif np.isinf(df_complete):
        df2 = (
            4 + (t - 4) * (1 + (1 - 2 / t) / riv) ** 2 if t > 4 else t * (1 + 1 / k) * (1 + 1 / riv) ** 2 / 2
        )
    else:
        df2 = _reiter_df(riv, t, df_complete)
    return PooledWald(
        f_value=f_value,
        df1=k,
        df2=float(df2),
        p_value=float(never_zero(_tail_of_f(f_value, k, df2))),
        riv=riv,
    )


def _tail_of_f(f_value: float, df1: int, df2: float) -> float:
    return stats.chi2.sf(df1 * f_value, df1) if np.isinf(df2) else stats.f.sf(f_value, df1, df2)


def _reiter_df(riv: float, t: int, complete: float) -> float:
    """Reiter's second degrees of freedom, his equation for finite samples."""
    a = riv * t / (t - 2)
    known = (complete + 1) / (complete + 3) * complete
    c0 = 1 / (t - 4)
    c1 = known - 2 * (1 + a)
    c2 = known - 4 * (1 + a)
    z = (
        1 / c2
        + c0 * a**2 * c1 / ((1 + a) ** 2 * c2)
        + c0 * 8 * a**2 * c1 / ((1 + a) * c2**2)
        + c0 * 4 * a**2 / ((1 + a) * c2)
        + c0 * 4 * a**2 / (c2 * c1)
        + c0 * 16 * a**2 * c1 / c2**3
        + c0 * 8 * a**2 / c2**2
    )
    return 4 + 1 / z


def _require_copies(q: np.ndarray, u: np.ndarray) -> None:
    if q.ndim != 2 or len(q) < 2 or q.shape != u.shape:
        found = f"estimates of shape {q.shape}, variances of shape {u.shape}"
        wanted = "two copies or more, a variance for each estimate"
        raise InputError([Problem(file="pooling", found=found, wanted=wanted)])
