"""Straight lines between two methods that both err: Deming, and the line by ranked slopes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .pairs import as_pairs


@dataclass(frozen=True, kw_only=True)
class Line:
    """test = intercept + slope * reference, with intervals; `se_*` NaN where the method has none."""

    intercept: float
    slope: float
    intercept_low: float
    intercept_high: float
    slope_low: float
    slope_high: float
    se_intercept: float
    se_slope: float
    n: int
    method: str


def deming(test, reference, *, error_ratio: float = 1.0, conf_level: float = 0.95) -> Line:
    """Errors-in-both-variables line, jackknife standard errors, t intervals with n - 2 df.

    error_ratio : error variance of the test method over that of the reference.

    References
    ----------
    Deming, Statistical Adjustment of Data, 1943; jackknife: Linnet, Clin Chem 1990;36:2079-2083.
    """
    from scipy.stats import t

    y, x, _ = as_pairs(test, reference)
    n = y.size
    whole = _deming(x, y, error_ratio)
    left_out = np.array([_deming(np.delete(x, i), np.delete(y, i), error_ratio) for i in range(n)])
    se = (n * whole - (n - 1) * left_out).std(axis=0, ddof=1) / np.sqrt(n)
    half = t.ppf(0.5 + conf_level / 2, n - 2) * se
    return Line(
        intercept=whole[0],
        slope=whole[1],
        intercept_low=whole[0] - half[0],
        intercept_high=whole[0] + half[0],
        slope_low=whole[1] - half[1],
        slope_high=whole[1] + half[1],
        se_intercept=se[0],
        se_slope=se[1],
        n=n,
        method=f"Deming, error variance ratio {error_ratio:g}, jackknife",
    )


def _deming(x: np.ndarray, y: np.ndarray, ratio: float) -> np.ndarray:
    sxx, syy, sxy = x.var(), y.var(), ((x - x.mean()) * (y - y.mean())).mean()
    apart = syy - ratio * sxx
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (apart + np.sqrt(apart**2 + 4 * ratio * sxy**2)) / (2 * sxy)
    return np.array([y.mean() - slope * x.mean(), slope])


def passing_bablok(test, reference, *, conf_level: float = 0.95) -> Line:
    """Line by the shifted median of all pairwise slopes.

    Pairs equal in both methods say nothing and are dropped, and so are slopes of exactly -1; a pair
    equal in the reference only has an infinite slope and stays. Assumes a linear relation, positive
    slope and errors of like size in both.

    References
    ----------
    Passing & Bablok, J Clin Chem Clin Biochem 1983;21:709-720.
    """
    from scipy.stats import norm

    y, x, _ = as_pairs(test, reference)
    n = y.size
    i, j = np.triu_indices(n, 1)
    dx, dy = x[i] - x[j], y[i] - y[j]
    told = (dx != 0) | (dy != 0)
    with np.errstate(divide="ignore"):
        slopes = np.sort(dy[told] / dx[told])
    slopes = slopes[slopes != -1]
    offset, count = int((slopes < -1).sum()), slopes.size
    half = norm.ppf(0.5 + conf_level / 2) * np.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    first = round((count - half) / 2)

    def ranked(position: int) -> float:
        """Slope number `position` from 1, after the offset; NaN beyond the slopes there are."""
        place = position + offset - 1
        return float(slopes[place]) if 0 <= place < count else np.nan

    middle = count // 2
    slope = ranked(middle + 1) if count % 2 else (ranked(middle) + ranked(middle + 1)) / 2
    low, high = ranked(first), ranked(count - first + 1)
    return Line(
        intercept=float(np.median(y - slope * x)),
        slope=slope,
        intercept_low=float(np.median(y - high * x)),
        intercept_high=float(np.median(y - low * x)),
        slope_low=low,
        slope_high=high,
        se_intercept=np.nan,
        se_slope=np.nan,
        n=n,
        method="Passing-Bablok",
    )
