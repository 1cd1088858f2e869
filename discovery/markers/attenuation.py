"""What an effect would be had the feature been measured without error: a sensitivity column.

Ranking and verdicts use the observed values, since those are what a clinic would measure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from discovery.association.design import Design
from discovery.association.null_model import missing_patterns


@dataclass(frozen=True, kw_only=True)
class Corrected:
    """Attenuation-corrected effects (p,) with their intervals; NaN where the reliability is unknown or
    so low, given the covariates, that nothing of the feature is left (at most 0)."""

    estimate: np.ndarray
    low: np.ndarray
    high: np.ndarray
    reliability: np.ndarray  # given the covariates


def correct_attenuation(
    estimate, se, reliability, explained, *, pairs=None, conf_level: float = 0.95
) -> Corrected:
    """Regression calibration: effects divided by the reliability that is left given the covariates.

    Parameters
    ----------
    estimate, se : array (p,)
        Adjusted effects per 1 SD of the observed feature.
    reliability : array (p,)
        Share of the variance between patients that is true, from separate sessions at least an hour
        apart. A reliability from the beats of one session is too high, and must not be used.
    explained : array (p,)
        R2 of the feature on the covariates (`explained_by_base`).
    pairs : array (p,), optional
        Patients with two sessions behind each reliability; its sampling error then widens the interval.
        Without it the reliability counts as known.

    Notes
    -----
    lambda given Z = (lambda - R2) / (1 - R2); b / lambda, with variance
    Var(b) / lambda^2 + b^2 Var(lambda) / lambda^4 and Var(lambda) = (1 - lambda^2)^2 / (pairs - 3),
    carried over to lambda given Z.

    References
    ----------
    Carroll, Ruppert, Stefanski & Crainiceanu, Measurement Error in Nonlinear Models, 2006, chapter 4.
    """
    from scipy.stats import norm

    b, s, whole, r2 = (np.asarray(a, dtype=float) for a in (estimate, se, reliability, explained))
    with np.errstate(invalid="ignore", divide="ignore"):
        left = (whole - r2) / (1 - r2)
        left = np.where(left > 0, left, np.nan)
        spread = np.zeros(b.shape)
        if pairs is not None:
            known = np.asarray(pairs, dtype=float)
            spread = np.where(known > 3, (1 - whole**2) ** 2 / (known - 3) / (1 - r2) ** 2, np.nan)
        centre = b / left
        width = norm.ppf((1 + conf_level) / 2) * np.sqrt((s / left) ** 2 + b**2 * spread / left**4)
    return Corrected(estimate=centre, low=centre - width, high=centre + width, reliability=left)


def explained_by_base(design: Design) -> np.ndarray:
    """R2 (p,) of each feature on the covariates and sites, on its own patients; NaN for a constant one."""
    columns = [np.ones((design.n, 1)), design.base]
    if design.stratum is not None:
        columns.append((design.stratum[:, None] == np.unique(design.stratum)[1:]).astype(float))
    z = np.hstack(columns)
    r2 = np.full(design.features.shape[1], np.nan)
    for which, rows in missing_patterns(design.observed):
        if rows.size <= z.shape[1]:
            continue
        x = design.features[np.ix_(rows, which)]
        left = x - z[rows] @ np.linalg.lstsq(z[rows], x, rcond=None)[0]
        total = ((x - x.mean(axis=0)) ** 2).sum(axis=0)
        r2[which] = np.where(total > 0, 1 - (left**2).sum(axis=0) / np.where(total > 0, total, 1.0), np.nan)
    return r2
