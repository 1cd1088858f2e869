"""How strong an unmeasured confounder would have to be to explain an association away.

The smallest risk ratio that it would need with both feature and outcome. VanderWeele & Ding, Ann Intern
Med 2017;167:268-274; the conversions of a hazard or odds ratio of a common outcome, and of a
standardised slope, to an approximate risk ratio are theirs (from memory).
"""

from __future__ import annotations

import numpy as np

COMMON = 0.15  # share of patients with the event above which a ratio is no longer close to a risk ratio


def risk_ratio(kind: str, effect: float, share: float) -> float:
    """Approximate risk ratio of an effect on the scale of the table (natural log of a ratio, or slope).

    kind : survival, binary, continuous, count, recurrent; share : of patients with the event. NaN for
    other kinds.
    """
    if kind == "survival":
        ratio = np.exp(effect)
        if share <= COMMON:
            return float(ratio)
        return float((1 - 0.5 ** np.sqrt(ratio)) / (1 - 0.5 ** np.sqrt(1 / ratio)))
    if kind == "binary":
        return float(np.exp(effect / 2 if share > COMMON else effect))
    if kind in ("count", "recurrent"):
        return float(np.exp(effect))
    if kind == "continuous":
        return float(np.exp(0.91 * effect))
    return np.nan


def e_value(ratio: float) -> float:
    """E-value of a risk ratio above or below 1; 1 for a ratio of 1."""
    if not ratio > 0:
        return np.nan
    above = ratio if ratio >= 1 else 1 / ratio
    return float(above + np.sqrt(above * (above - 1)))


def e_values(kind: str, effect: float, low: float, high: float, share: float) -> tuple[float, float]:
    """E-value of the estimate, and of the limit of its interval nearer to no effect (1 if that is inside)."""
    if not np.isfinite([effect, low, high]).all():
        return np.nan, np.nan
    near = 0.0 if low <= 0 <= high else min(low, high, key=abs)
    return e_value(risk_ratio(kind, effect, share)), e_value(risk_ratio(kind, near, share))
