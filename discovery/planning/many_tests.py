"""How many patients a search over many features needs."""

from __future__ import annotations

import math


def patients_for_false_discovery_rate(
    features: int,
    true_features: int,
    found: float,
    *,
    fdr: float,
    effect: float,
    allocation: float = 0.5,
    sides: int = 1,
) -> tuple[float, int]:
    """Level of each test, and patients in all, so that `found` of `true_features` are expected to be found.

    effect : difference of means in SD units; allocation : share of patients in one group; sides : 1 or 2.
    Tests are by z, independent or weakly dependent.

    References
    ----------
    Jung, Bioinformatics 2005;21:3097-3104.
    """
    from scipy.stats import norm

    level = found * fdr / ((features - true_features) * (1 - fdr))
    z = norm.isf(level / sides) + norm.ppf(found / true_features)
    return float(level), math.ceil(z**2 / (allocation * (1 - allocation) * effect**2))
