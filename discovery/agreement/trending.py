"""Do two methods move the same way: concordance of changes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from .pairs import as_pairs


@dataclass(frozen=True, kw_only=True)
class Trending:
    """Share of kept changes whose signs agree, with its Wilson interval."""

    concordance: float
    ci_low: float
    ci_high: float
    n_kept: int
    n: int
    method: str


def four_quadrant(
    change_test,
    change_reference,
    *,
    exclusion: float,
    zone: Literal["reference", "square"] = "reference",
    conf_level: float = 0.95,
) -> Trending:
    """Concordance of the signs of paired changes outside a zone of changes too small to judge.

    exclusion : least change, in the unit of the changes
    zone : "reference", left out where the reference changed by less; "square", only where both did. The
        two conventions give different numbers, so a report must name its own.

    A change of exactly 0 agrees with neither direction. NaN where nothing is kept.

    References
    ----------
    Critchley, Lee & Ho, Anesth Analg 2010;111:1180-1192; interval: Wilson, J Am Stat Assoc 1927;22:209-212.
    """
    from scipy.stats import binomtest

    test, reference, _ = as_pairs(change_test, change_reference)
    small = np.abs(reference) < exclusion
    if zone == "square":
        small &= np.abs(test) < exclusion
    agree, kept = int((test * reference > 0)[~small].sum()), int((~small).sum())
    low = high = np.nan
    if kept:
        low, high = binomtest(agree, kept).proportion_ci(conf_level, method="wilson")
    where = "reference change" if zone == "reference" else "both changes"
    return Trending(
        concordance=agree / kept if kept else np.nan,
        ci_low=float(low),
        ci_high=float(high),
        n_kept=kept,
        n=test.size,
        method=f"four-quadrant, left out where {where} below {exclusion:g}",
    )
