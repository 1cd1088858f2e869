"""What the study could have seen: the effect that would have been found with 80 % power."""

from __future__ import annotations

import numpy as np

from discovery.association.design import Design
from discovery.association.kinds import kind_of
from discovery.association.outcome_models import standardised_outcome

POWER = 0.8


def null_standard_errors(design: Design) -> np.ndarray:
    """Standard error (p,) of each feature's coefficient if it had no effect, given the base model.

    1 / sqrt(variance of the score at 0). The fitted standard error grows with the fitted effect and
    says nothing of the effect that was within reach. For a continuous outcome the residual variance is
    that of the base model by its degrees of freedom. NaN where the base model could not be fitted.

    For survival a strong marker thins its own side of the risk sets, which leaves its variance too small:
    the standard error is then too large, by 6 % at a hazard ratio of 1.6 per SD and 15 % at 2.7.

    References
    ----------
    Schoenfeld, Biometrics 1983;39:499-503 (Cox); Hsieh, Bloch & Larsen, Stat Med 1998;17:1623-1634
    (logistic and linear): their formulas are this one with the variance written out.
    """
    design = standardised_outcome(design)
    features = np.where(design.observed, design.features, 0.0)
    return kind_of(design.kind).null_standard_errors(design, features)


def detectable_effect(se_null, level: float, power: float = POWER) -> np.ndarray:
    """The effect found at two-sided p = `level` with `power`: (z(1 - level/2) + z(power)) standard errors."""
    from scipy.stats import norm

    return (norm.isf(level / 2) + norm.ppf(power)) * np.asarray(se_null, dtype=float)
