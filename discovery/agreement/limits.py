"""Limits of agreement between two methods, one pair a subject or several."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from .pairs import as_pairs


@dataclass(frozen=True, kw_only=True)
class Limits:
    """Bias (test - reference) and the limits between which a share `coverage` of differences lies.

    The two intervals of a limit: `exact` by the noncentral t, one limit at a time, not symmetric; and
    by its approximate standard error. NaN where the pairs of a subject are several, for which neither
    is known in closed form: resample subjects there.
    """

    bias: float
    bias_low: float
    bias_high: float
    sd: float
    lower: float
    upper: float
    lower_exact: tuple[float, float]
    upper_exact: tuple[float, float]
    lower_approximate: tuple[float, float]
    upper_approximate: tuple[float, float]
    n_subjects: int
    n_pairs: int
    method: str


def limits_of_agreement(
    test,
    reference,
    *,
    percent: bool = False,
    multiplier: float | None = None,
    coverage: float = 0.95,
    conf_level: float = 0.95,
) -> Limits:
    """Limits of agreement of two methods, one pair a subject.

    Parameters
    ----------
    test, reference : arrays (n,); pairs with a missing value are left out
    percent : differences as a percentage of the mean of the pair; pairs with mean 0 are then undefined
    multiplier : SDs from the bias to a limit; by default the normal quantile of `coverage` (1.96)
    coverage : share of differences the limits are to hold
    conf_level : of the intervals

    Raises
    ------
    InputError
        As `as_pairs`.

    References
    ----------
    Bland & Altman, Lancet 1986;327:307-310; the standard error s sqrt(1/n + z^2/(2(n-1))) of a limit:
    Stat Methods Med Res 1999;8:135-160; the exact interval: Carkeet, Optom Vis Sci 2015;92:e71-e80.
    """
    from scipy.stats import nct, norm, t

    a, b, _ = as_pairs(test, reference)
    with np.errstate(divide="ignore", invalid="ignore"):
        difference = 100 * (a - b) / ((a + b) / 2) if percent else a - b
    n, bias, sd = difference.size, float(difference.mean()), float(difference.std(ddof=1))
    z = float(norm.ppf(0.5 + coverage / 2)) if multiplier is None else multiplier
    tail = np.array([(1 - conf_level) / 2, (1 + conf_level) / 2])
    from_bias = nct.ppf(tail, n - 1, z * np.sqrt(n)) / np.sqrt(n) * sd
    half = t.ppf(tail[1], n - 1) * sd * np.sqrt(1 / n + z**2 / (2 * (n - 1)))
    bias_half = t.ppf(tail[1], n - 1) * sd / np.sqrt(n)
    lower, upper = bias - z * sd, bias + z * sd
    return Limits(
        bias=bias,
        bias_low=bias - bias_half,
        bias_high=bias + bias_half,
        sd=sd,
        lower=lower,
        upper=upper,
        lower_exact=(bias - from_bias[1], bias - from_bias[0]),
        upper_exact=(bias + from_bias[0], bias + from_bias[1]),
        lower_approximate=(lower - half, lower + half),
        upper_approximate=(upper - half, upper + half),
        n_subjects=n,
        n_pairs=n,
        method="one pair a subject" + (", percent of the pair's mean" if percent else ""),
    )


@dataclass(frozen=True, kw_only=True)
class SubjectVariance:
    """One-way analysis of variance by subject: what differs between subjects and inside one."""

    between: float
    mean_square_between: float
    within: float
    n0: float
    n_subjects: int
    n: int


def variance_by_subject(value: np.ndarray, subject: np.ndarray) -> SubjectVariance:
    """Variance components of value (n,) by subject codes (n,), replicates of any number.

    n0 = ((sum m)^2 - sum m^2) / ((k - 1) sum m). `between` is not cut at 0. NaN where no subject has a
    second value or there is only one subject.
    """
    count = np.bincount(subject)
    k, n = count.size, value.size
    mean = np.bincount(subject, value) / count
    n0 = (n**2 - (count**2).sum()) / ((k - 1) * n) if k > 1 else np.nan
    within = ((value - mean[subject]) ** 2).sum() / (n - k) if n > k else np.nan
    between = (count * (mean - value.mean()) ** 2).sum() / (k - 1) if k > 1 else np.nan
    return SubjectVariance(
        between=float((between - within) / n0),
        mean_square_between=float(between),
        within=float(within),
        n0=float(n0),
        n_subjects=k,
        n=n,
    )


def limits_of_repeated_pairs(
    test,
    reference,
    subject,
    *,
    truth: Literal["varies", "constant"] = "varies",
    coverage: float = 0.95,
) -> Limits:
    """Limits of agreement with several pairs a subject.

    truth : "varies", what is measured changes within a subject and the two readings of a pair belong
        together; "constant", it does not, and the readings of a subject are replicates in no order.

    The limits hold for a single future pair of a new subject. Taking the pairs as independent
    would make them too narrow.

    References
    ----------
    Bland & Altman, Stat Methods Med Res 1999;8:135-160, section 5.2 (constant);
    J Biopharm Stat 2007;17:571-582 (varies).
    """
    from scipy.stats import norm

    a, b, who = as_pairs(test, reference, subject)
    count = np.bincount(who)
    if truth == "varies":
        parts = variance_by_subject(a - b, who)
        bias, variance = float((a - b).mean()), max(parts.between, 0.0) + parts.within
        method = "several pairs a subject, truth varies within a subject"
    else:
        means = np.bincount(who, a - b) / count
        inside = variance_by_subject(a, who).within + variance_by_subject(b, who).within
        bias, variance = float(means.mean()), means.var(ddof=1) + (1 - (1 / count).mean()) * inside
        method = "several readings a subject, truth constant within a subject"
    sd = float(np.sqrt(variance))
    z, unknown = float(norm.ppf(0.5 + coverage / 2)), (np.nan, np.nan)
    return Limits(
        bias=bias,
        bias_low=np.nan,
        bias_high=np.nan,
        sd=sd,
        lower=bias - z * sd,
        upper=bias + z * sd,
        lower_exact=unknown,
        upper_exact=unknown,
        lower_approximate=unknown,
        upper_approximate=unknown,
        n_subjects=count.size,
        n_pairs=a.size,
        method=method,
    )


def percentage_error(sd: float, mean: float, *, coverage: float = 0.95) -> float:
    """Half width of the limits of agreement as a percentage of `mean`; papers differ in which mean: name it.

    Critchley & Critchley, J Clin Monit Comput 1999;15:85-91.
    """
    from scipy.stats import norm

    return 100 * float(norm.ppf(0.5 + coverage / 2)) * sd / mean


def repeatability(readings, *, coverage: float = 0.95) -> tuple[float, float]:
    """Within-subject SD of one method, and the difference that two readings of a subject seldom pass.

    readings : array (n_subjects, 2), a row with a missing value left out. Returns (sw, z sqrt(2) sw);
    NaN without a complete row.
    """
    from scipy.stats import norm

    both = np.asarray(readings, dtype=float)
    apart = np.diff(both[np.isfinite(both).all(axis=1)], axis=1)
    within = float(np.sqrt((apart**2).mean() / 2)) if apart.size else np.nan
    return within, float(norm.ppf(0.5 + coverage / 2) * np.sqrt(2)) * within
