"""Migration of the catheter tip: where consecutive cycles change chamber, and what changed with it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from discovery.recordings.cycles import WHIP_ROUGHNESS, Cycles
from discovery.recordings.sites import PA, RA, RV, SITES, UNDETERMINED, WEDGE

AROUND, REACH = 5, 10  # cycles compared on either side, and how far they are looked for
LEAST_STEP = 5.0  # mmHg: rise of the minimum on entering the artery; most change of systolic pressure
PULSE_LOSS = 0.7

EVENT_COLUMNS = (
    "at_s",
    "from_site",
    "to_site",
    "systolic_change",
    "minimum_change",
    "mean_change",
    "pulse_change_share",
    "slope_before",
    "slope_after",
    "agrees",
)


@dataclass(frozen=True)
class Levels:
    """Levels of some beats (mmHg) and the normalised diastolic slope (1/s, NaN when unknown)."""

    maximum: float
    minimum: float
    slope: float = np.nan
    pulse: float = np.nan

    @property
    def pulse_pressure(self) -> float:
        return self.pulse if np.isfinite(self.pulse) else self.maximum - self.minimum


def site_after_step(before: Levels, after: Levels, site_before: str = "RV") -> str:
    """The chamber that a step from `before` to `after` leads to, from `site_before`.

    From the ventricle to the artery: the minimum rises by 5 mmHg or more, systolic pressure changes by
    less than 5, the late-diastolic slope turns negative (or is unknown). To the atrium: more than 70 %
    of the pulse is lost and less than 10 mmHg of it is left. Back from the artery: the reverse of the
    first. Otherwise undetermined. Rule after Mark 1998; the numbers are engineering choices.
    """
    up = after.minimum - before.minimum
    level_peak = abs(after.maximum - before.maximum) < LEAST_STEP
    if site_before in ("RV", "RA") and up >= LEAST_STEP and level_peak and not after.slope > -0.2:
        return "PA"
    lost = 1.0 - after.pulse_pressure / before.pulse_pressure if before.pulse_pressure > 0 else 0.0
    if lost > PULSE_LOSS and after.pulse_pressure < 10.0:
        return {"RV": "RA", "PA": "wedge"}.get(site_before, UNDETERMINED)
    if site_before == "PA" and up <= -LEAST_STEP and level_peak and not after.slope < -0.6:
        return "RV"
    return UNDETERMINED


def migration_events(cycles: Cycles, cycle_site: np.ndarray) -> pd.DataFrame:
    """One row for each change of site between named cycles, with the steps of level across it.

    `agrees` says whether the steps look like that change: up to the artery the minimum rises 5 mmHg
    with systolic pressure within 5; down to the ventricle the reverse; into atrium or wedge more than
    half of the pulse is lost; out of them it doubles.
    """
    named = np.flatnonzero(cycle_site >= 0)
    rows = []
    for k in np.flatnonzero(np.diff(cycle_site[named]) != 0):
        i, j = named[k], named[k + 1]
        a, b = int(cycle_site[i]), int(cycle_site[j])
        before = _clearest(cycles, named[max(k - REACH + 1, 0) : k + 1][::-1], cycle_site, a)
        after = _clearest(cycles, named[k + 1 : k + 1 + REACH], cycle_site, b)

        def change(values: np.ndarray, before: np.ndarray = before, after: np.ndarray = after) -> float:
            return float(np.median(values[after]) - np.median(values[before]))

        systolic, minimum = change(cycles.peak), change(np.minimum(cycles.foot, cycles.least))
        pulse = change(cycles.pulse) / max(float(np.median(cycles.pulse[before])), 1e-9)
        rows.append(
            {
                "at_s": float(cycles.start[j]),
                "from_site": SITES[a],
                "to_site": SITES[b],
                "systolic_change": systolic,
                "minimum_change": minimum,
                "mean_change": change(cycles.mean),
                "pulse_change_share": pulse,
                "slope_before": _median(cycles.late_slope[before]),
                "slope_after": _median(cycles.late_slope[after]),
                "agrees": _agrees(a, b, systolic, minimum, pulse),
            }
        )
    return pd.DataFrame(rows, columns=list(EVENT_COLUMNS))


def _clearest(cycles: Cycles, nearby: np.ndarray, cycle_site: np.ndarray, site: int) -> np.ndarray:
    """Up to five cycles of `site` nearest to the change, the first of `nearby`, free of motion if any are."""
    other = np.flatnonzero(cycle_site[nearby] != site)
    mine = nearby[: other[0]] if other.size else nearby
    clear = mine[cycles.roughness[mine] <= WHIP_ROUGHNESS * cycles.pulse[mine]]
    return (clear if clear.size else mine)[:AROUND]


def _median(values: np.ndarray) -> float:
    values = values[np.isfinite(values)]
    return float(np.median(values)) if values.size else np.nan


def _agrees(a: int, b: int, systolic: float, minimum: float, pulse: float) -> bool:
    if (a, b) == (RV, PA):
        return minimum >= LEAST_STEP and abs(systolic) < LEAST_STEP
    if (a, b) == (PA, RV):
        return minimum <= -LEAST_STEP and abs(systolic) < LEAST_STEP
    if b in (RA, WEDGE):
        return pulse < -0.5
    return pulse > 1.0
