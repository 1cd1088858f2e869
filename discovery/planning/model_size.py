"""Least patients to develop a prediction model of so many parameters.

References
----------
Riley et al., Stat Med 2019;38:1276-1296 (binary, survival), 1262-1275 (continuous); BMJ 2020;368:m441.
`r2_cox_snell` is the Cox-Snell R2 expected of the finished model, adjusted for optimism.
"""

from __future__ import annotations

import math

MARGIN = 0.05


def patients_for_shrinkage(parameters: int, r2_cox_snell: float, shrinkage: float = 0.9) -> int:
    """Patients so that the expected uniform shrinkage is `shrinkage`; any generalised linear or Cox model."""
    return _up(parameters / ((shrinkage - 1) * math.log(1 - r2_cox_snell / shrinkage)))


def patients_for_binary_model(
    parameters: int, r2_cox_snell: float, prevalence: float, shrinkage: float = 0.9
) -> tuple[int, int, int]:
    """Patients by shrinkage, by optimism .05 in Nagelkerke's R2, by the overall risk within .05.

    The largest is the answer.
    """
    log_null = prevalence * math.log(prevalence) + (1 - prevalence) * math.log(1 - prevalence)
    largest = 1 - math.exp(2 * log_null)
    from_optimism = r2_cox_snell / (r2_cox_snell + MARGIN * largest)
    return (
        patients_for_shrinkage(parameters, r2_cox_snell, shrinkage),
        patients_for_shrinkage(parameters, r2_cox_snell, from_optimism),
        _up((1.96 / MARGIN) ** 2 * prevalence * (1 - prevalence)),
    )


def patients_for_survival_model(
    parameters: int, r2_cox_snell: float, rate: float, mean_follow_up: float, shrinkage: float = 0.9
) -> tuple[int, float]:
    """Patients by shrinkage, and the events expected of them (rate per unit of follow-up)."""
    n = patients_for_shrinkage(parameters, r2_cox_snell, shrinkage)
    return n, n * mean_follow_up * rate


def patients_for_linear_model(parameters: int, r2: float, shrinkage: float = 0.9) -> tuple[int, int, int]:
    """Patients by shrinkage, by optimism .05 in R2, by the residual SD within 10 %.

    r2 : adjusted R2 expected of the model.
    """

    def expected_shrinkage(n: float) -> float:
        apparent = (r2 * (n - parameters - 1) + parameters) / (n - 1)
        return 1 + (parameters - 2) / (n * math.log(1 - apparent))

    from scipy.optimize import brentq

    few, many = parameters + 2.0, 1e9
    by_shrinkage = brentq(lambda n: expected_shrinkage(n) - shrinkage, few, many)
    by_optimism = 1 + parameters * (1 - r2) / MARGIN
    return _up(by_shrinkage), _up(by_optimism), 234 + parameters


def _up(n: float) -> int:
    """Rounded up, save for what the last bits of floating point add to a whole number."""
    return math.ceil(n - 1e-9 * n)
