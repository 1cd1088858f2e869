"""Area under the ROC curve with DeLong's variance: one marker, or two markers on the same patients.

The paired test compares two markers that were given, not fitted. It must not be used on a model and
the same model plus a marker: under no effect that difference is degenerate and the test hardly ever
rejects (Demler, Pencina & D'Agostino, Stat Med 2012;31:2577-2587). Test the marker's coefficient.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from discovery.association.multiplicity import never_zero
from discovery.problems import InputError, Problem


@dataclass(frozen=True, kw_only=True)
class Auc:
    """Probability that a case has the higher score, ties counting half; interval cut to [0, 1].

    `se` is 0 and the interval NaN when the score separates the classes: DeLong's variance says nothing
    there.
    """

    auc: float
    se: float
    ci_low: float
    ci_high: float
    n_cases: int
    n_controls: int


@dataclass(frozen=True, kw_only=True)
class AucDifference:
    difference: float
    se: float
    ci_low: float
    ci_high: float
    z: float
    p_value: float


def auc_with_interval(y: ArrayLike, score: ArrayLike, *, conf_level: float = 0.95) -> Auc:
    """AUC of `score` (n,) for `y` (n,) of 0 and 1; higher scores should mean 1.

    Patients with a missing score or outcome are left out. The interval is normal on the raw scale
    (DeLong, DeLong & Clarke-Pearson, Biometrics 1988;44:837-845).
    """
    case, control = _two_classes(y, np.asarray(score, dtype=float)[:, None])
    area, of_case, of_control = placements(case, control)
    variance = _variance(of_case, of_control)[0, 0]
    value, se = float(area[0]), float(np.sqrt(variance))
    half = stats.norm.ppf((1 + conf_level) / 2) * se if se > 0 else np.nan
    return Auc(
        auc=value,
        se=se,
        ci_low=max(value - half, 0.0) if se > 0 else np.nan,
        ci_high=min(value + half, 1.0) if se > 0 else np.nan,
        n_cases=len(case),
        n_controls=len(control),
    )


def compare_aucs(
    y: ArrayLike, first: ArrayLike, second: ArrayLike, *, conf_level: float = 0.95
) -> AucDifference:
    """Paired DeLong test of two markers on the patients who have both; see the warning above."""
    scores = np.column_stack([np.asarray(first, dtype=float), np.asarray(second, dtype=float)])
    case, control = _two_classes(y, scores)
    area, of_case, of_control = placements(case, control)
    covariance = _variance(of_case, of_control)
    difference = float(area[0] - area[1])
    se = float(np.sqrt(max(covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1], 0.0)))
    z = difference / se if se > 0 else np.nan
    half = stats.norm.ppf((1 + conf_level) / 2) * se
    return AucDifference(
        difference=difference,
        se=se,
        ci_low=difference - half,
        ci_high=difference + half,
        z=z,
        p_value=float(never_zero(2 * stats.norm.sf(abs(z)))),
    )


def placements(case: np.ndarray, control: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """AUC (m,), and each case's (n1, m) and control's (n0, m) own share of it, for m scores.

    By ranks: a case's placement is the share of controls below it, ties half.
    """
    n1, n0 = len(case), len(control)
    both = stats.rankdata(np.vstack([case, control]), axis=0)
    of_case = (both[:n1] - stats.rankdata(case, axis=0)) / n0
    of_control = 1 - (both[n1:] - stats.rankdata(control, axis=0)) / n1
    return of_case.mean(axis=0), of_case, of_control


def _variance(of_case: np.ndarray, of_control: np.ndarray) -> np.ndarray:
    n1, n0 = len(of_case), len(of_control)
    a, b = of_case - of_case.mean(axis=0), of_control - of_control.mean(axis=0)
    return a.T @ a / (n1 * (n1 - 1)) + b.T @ b / (n0 * (n0 - 1))


def _two_classes(y: ArrayLike, scores: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    truth = np.asarray(y, dtype=float)
    seen = ~np.isnan(truth) & ~np.isnan(scores).any(axis=1)
    truth, scores = truth[seen], scores[seen]
    case, control = scores[truth == 1], scores[truth == 0]
    if len(case) + len(control) < len(truth) or len(case) < 2 or len(control) < 2:
        raise InputError(
            [
                Problem(
                    file="ROC curve",
                    found=f"{len(case)} cases and {len(control)} controls among {len(truth)} patients",
                    wanted="an outcome of 0 and 1 with at least two patients of each",
                )
            ]
        )
    return case, control
