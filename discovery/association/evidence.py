"""The standard error that goes with the evidence of a model, where its own would belie it."""

from __future__ import annotations

import numpy as np

from discovery.association.kinds import kind_of


def evidence_errors(kind: str, estimate: np.ndarray, z: np.ndarray, se: np.ndarray) -> np.ndarray:
    """Standard errors that go with the likelihood ratio, |estimate| / |z|; arrays of one shape.

    Near separation the model's own standard error explodes while the likelihood ratio does not: by it the
    surest marker would be the least sure. For |z| < 1 the ratio says nothing, and for a continuous
    outcome the t statistic is exact: the model's standard error stands.
    """
    if not kind_of(kind).limited:
        return se
    sure = np.abs(z) >= 1
    return np.where(sure, np.abs(estimate) / np.where(sure, np.abs(z), 1.0), se)
