"""Events per person-time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from discovery.survival.refusals import refuse


@dataclass(frozen=True, kw_only=True)
class Rate:
    """Events per `per` units of person-time, with exact limits."""

    events: int
    person_time: float
    per: float
    estimate: float
    ci_low: float
    ci_high: float
    conf_level: float


def poisson_rate(events: int, person_time: float, *, per: float = 1.0, conf_level: float = 0.95) -> Rate:
    """Events per `per` units of person-time, with the exact interval from the two Poisson tails.

    References
    ----------
    Garwood, Biometrika 1936;28:437-442. Oracle: TB08.
    """
    if not (events >= 0 and events == int(events) and np.isfinite(person_time) and person_time > 0):
        wanted = "wanted a whole number of events from 0 up and a positive person-time"
        refuse("rate", wanted, found=f"{events}, {person_time}")
    tail = (1 - conf_level) / 2
    low = 0.0 if events == 0 else chi2.ppf(tail, 2 * events) / 2
    high = chi2.isf(tail, 2 * events + 2) / 2
    scale = per / person_time
    return Rate(
        events=int(events), person_time=float(person_time), per=float(per), estimate=events * scale,
        ci_low=float(low * scale), ci_high=float(high * scale), conf_level=conf_level,
    )  # fmt: skip
